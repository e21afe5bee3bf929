"""BrainVision recordings: marker lists, and status channels of the data.

Format: "BrainVision Core Data Format 1.0": a header (.vhdr), a marker file (.vmrk) and a data file.
Positions in the marker file count samples from 1. A marker of type New Segment begins a stretch
without a pause and may carry the date and time at which it began.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from tallymark.common.formatting import some
from tallymark.recording.formats import digital_or_physical
from tallymark.recording.formats.brainvision_data import DataFile, data_points, open_data
from tallymark.recording.formats.brainvision_text import Sections, fields, read_sections
from tallymark.recording.formats.code_text import Codes
from tallymark.recording.formats.digital_or_physical import Calibration, Values
from tallymark.recording.recording_data import (
    NoEvent,
    RecordedEvents,
    RecordingError,
    Spans,
    StatusStream,
)

DEFAULT_TYPES = ("Stimulus", "Response")
_HEADERS = {".vmrk": ".vhdr", ".amrk": ".ahdr", ".eeg": ".vhdr", ".dat": ".vhdr", ".avg": ".vhdr"}
_SEGMENT = "new segment"
_LAST = 1 << 48


@dataclass(frozen=True)
class _Marker:
    """line: in the file. first: sample number, from 0; points: length in samples."""

    line: int
    type: str
    text: str
    first: int
    points: int
    date: datetime | None


@dataclass
class _Recording:
    """What the three files say. data: None where the data file isn't there."""

    header: Sections
    rate: float
    markers: list[_Marker]
    data: DataFile | None
    spans: Spans
    began: datetime | None
    notes: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)


def read_events(path: Path, types: Sequence[str] = (), hexadecimal: bool = False) -> RecordedEvents:
    """Events of a BrainVision recording, named by any of its files.

    Args:
        types: types of marker to take, whatever their case; default: Stimulus and Response; 'all'
            takes all.
        hexadecimal: whether codes in descriptions are hexadecimal.

    Raises:
        RecordingError: a file is missing or damaged, or holds no code in markers of these types.
    """
    found = _open(path, values=False)
    wanted = {name.lower() for name in types or DEFAULT_TYPES}
    codes = Codes("marker", hexadecimal)
    others: dict[str, int] = {}
    rows: list[tuple[int, int, int]] = []
    for marker in found.markers:
        if marker.type.lower() not in wanted and "all" not in wanted:
            others[marker.type] = others.get(marker.type, 0) + 1
            continue
        code = codes.take(marker.text, f"line {marker.line}")
        if code:
            rows.append((marker.first, code, marker.points if marker.points > 1 else 0))
    notes = found.notes + codes.notes()
    if others:
        listed = ", ".join(f"{name or 'without a type'} ({n})" for name, n in others.items())
        notes.append(f"Markers of other types were left out: {listed}. To take them, give --type.")
    if not rows:
        used = " or ".join(types or DEFAULT_TYPES)
        raise NoEvent(
            f"{path}: holds no marker with a code from 1 to 255 of type {used}. "
            + (" ".join(codes.notes() + notes[-1:]) if others else " ".join(codes.notes()))
        )
    table = np.array(sorted(rows), np.int64)
    end = int(table[-1, 0]) + 1 if found.data is None else found.data.points
    if end <= table[-1, 0]:
        beyond = int((table[:, 0] >= end).sum())
        found.incomplete.append(
            f"The data file ends at sample {end:,}, before {some(beyond, 'marker')} of its marker "
            "file: it is cut off, or belongs to another recording. Copy it again."
        )
        end = int(table[-1, 0]) + 1
    sample = table[:, 0]
    return RecordedEvents(
        path,
        "BrainVision",
        ", ".join(types or DEFAULT_TYPES),
        found.rate,
        sample,
        found.spans.times_us(sample, found.rate),
        table[:, 1].astype(np.uint8),
        table[:, 2],
        0.0,
        float(found.spans.times_us(np.array([end]), found.rate)[0]),
        rule="marker file: codes in the descriptions",
        notes=notes,
        incomplete=found.incomplete,
        began=found.began,
        pauses_us=found.spans.pauses_us(found.rate),
    )


