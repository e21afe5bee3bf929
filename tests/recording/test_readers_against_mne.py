"""Recordings that nobody here made give the same events as MNE-Python, sample by sample.

pyedflib brings some along, and `others` holds some of MNE-Python's. More can be had from elsewhere:
TALLYMARK_RECORDINGS names a folder, and every EDF, BDF and BrainVision file below it is read by
both.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

import mne
import numpy as np
import pyedflib
import pytest

from tallymark.recording import RecordingError, Rule, load_events
from tallymark.recording.formats import brainvision, edf
from tallymark.recording.formats.code_text import code_in
from tallymark.recording.formats.edf_header import read_header

MORE = os.environ.get("TALLYMARK_RECORDINGS")
OTHERS = Path(__file__).with_name("others")
FOLDERS = [Path(pyedflib.__file__).parent, OTHERS, *([Path(MORE)] if MORE else [])]
SUFFIXES = (".edf", ".bdf", ".vhdr")
FILES = sorted(f for folder in FOLDERS for f in folder.rglob("*") if f.suffix in SUFFIXES)
EDF_FILES = [path for path in FILES if path.suffix != ".vhdr"]


def name(path: Path) -> str:
    return path.name


def their_raw(path: Path, **options: object) -> mne.io.BaseRaw:
    read = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    return read(path, verbose="error", **options)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", EDF_FILES, ids=name)
def test_every_channel_has_their_samples(path: Path) -> None:
    """Sample by sample, as digital values, which is what the status channel is read from."""
    header = read_header(path)
    plus = header.format.endswith("+")  # pyedflib reads no other files
    with pyedflib.EdfReader(str(path)) if plus else contextlib.nullcontext() as reader:
        for number, channel in enumerate(c for c in header.channels if not c.keeps_time):
            ours = np.concatenate(list(edf._pieces(header, channel)))
            assert len(ours) == channel.samples * header.records
            if reader is not None:
                assert np.array_equal(reader.readSignal(number, digital=True), ours)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", EDF_FILES, ids=name)
def test_status_channels_give_their_events(path: Path) -> None:
    """Channels that MNE takes for triggers; it counts onsets as changes of the eight lines."""
    raw = their_raw(path)
    labels = [raw.ch_names[n] for n in mne.pick_types(raw.info, meg=False, stim=True)]
    if not labels:
        pytest.skip("has no trigger channel")
    for label in labels:
        if cuts_off_fractions(path, label):
            continue
        found = mne.find_events(
            raw,
            label,
            mask=0xFF,
            mask_type="and",
            consecutive=True,
            shortest_event=1,
            verbose="error",
        )
        theirs = list(
            zip((found[:, 0] - raw.first_samp).tolist(), found[:, 2].tolist(), strict=True)
        )
        as_they_do = Rule(active="high", idle=0, settling=0)
        assert events_of(path, label, as_they_do) == theirs
        if unlike_theirs(path, label):
            continue
        assert events_of(path, label, Rule()) == theirs


def cuts_off_fractions(path: Path, label: str) -> bool:
    """Whether the physical values are no whole numbers. MNE cuts their fractions off and takes the
    rest for codes; we take the digital values then."""
    header = read_header(path)
    channel = next(c for c in header.channels if c.label == label)
    scale = header.calibration(channel)
    assert scale is not None
    physical = scale.physical(np.concatenate(list(edf._pieces(header, channel))))
    return path.suffix == ".edf" and not np.allclose(physical, np.rint(physical), atol=1e-3)


def events_of(path: Path, label: str, rule: Rule) -> list[tuple[int, int]]:
    try:
        events = load_events(path, rule, label)
    except RecordingError as error:
        assert "holds no marker" in str(error)  # noqa: PT017 - the words are what counts
        return []
    return list(zip(events.sample.tolist(), events.code.tolist(), strict=True))


def unlike_theirs(path: Path, label: str) -> bool:
    """Whether idle is another pattern than 0, which MNE takes for granted, or can't be known."""
    try:
        events = load_events(path, channel=label)
    except RecordingError as error:
        return "can't be known" in str(error)
    return events.active == "low" or events.idle != 0


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("path", EDF_FILES, ids=name)
def test_annotations_are_theirs(path: Path) -> None:
    raw = their_raw(path)
    if not read_header(path).format.endswith("+"):
        pytest.skip("has no annotations")
    _, ours = edf.read_annotations(path)
    theirs = sorted(zip(raw.annotations.onset, raw.annotations.description, strict=True))
    assert [text.strip() for _, _, text in ours] == [text for _, text in theirs]
    assert np.allclose([onset for onset, _, _ in ours], [onset for onset, _ in theirs], atol=1e-6)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    "path", [f for f in FILES if f.suffix == ".vhdr" and f.with_suffix(".eeg").exists()], ids=name
)
def test_brainvision_markers_are_theirs(path: Path) -> None:
    raw = mne.io.read_raw_brainvision(path, verbose="error")
    theirs = [
        (round(onset * raw.info["sfreq"]), code)
        for onset, text in zip(raw.annotations.onset, raw.annotations.description, strict=True)
        if not text.startswith("New Segment")
        and (code := code_in(text.partition("/")[2])) is not None
        and 1 <= code <= 255
    ]
    try:
        events = load_events(path, types=["all"])
    except RecordingError as error:
        assert "holds no marker" in str(error)  # noqa: PT017 - the words are what counts
        assert not theirs
        return
    end = brainvision._open(path, values=False).data
    assert end is not None
    assert end.points == len(raw.times)
    ours = zip(events.sample.tolist(), events.code.tolist(), strict=True)
    assert [row for row in ours if row[0] < end.points] == theirs
