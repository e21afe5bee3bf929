"""Recordings are read as independent libraries read them, and damage is told in words."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import edfio
import mne
import numpy as np
import pybv
import pyedflib
import pytest

from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.recording import RecordingError, Rule, load_events
from tallymark.recording.formats import edf
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample, write_recording
from tallymark.virtual.practice.edf_writer import CHANNEL

TIMES = [1.25, 2.5, 3.75, 5.5]
CODES = [3, 5, 6, 200]


@pytest.fixture(scope="module")
def bdf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("practice") / "ferry.bdf"
    pulses = [Pulse(t * 1e6, c, 8_000) for t, c in zip(TIMES, CODES, strict=True)]
    amplifier = Amplifier(rate=512, duration_s=7.5, other_bits=0x900000, signals=3)
    write_recording(path, sample(changes_of(pulses), Wiring(), amplifier))
    return path


def status(path: Path) -> np.ndarray:
    stream = edf.open_status(path)
    return np.concatenate(list(stream.pieces()))


@pytest.fixture(scope="module")
def edf_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("practice") / "ferry.edf"
    pulses = [Pulse(t * 1e6, c, 8_000) for t, c in zip(TIMES, CODES, strict=True)]
    amplifier = Amplifier(rate=512, duration_s=7.5, other_bits=0x1000, signals=3)
    write_recording(path, sample(changes_of(pulses), Wiring(), amplifier))
    return path


def test_our_edf_is_read_alike_by_independent_libraries(edf_file: Path) -> None:
    ours = status(edf_file)
    with pyedflib.EdfReader(str(edf_file)) as reader:  # it refuses what breaks the rules of EDF+
        assert reader.getLabel(3) == CHANNEL
        assert reader.getSampleFrequency(3) == 512
        assert reader.getStartdatetime().isoformat() == "2026-01-05T10:00:00"
        assert reader.filetype == pyedflib.FILETYPE_EDFPLUS
        assert np.array_equal(reader.readSignal(3, digital=True), ours)
        assert 1 < np.std(reader.readSignal(0)) < 1000  # microvolts
        assert reader.file_duration == 8
    theirs = edfio.read_edf(edf_file)
    assert np.array_equal(theirs.get_signal(CHANNEL).digital, ours)
    assert theirs.recording.startdate.isoformat() == "2026-01-05"
    raw = mne.io.read_raw_edf(edf_file, stim_channel=CHANNEL, verbose="error")
    assert np.array_equal(raw.get_data(CHANNEL)[0].astype(int) & 0xFF, ours & 0xFF)
    events = load_events(edf_file)
    assert events.format == "EDF+"
    assert events.code.tolist() == CODES
    assert events.sample.tolist() == [int(np.ceil(t * 512)) for t in TIMES]


def test_a_level_that_a_sample_cannot_hold_is_refused(tmp_path: Path) -> None:
    amplifier = Amplifier(rate=512, duration_s=3, other_bits=0x10000)
    with pytest.raises(ValueError, match="a sample of EDF"):
        write_recording(
            tmp_path / "a.edf", sample(changes_of([Pulse(1e6, 3, 8_000)]), Wiring(), amplifier)
        )


def test_our_bdf_is_read_alike_by_independent_libraries(bdf: Path) -> None:
    ours = status(bdf)
    with pyedflib.EdfReader(str(bdf)) as reader:
        assert reader.getLabel(3) == CHANNEL
        assert reader.filetype == pyedflib.FILETYPE_BDFPLUS
        assert np.array_equal(reader.readSignal(3, digital=True), ours)
        assert 1 < np.std(reader.readSignal(0)) < 1000  # microvolts
    assert np.array_equal(edfio.read_bdf(bdf).get_signal(CHANNEL).digital, ours)
    raw = mne.io.read_raw_bdf(bdf, stim_channel=CHANNEL, verbose="error")
    assert np.array_equal(raw.get_data(CHANNEL)[0].astype(int) & 0xFF, ours & 0xFF)
    found = mne.find_events(raw, mask=0xFF, mask_type="and", verbose="error")
    events = load_events(bdf)
    assert np.array_equal(found[:, 0], events.sample)
    assert np.array_equal(found[:, 2], events.code)


def test_events_of_our_bdf(bdf: Path) -> None:
    events = load_events(bdf)
    assert events.format == "BDF+"
    assert events.code.tolist() == CODES
    assert events.sample.tolist() == [int(np.ceil(t * 512)) for t in TIMES]
    assert set(events.width.tolist()) <= {4, 5}
    assert events.end_us == 8e6  # records of 1 s are filled up


def test_reading_in_pieces_gives_the_same(bdf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = load_events(bdf)
    monkeypatch.setattr(edf, "PIECE_BYTES", 1)
    seen: list[int] = []
    pieces = load_events(bdf, progress=lambda done, total: seen.append(done))
    assert seen == [512 * n for n in range(1, 9)]
    assert np.array_equal(whole.sample, pieces.sample)


def test_edf_with_16_bits(tmp_path: Path) -> None:
    path = tmp_path / "ferry.edf"
    values = np.zeros(2560, int)
    for time, code in zip(TIMES, CODES, strict=True):
        values[int(time * 256) : int(time * 256) + 3] = code
    signal = edfio.EdfSignal(values, 256, label="TRIG", physical_range=(-32768, 32767))
    other = edfio.EdfSignal(np.sin(np.arange(2560)), 256, label="Fz")
    notes = [edfio.EdfAnnotation(t, None, f"boat {c}") for t, c in zip(TIMES, CODES, strict=True)]
    edfio.Edf([other, signal], annotations=notes).write(path)
    events = load_events(path)
    assert events.code.tolist() == CODES
    assert events.format == "EDF+"
    listed = load_events(path, channel="annotations")
    assert listed.code.tolist() == CODES
    assert (listed.time_us / 1e6).tolist() == TIMES


def test_a_file_that_pauses_keeps_its_times(bdf: Path, tmp_path: Path) -> None:
    raw = bytearray(bdf.read_bytes())
    raw[192:197] = b"BDF+D"
    header = edf.read_header(bdf)
    label = next(c for c in header.channels if c.label == "BDF Annotations")
    for record in range(3, header.records):  # 100 s pass before the fourth record
        at = header.size + record * header.record_bytes + label.offset
        stamp = b"+%d\x14\x14\x00" % (record + 100)
        raw[at : at + len(stamp)] = stamp
    path = tmp_path / "pauses.bdf"
    path.write_bytes(raw)
    events = load_events(path)
    assert np.allclose(events.time_us[:2], [1.25e6, 2.5e6], atol=2000)
    assert np.allclose(events.time_us[2:], [103.75e6, 105.5e6], atol=2000)
    assert "pauses once" in events.notes[0]
    with pytest.raises(OSError, match=r"discontinuous"):  # why the reader is our own
        pyedflib.EdfReader(str(path))


def test_a_cut_off_file_is_read_as_far_as_it_goes(bdf: Path, tmp_path: Path) -> None:
    path = tmp_path / "cut.bdf"
    path.write_bytes(bdf.read_bytes()[:-20_000])
    events = load_events(path)
    assert events.code.tolist() == CODES[: len(events)]
    assert "cut off" in events.incomplete[0]
    assert load_events(bdf).incomplete == []
    with pytest.raises(OSError):  # noqa: PT011 - the text is the other library's
        pyedflib.EdfReader(str(path))


def test_the_recording_is_never_changed(bdf: Path) -> None:
    before = hashlib.sha256(bdf.read_bytes()).hexdigest()
    load_events(bdf)
    assert hashlib.sha256(bdf.read_bytes()).hexdigest() == before


def test_brainvision(tmp_path: Path) -> None:
    onsets = [int(time * 500) for time in TIMES]
    rows = [
        {"onset": at, "duration": 4, "description": code, "type": "Stimulus"}
        for at, code in zip(onsets, CODES, strict=True)
    ]
    pybv.write_brainvision(
        data=np.zeros((2, 4000)),
        sfreq=500,
        ch_names=["Fz", "Cz"],
        fname_base="ferry",
        folder_out=tmp_path,
        events=rows,
    )
    for suffix in (".vhdr", ".vmrk", ".eeg"):
        events = load_events(tmp_path / f"ferry{suffix}")
        assert events.code.tolist() == CODES
        assert events.sample.tolist() == onsets
        assert events.rate == 500
        assert events.end_us == 8e6
        assert events.width.tolist() == [4] * 4
    raw = mne.io.read_raw_brainvision(tmp_path / "ferry.vhdr", verbose="error")
    assert np.allclose(raw.annotations.onset[-4:], np.array(onsets) / 500)
    (tmp_path / "ferry.vmrk").unlink()
    with pytest.raises(RecordingError, match="keep the three together"):
        load_events(tmp_path / "ferry.vhdr")


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("onset\tduration\tvalue\n1.25\t0.005\t3\n2.5\t0.005\t5\n", None),
        ("sample;code\n1250;3\n2500;5\n", 1000.0),
        ("Time_ms,Marker\n1250,S  3\n2500,S  5\n", None),
        ("onset\tduration\ttrial_type\n1.25\tn/a\t3\n2.0\tn/a\tpause\n2.5\tn/a\t5\n", None),
    ],
)
def test_tables(tmp_path: Path, text: str, rate: float | None) -> None:
    path = tmp_path / "events.tsv"
    path.write_text(text)
    events = load_events(path, rate=rate)
    assert events.code.tolist() == [3, 5]
    assert events.time_us.tolist() == [1.25e6, 2.5e6]


def broken(tmp_path: Path, bdf: Path, name: str) -> Path:
    raw = bdf.read_bytes()
    path = tmp_path / f"{name}.bdf"
    labels = [raw[256 + 16 * n :][:16] for n in range(5)]
    header = 256 * 6
    content = {
        "empty": b"",
        "header cut": raw[:300],
        "no data": raw[:header],
        "wrong format": b"PK\x03\x04" + bytes(400),
        "no trigger": raw.replace(labels[3], b"Pz              ", 1),
        "several": raw.replace(labels[0], b"Trigger         ", 1),
        "rate zero": raw[:244] + b"0       " + raw[252:],
    }[name]
    path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("empty", "is empty"),
        ("header cut", "cut off in its header, which tells of 5 channels"),
        ("no data", "no complete data record"),
        ("wrong format", "neither an EDF nor a BDF"),
        ("no trigger", "no channel's name says"),
        ("several", "2 channels could carry the markers: 'Trigger', 'Marker lines'"),
        ("rate zero", "gives '0' as the duration of a data record (byte 244)"),
    ],
)
def test_bad_files_are_told_in_words(bdf: Path, tmp_path: Path, name: str, message: str) -> None:
    with pytest.raises(RecordingError, match=re.escape(message)):
        load_events(broken(tmp_path, bdf, name))


def test_other_errors(bdf: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="can't be opened"):
        load_events(tmp_path / "none.bdf")
    with pytest.raises(RecordingError, match="no channel is called 'Foo'"):
        load_events(bdf, channel="Foo")
    with pytest.raises(RecordingError, match="holds no marker"):
        load_events(bdf, Rule(lines=16))
    text = tmp_path / "events.csv"
    text.write_text("a,b\n1,2\n")
    with pytest.raises(RecordingError, match="no column with times"):
        load_events(text)
    text.write_text("onset,b\n1,2\n")
    with pytest.raises(RecordingError, match="no column with codes"):
        load_events(text)
    text.write_text("onset,value\n,2\n")
    with pytest.raises(RecordingError, match="line 2 has no number"):
        load_events(text)
    with pytest.raises(RecordingError, match="must be above 0"):
        load_events(text, rate=0.0)
    (tmp_path / "x.bin").write_bytes(bytes(100))
    with pytest.raises(RecordingError, match="format that is not known"):
        load_events(tmp_path / "x.bin")