def open_status(path: Path, channel: str, values: Values = "auto") -> StatusStream:
    """Open a channel of the data as status channel.

    Args:
        values: whether codes are the numbers in the file or those times the resolution.

    Raises:
        RecordingError: a file is missing or damaged, or no channel has that name.
    """
    found = _open(path, values=True)
    data, names = found.data, []
    for _, key, value in found.header.entries.get("Channel Infos", []):
        if re.fullmatch(r"ch\d{1,6}", key, re.IGNORECASE):
            names.append((int(key[2:]) - 1, fields(value)))
    chosen = [row for row in names if row[1][0].lower() == channel.lower()]
    if data is None:
        raise RecordingError(f"{path}: its data file is not there. Keep the three files together.")
    if len(chosen) != 1 or not 0 <= chosen[0][0] < data.channels:
        listed = ", ".join(repr(row[1][0]) for row in names[:40]) or "none"
        raise RecordingError(
            f"{path}: {'no' if not chosen else 'more than one'} channel is called {channel!r}. Its "
            f"channels: {listed}."
        )
    number, (label, *about) = chosen[0]
    scale, said = digital_or_physical.choose(_resolution(about), values, data.pieces(number), label)
    return StatusStream(
        path,
        "BrainVision",
        label,
        found.rate,
        data.points,
        lambda: data.pieces(number) if scale is None else scale.apply(data.pieces(number)),
        32,
        found.spans,
        found.notes + said,
        found.incomplete,
        found.began,
    )


def _resolution(about: list[str]) -> Calibration | None:
    """From the fields behind a channel's name: reference, resolution, unit."""
    try:
        gain = float(about[1]) if len(about) > 1 and about[1] else 1.0
    except ValueError:
        return None
    return Calibration.of_resolution(gain, about[2] if len(about) > 2 else "")


def _open(path: Path, values: bool) -> _Recording:
    header_path = path.with_suffix(_HEADERS.get(path.suffix.lower(), path.suffix))
    try:
        header = read_sections(header_path)
    except RecordingError as error:
        if header_path == path:
            raise
        raise RecordingError(
            f"{error} A BrainVision recording has a header (.vhdr), a marker (.vmrk) and a data "
            "file; keep the three together."
        ) from error
    interval, channels = _sampling(header)
    notes, incomplete = list(header.notes), list[str]()
    marker_path = _beside(header, "MarkerFile", ".vmrk", notes)
    if marker_path is None:
        raise RecordingError(
            f"{header_path}: its marker file is not there. A BrainVision recording has a header "
            "(.vhdr), a marker (.vmrk) and a data file; keep the three together."
        )
    sections = read_sections(marker_path)
    notes += sections.notes
    markers = _markers(sections, incomplete)
    segments = [marker for marker in markers if marker.type.lower() == _SEGMENT]
    data_path = _beside(header, "DataFile", ".eeg", notes)
    data = None
    if data_path is None:
        notes.append("The data file is not there; the recording is taken to end at its last event.")
    else:
        data = open_data(header, data_path, channels, values)
        promised = data_points(header)
        if (promised is not None and data.points < promised) or not data.whole:
            of = f" of {promised:,}" if promised else ""
            incomplete.append(
                f"The data file is cut off or damaged: it has {data.points:,} whole samples{of}. "
                "Copy it from the amplifier again."
            )
    began = segments[0].date if segments else None
    return _Recording(
        header,
        1e6 / interval,
        [marker for marker in markers if marker.type.lower() != _SEGMENT],
        data,
        _spans(segments, interval, notes),
        began,
        notes,
        incomplete,
    )


