"""XDF: marker streams and status channels on one clock, and files that are cut off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import pyxdf
from xdffile import xdf_file

from tallymark.recording import RecordingError, load_events

TIMES = [1.25, 2.5, 3.75, 5.5]
CODES = [3, 5, 6, 200]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    xdf_file(tmp_path / "ferry.xdf", TIMES, CODES)
    return tmp_path / "ferry.xdf"


def test_a_stream_of_markers(path: Path) -> None:
    events = load_events(path)
    assert events.format == "XDF"
    assert events.channel == "ferry markers"
    assert events.code.tolist() == CODES
    assert np.allclose(events.time_us / 1e6, TIMES, atol=1e-5)  # on the amplifier's clock
    assert events.end_us == pytest.approx(6e6, abs=2e4)
    assert events.began is not None
    assert events.began.isoformat() == "2026-04-01T12:30:00"


def test_a_status_channel(path: Path) -> None:
    events = load_events(path, channel="amplifier/Status")
    assert events.code.tolist() == CODES
    assert np.allclose(events.time_us / 1e6, TIMES, atol=1e-5)
    assert events.rate == pytest.approx(256)
    streams, _ = pyxdf.load_xdf(str(path))
    amplifier = next(s for s in streams if s["info"]["name"] == ["amplifier"])
    theirs = amplifier["time_series"][:, 1]
    starts = np.flatnonzero((theirs[1:] != 0) & (theirs[:-1] == 0)) + 1
    assert events.sample.tolist() == starts.tolist()
    assert events.code.tolist() == theirs[starts].tolist()


def test_a_stream_that_pauses_keeps_its_times(path: Path) -> None:
    xdf_file(path, TIMES, CODES, pause=20.0)
    events = load_events(path, channel="amplifier/Status")
    assert events.code.tolist() == CODES
    assert np.allclose(events.time_us / 1e6, [1.25, 2.5, 23.75, 25.5], atol=1e-4)
    assert events.end_us == pytest.approx(26e6, abs=2e4)
    assert np.allclose(events.pauses_us, [(3e6, 23e6)], atol=1e3)


def test_streams_are_named_when_one_is_not_there(path: Path) -> None:
    with pytest.raises(RecordingError, match=r"'amplifier'.*'ferry markers', 'amplifier/Fz'"):
        load_events(path, channel="amplifier")


def test_files_that_are_cut_off(path: Path) -> None:
    raw = path.read_bytes()
    path.write_bytes(raw[: int(len(raw) * 0.8)])
    events = load_events(path)
    assert events.code.tolist() == CODES
    assert "damaged or cut off: 1 chunk" in events.incomplete[0]
    path.write_bytes(raw[:300])
    with pytest.raises(RecordingError, match="holds no samples"):
        load_events(path)
    path.write_bytes(b"XDF;" + raw[4:])
    with pytest.raises(RecordingError, match="is no XDF file"):
        load_events(path)


def test_a_count_that_would_take_all_memory(path: Path) -> None:
    raw = path.read_bytes()
    at = raw.index(b"boat 3") - 12  # the number of texts in the chunk
    assert raw[at - 1 : at + 1] == bytes([1, len(CODES)])
    path.write_bytes(raw[: at - 1] + b"\x04\xff\xff\xff\xff" + raw[at + 4 :])
    with pytest.raises(RecordingError):
        load_events(path, channel="ferry markers")
