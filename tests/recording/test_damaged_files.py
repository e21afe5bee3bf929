"""No file ends in a traceback: damage is an error in words that names the file, or a note."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import edfio
import numpy as np
import pybv
import pytest
from damage import damaged, fuzzed
from hypothesis import given
from hypothesis import strategies as st
from xdffile import xdf_file

from tallymark import markerlog, plan
from tallymark.box.settings import Settings
from tallymark.cli.sequence_file import read_steps
from tallymark.common.errors import TallymarkError
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.markerlog import MarkerLog
from tallymark.recording import columns, design_of, load_events
from tallymark.recording.recording_data import RecordedEvents
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample, write_recording

EXAMPLE = Path(__file__).parents[2] / "host/examples/ferry"
TIMES = [0.25, 0.5, 0.75, 1.5]
CODES = [3, 5, 6, 200]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("damaged")


@pytest.fixture(scope="module")
def seeds(folder: Path) -> dict[str, bytes]:
    """Sound files by suffix, most of them by writers that are not this project's."""
    pulses = [Pulse(t * 1e6, c, 8_000) for t, c in zip(TIMES, CODES, strict=True)]
    amplifier = Amplifier(rate=256, duration_s=2, other_bits=0x900000, signals=1)
    write_recording(folder / "seed.bdf", sample(changes_of(pulses), Wiring(), amplifier))
    values = np.zeros(512, int)
    for time, code in zip(TIMES, CODES, strict=True):
        values[int(time * 256) : int(time * 256) + 3] = code
    signal = edfio.EdfSignal(values, 256, label="TRIG", physical_range=(0, 255))
    notes = [edfio.EdfAnnotation(t, None, f"boat {c}") for t, c in zip(TIMES, CODES, strict=True)]
    edfio.Edf([signal], annotations=notes).write(folder / "seed.edf")
    pybv.write_brainvision(
        data=np.vstack((np.zeros(512), values * 1e-6)),
        sfreq=256,
        ch_names=["Fz", "Status"],
        fname_base="seed",
        folder_out=folder,
        events=[
            {"onset": int(t * 256), "duration": 4, "description": c, "type": "Stimulus"}
            for t, c in zip(TIMES, CODES, strict=True)
        ],
        meas_date="20260401123000000000",
    )
    xdf_file(folder / "seed.xdf", TIMES, CODES)
    with MarkerLog(folder / "seed.jsonl", {"serial": "1"}, {"idle": "low"}) as log:
        for number, code in enumerate(CODES, 1):
            log.sent(number, code, 5000, f"boat {code}", number * 500_000)
            log.answered(number, number * 500_000, number * 500_000, 10)
        log.sent(5, 9)
        log.refused(5, "a sequence plays")
        log.sent(6, 9)
        log.unconfirmed(6, "the cable was pulled")
    Settings(name="ferry").save(folder / "seed.toml")
    (folder / "seed.tsv").write_text(
        "onset\tduration\tvalue\ttrial_type\n"
        + "".join(f"{t}\t0.005\t{c}\tboat {c}\n" for t, c in zip(TIMES, CODES, strict=True))
    )
    (folder / "seed.csv").write_text("# steps\ncode,hold_us\n5,5000\n0,20000\n9,5000\n")
    return {path.suffix: path.read_bytes() for path in folder.glob("seed.*")}


def sound(events: RecordedEvents) -> None:
    """What every recording keeps to, however it was read."""
    assert len(events) == len(events.time_us) == len(events.code) == len(events.width) > 0
    assert np.isfinite(events.time_us).all()
    assert ((events.code > 0) | (events.idle != 0)).all()  # an inverted line makes code 0 an event
    assert (events.width >= 0).all()
    assert np.isfinite(events.sample_us)
    assert events.sample_us > 0
    assert np.isfinite([events.start_us, events.end_us]).all()


def survives(path: Path, raw: bytes, read: Callable[[Path], object]) -> None:
    """Reads a damaged file. Only errors in words that say which file it is may come out."""
    path.write_bytes(raw)
    with contextlib.suppress(TallymarkError), naming(path):
        read(path)


@contextlib.contextmanager
def naming(path: Path) -> Iterator[None]:
    """An error has to say which file it is about."""
    try:
        yield
    except TallymarkError as error:
        if path.stem not in str(error):
            raise AssertionError(f"does not name the file: {error}") from error
        raise


def read_recording(path: Path) -> None:
    sound(load_events(path))


def read_log(path: Path) -> None:
    log = markerlog.read(path)
    log.notes()
    design_of(log)
    sent = columns(log)
    assert np.isfinite(sent.time).all()
    assert (np.diff(sent.time) >= 0).all()


@fuzzed
@given(st.data())
@pytest.mark.parametrize("channel", [None, "annotations"])
@pytest.mark.parametrize("suffix", [".edf", ".bdf"])
def test_edf_and_bdf(
    folder: Path, seeds: dict[str, bytes], suffix: str, channel: str | None, data: st.DataObject
) -> None:
    raw = data.draw(damaged(seeds[suffix]))
    survives(folder / f"bad{suffix}", raw, lambda path: sound(load_events(path, channel=channel)))


@fuzzed
@given(st.data())
@pytest.mark.parametrize("suffix", [".vhdr", ".vmrk"])
@pytest.mark.parametrize("channel", [None, "Status"])
def test_brainvision(
    folder: Path, seeds: dict[str, bytes], suffix: str, channel: str | None, data: st.DataObject
) -> None:
    raw = data.draw(damaged(seeds[suffix]))
    for other in (".vhdr", ".vmrk", ".eeg"):
        (folder / f"bad{other}").write_bytes(seeds[other].replace(b"seed", b"bad"))

    def read(path: Path) -> None:
        sound(load_events(path.with_suffix(".vhdr"), channel=channel))

    survives(folder / f"bad{suffix}", raw.replace(b"seed", b"bad"), read)


@fuzzed
@given(st.data())
@pytest.mark.parametrize("channel", [None, "amplifier"])
def test_xdf(
    folder: Path, seeds: dict[str, bytes], channel: str | None, data: st.DataObject
) -> None:
    raw = data.draw(damaged(seeds[".xdf"]))
    survives(folder / "bad.xdf", raw, lambda path: sound(load_events(path, channel=channel)))


@fuzzed
@given(st.data())
def test_tables(folder: Path, seeds: dict[str, bytes], data: st.DataObject) -> None:
    survives(folder / "bad.tsv", data.draw(damaged(seeds[".tsv"])), read_recording)


@fuzzed
@given(st.data())
def test_marker_logs(folder: Path, seeds: dict[str, bytes], data: st.DataObject) -> None:
    survives(folder / "bad.jsonl", data.draw(damaged(seeds[".jsonl"])), read_log)


@fuzzed
@given(st.data())
def test_plans(folder: Path, data: st.DataObject) -> None:
    seed = (EXAMPLE / "plan.toml").read_bytes()
    survives(folder / "bad-plan.toml", data.draw(damaged(seed)), plan.load)


@fuzzed
@given(st.data())
def test_settings(folder: Path, seeds: dict[str, bytes], data: st.DataObject) -> None:
    raw = data.draw(damaged(seeds[".toml"]))
    survives(folder / "bad-settings.toml", raw, Settings.load)


@fuzzed
@given(st.data())
def test_sequences(folder: Path, seeds: dict[str, bytes], data: st.DataObject) -> None:
    survives(folder / "bad.csv", data.draw(damaged(seeds[".csv"])), read_steps)
