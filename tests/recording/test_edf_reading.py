"""EDF and BDF: calibrations, time stamps, first bytes and cut-off files, beside other readers."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import edfio
import mne
import numpy as np
import pyedflib
import pytest

from tallymark.recording import RecordingError, load_events
from tallymark.recording.formats import edf

RATE = 256
TIMES = [1.25, 2.5, 3.75, 5.5]


def trigger(codes: list[int], seconds: int = 10) -> np.ndarray:
    values = np.zeros(seconds * RATE)
    for time, code in zip(TIMES, codes, strict=True):
        values[int(time * RATE) : int(time * RATE) + 3] = code
    return values


def written(
    path: Path, values: np.ndarray, physical: tuple[float, float], digital: tuple[int, int]
) -> Path:
    signal = edfio.EdfSignal(
        values, RATE, label="TRIG", physical_range=physical, digital_range=digital
    )
    edfio.Edf([signal]).write(path)
    return path


@pytest.mark.parametrize(
    ("physical", "digital"),
    [
        ((0, 255), (-32768, 32767)),
        ((0, 100), (0, 255)),  # digital 255 is 100
        ((-100, 100), (-32768, 32767)),
        ((0, 65535), (-32768, 32767)),
        ((-3276.8, 3276.7), (-32768, 32767)),
    ],
)
def test_codes_are_physical_values(
    tmp_path: Path, physical: tuple[float, float], digital: tuple[int, int]
) -> None:
    codes = [100, 50, 25, 10] if digital[0] else [100, 20, 60, 80]
    path = written(tmp_path / "x.edf", trigger(codes), physical, digital)
    events = load_events(path)
    assert events.code.tolist() == codes
    assert "physical values of channel 'TRIG'" in events.notes[0]
    with pyedflib.EdfReader(str(path)) as reader:
        theirs = np.rint(reader.readSignal(0)).astype(int)
    starts = np.flatnonzero((theirs[1:] != 0) & (theirs[:-1] == 0)) + 1
    assert events.sample.tolist() == starts.tolist()
    assert events.code.tolist() == theirs[starts].tolist()


def test_the_calibration_of_a_voltage_is_not_applied(tmp_path: Path) -> None:
    values = trigger([100, 50, 25, 254]) * (3200.5 / 32767.5)  # microvolts of the digital code
    path = written(tmp_path / "x.edf", values, (-3200.5, 3200.5), (-32768, 32767))
    digital = edfio.read_edf(path).get_signal("TRIG").digital
    events = load_events(path)
    assert events.code.tolist() == digital[events.sample].tolist() == [100, 50, 25, 254]
    assert "no whole numbers" in events.notes[0]
    assert load_events(path, values="digital").code.tolist() == [100, 50, 25, 254]
    with pyedflib.EdfReader(str(path)) as reader:
        theirs = np.rint(reader.readSignal(0)).astype(int)[events.sample]
    assert load_events(path, values="physical").code.tolist() == theirs.tolist()


def stamped(path: Path, stamps: list[bytes]) -> Path:
    """An EDF+D file with 1 s data records and these time stamps."""
    signal = edfio.EdfSignal(
        trigger([3, 5, 6, 200]), RATE, label="TRIG", physical_range=(-32768, 32767)
    )
    edfio.Edf([signal], annotations=[edfio.EdfAnnotation(0, None, "begin")]).write(path)
    raw = bytearray(path.read_bytes())
    raw[192:197] = b"EDF+D"
    header = edf.read_header(path)
    keeper = next(channel for channel in header.channels if channel.keeps_time)
    for record, stamp in enumerate(stamps):
        at = header.size + record * header.record_bytes + keeper.offset
        size = 2 * keeper.samples
        raw[at : at + size] = (stamp + b"\x14\x14\x00").ljust(size, b"\x00")
    path.write_bytes(raw)
    return path


def plain(pause_at: int, pause: int) -> list[bytes]:
    return [b"+%d" % (n + (pause if n >= pause_at else 0)) for n in range(10)]


def test_pauses_and_damaged_time_stamps(tmp_path: Path) -> None:
    stamps = plain(3, 100)
    whole = load_events(stamped(tmp_path / "x.edf", stamps))
    assert np.allclose(whole.time_us / 1e6, [1.25, 2.5, 103.75, 105.5], atol=1e-9)
    assert whole.pauses_us == [(3e6, 103e6)]
    assert whole.incomplete == []
    twice = [b"+%d" % (n + 100 * (n > 2) + 50 * (n > 4)) for n in range(10)]
    events = load_events(stamped(tmp_path / "x.edf", twice))
    assert np.allclose(events.time_us / 1e6, [1.25, 2.5, 103.75, 155.5], atol=1e-9)
    assert events.pauses_us == [(3e6, 103e6), (105e6, 155e6)]
    for record, damaged in ((1, b"+?"), (6, b"+nan"), (8, b"+9999"), (5, b"+3"), (0, b"")):
        bad = [*stamps[:record], damaged, *stamps[record + 1 :]]
        events = load_events(stamped(tmp_path / "x.edf", bad))
        assert events.time_us.tolist() == whole.time_us.tolist(), damaged
        assert f"record {record + 1}) are damaged" in events.incomplete[0]
    bad = [*stamps[:2], b"x", b"x", *stamps[4:]]
    events = load_events(stamped(tmp_path / "x.edf", bad))
    assert "between data records 2 and 5" in events.incomplete[1]
    events = load_events(stamped(tmp_path / "x.edf", [b"x"] * 10))
    assert events.time_us.tolist() == [t * 1e6 for t in TIMES]
    assert "none of its time stamps" in events.incomplete[0]


def test_times_of_annotations_count_from_the_first_sample(tmp_path: Path) -> None:
    path = tmp_path / "x.edf"
    notes = [edfio.EdfAnnotation(t, 0.5, f"boat {n}") for n, t in enumerate(TIMES, 1)]
    signal = edfio.EdfSignal(np.sin(np.arange(2560)), RATE, label="Fz")
    edfio.Edf(
        [signal], annotations=notes, starttime=datetime(2026, 4, 1, 12, 30, 5, 250_000).time()
    ).write(path)
    events = load_events(path, channel="annotations")
    raw = mne.io.read_raw_edf(path, verbose="error")
    assert np.allclose(events.time_us / 1e6, raw.annotations.onset)
    assert events.code.tolist() == [1, 2, 3, 4]
    assert events.end_us == 10e6
    assert events.width.tolist() == [0.5e6 / events.sample_us] * 4


def test_24_bits_are_told_by_the_first_byte(tmp_path: Path) -> None:
    path = tmp_path / "x.bdf"
    values = trigger([3, 5, 6, 200])
    signal = edfio.BdfSignal(
        values,
        RATE,
        label="Status",
        physical_range=(-8388608, 8388607),
        digital_range=(-8388608, 8388607),
    )
    edfio.Bdf([signal]).write(path)
    raw = path.read_bytes()
    assert raw[0] == 0xFF
    other = tmp_path / "other.rec"  # neither the suffix nor a maker's name counts
    other.write_bytes(raw[:1] + b"FERRY  " + raw[8:])
    events = load_events(other)
    assert events.format.startswith("BDF")
    assert events.code.tolist() == [3, 5, 6, 200]
    other.write_bytes(b"\xfe" + raw[1:])
    with pytest.raises(RecordingError, match="not text"):
        load_events(other)


def test_files_that_end_early_or_late(tmp_path: Path) -> None:
    path = written(tmp_path / "x.edf", trigger([3, 5, 6, 200]), (-32768, 32767), (-32768, 32767))
    raw = path.read_bytes()
    header = edf.read_header(path)
    assert (header.notes, header.incomplete) == ([], [])
    path.write_bytes(raw[: header.size + 4 * header.record_bytes + 7])
    events = load_events(path)
    assert events.code.tolist() == [3, 5, 6]
    assert "promises 10 data records, and 4 are there" in events.incomplete[0]
    path.write_bytes(raw[:236] + b"-1      " + raw[244:])
    assert "did not close the file" in load_events(path).incomplete[0]
    path.write_bytes(raw + b"more")
    assert "goes on behind" in load_events(path).notes[0]
    path.write_bytes(raw + raw[-header.record_bytes :])
    assert "11 were read" not in load_events(path).notes[0]
    assert load_events(path).end_us == 10e6
    path.write_bytes(raw[:184] + b"77      " + raw[192:])
    assert "512 are right" in load_events(path).notes[0]
    assert load_events(path).code.tolist() == [3, 5, 6, 200]


def test_the_start_is_told(tmp_path: Path) -> None:
    path = tmp_path / "x.edf"
    signal = edfio.EdfSignal(trigger([3, 5, 6, 200]), RATE, label="TRIG")
    when = datetime(1999, 12, 31, 23, 59, 58)
    recording = edfio.Recording(startdate=when.date())
    edfio.Edf([signal], starttime=when.time(), recording=recording).write(path)
    assert load_events(path, values="digital").began == when
    raw = path.read_bytes()
    plain = b"".ljust(80)  # as in EDF without '+', where the year has two digits
    for date, year in ((b"01.02.84", 2084), (b"01.02.85", 1985), (b"01.02.26", 2026)):
        path.write_bytes(raw[:88] + plain + date + raw[176:])
        began = edf.read_header(path).began
        assert began is not None
        assert (began.year, began.month, began.day) == (year, 2, 1)
    full = b"Startdate 01-FEB-2090 X X X".ljust(80)
    path.write_bytes(raw[:88] + full + b"01.02.90" + raw[176:])
    began = edf.read_header(path).began
    assert began is not None
    assert began.year == 2090
    path.write_bytes(raw[:88] + plain + b"31.02.26" + raw[176:])
    assert edf.read_header(path).began is None