def _sampling(header: Sections) -> tuple[float, int]:
    """Sampling interval in microseconds and number of channels."""
    if header.get("Common Infos", "DataType", "TIMEDOMAIN").upper() != "TIMEDOMAIN":
        raise RecordingError(
            f"{header.path}: holds spectra and not a recording (DataType is not TIMEDOMAIN)."
        )
    text = header.get("Common Infos", "SamplingInterval")
    try:
        interval = float(text)
    except ValueError:
        interval = math.nan
    if not 0.1 <= interval <= 1e8:
        raise RecordingError(
            f"{header.path}: gives {text!r} as sampling interval in microseconds, so that the "
            "sampling rate can't be known. The header is damaged or this is no BrainVision header."
        )
    count = header.get("Common Infos", "NumberOfChannels")
    if not count.isdecimal() or not 1 <= int(count[:9]) <= 100_000:
        raise RecordingError(
            f"{header.path}: gives {count!r} as number of channels. The header is damaged."
        )
    return interval, int(count)


def _beside(header: Sections, key: str, suffix: str, notes: list[str]) -> Path | None:
    """The file that the header names, or, if that isn't there, the one with the header's own name.
    None if neither is there."""
    stem = header.path.stem
    named = header.get("Common Infos", key, f"{stem}{suffix}").replace("$b", stem)
    named = re.split(r"[\\/]", named)[-1]
    for name in (named, f"{stem}{suffix}"):
        candidate = header.path.parent / name
        try:
            there = bool(name) and candidate.is_file()
        except (OSError, ValueError):
            there = False
        if there:
            if name != named:
                notes.append(
                    f"The header names {named[:80]!r}, which is not there; {name!r} was taken. "
                    "Make sure that they belong together."
                )
            return candidate
    return None


def _markers(sections: Sections, incomplete: list[str]) -> list[_Marker]:
    markers: list[_Marker] = []
    damaged: list[int] = []
    entries = sections.entries.get("Marker Infos", [])
    for line, key, value in entries:
        cells = fields(value) + [""] * 6
        cut_off = line == entries[-1][0] and value.count(",") < 4
        position = cells[2]
        if (
            cut_off
            or not re.fullmatch(r"mk\d+", key, re.IGNORECASE)
            or not re.fullmatch(r"\d{1,15}", position, re.ASCII)
            or not 1 <= int(position) <= _LAST
        ):
            damaged.append(line)
            continue
        points = int(cells[3]) if re.fullmatch(r"\d{1,14}", cells[3], re.ASCII) else 0
        markers.append(
            _Marker(line, cells[0], cells[1], int(position) - 1, points, _date(cells[5]))
        )
    if damaged:
        incomplete.append(
            f"{some(len(damaged), 'marker')} of {sections.path.name} can't be read and was left "
            f"out (the first is in line {damaged[0]})."
        )
    return markers


def _date(text: str) -> datetime | None:
    """YYYYMMDDhhmmssuuuuuu; all zeros stand for none."""
    if not re.fullmatch(r"\d{20}", text, re.ASCII):
        return None
    try:
        return datetime.strptime(text, "%Y%m%d%H%M%S%f")
    except ValueError:
        return None


def _spans(segments: list[_Marker], interval: float, notes: list[str]) -> Spans:
    """Stretches without a pause, timed by the dates of their segments."""
    if len(segments) < 2:
        return Spans.unbroken()
    segments = sorted(segments, key=lambda segment: segment.first)
    first, start, silent = [0], [0.0], 0
    for before, here in pairwise(segments):
        lasted = (here.first - before.first) * interval
        pause = 0.0
        if before.date is None or here.date is None:
            silent += 1
        else:
            pause = max((here.date - before.date).total_seconds() * 1e6 - lasted, 0.0)
        at = start[-1] + (here.first - first[-1]) * interval + pause
        if here.first == first[-1]:
            start[-1] = at
        else:
            first.append(here.first)
            start.append(at)
    notes.append(
        f"The file has {len(segments)} segments; the pauses between them are those of their dates."
        if not silent
        else f"The file has {len(segments)} segments. How long it paused before {silent} of them "
        "is not known; it is taken not to have paused."
    )
    return Spans(np.array(first, np.int64), np.array(start))
