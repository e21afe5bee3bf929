"""Status channels and annotations of EDF, EDF+, BDF and BDF+ files, read in pieces.

Formats: Kemp et al., "A simple format for exchange of digitized polygraphic recordings", 1992
(EDF); Kemp and Olivan, "European data format 'plus' (EDF+)", 2003. BDF is EDF with 24-bit samples.

Why not a library: pyedflib refuses pauses (EDF+D, BDF+D), cut-off files and small faults in the
header, and reads some ten million samples a second; edfio holds a whole BDF file in memory; MNE
brings scipy and matplotlib along. What is needed here is one channel in pieces, also of damaged
files. The tests compare this reader with those three.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tallymark.errors import describe_times
from tallymark.recording.model import RecordingError, Spans, StatusStream

PIECE_BYTES = 4 << 20
_STATUS = re.compile(r"status|trig|stim|\bsti\b|marker|digital|event|\bttl\b", re.IGNORECASE)
_ANNOTATIONS = ("EDF Annotations", "BDF Annotations")


@dataclass(frozen=True)
class Channel:
    """One channel of the header. offset: bytes into a data record."""

    label: str
    samples: int
    offset: int


@dataclass
class Header:
    """What the header says. record_s: duration of a data record in seconds; records: number that
    are there in full. start: date and time as written in the file."""

    path: Path
    format: str
    sample_bytes: int
    size: int
    records: int
    record_bytes: int
    record_s: float
    start: str
    channels: list[Channel]
    paused: bool
    notes: list[str] = field(default_factory=list)


def read_header(path: Path) -> Header:
    """Read the header of an EDF or BDF file. Raises RecordingError."""
    with open(path, "rb") as file:
        fixed = file.read(256)
        if len(fixed) < 256:
            raise RecordingError(
                f"{path}: is empty or cut off in its header. Copy it from the amplifier again."
            )
        bdf = fixed[:8] == b"\xffBIOSEMI"
        if not bdf and fixed[:8].strip() != b"0":
            raise RecordingError(f"{path}: is neither an EDF nor a BDF file.")
        kind = "BDF" if bdf else "EDF"
        text = fixed[8:].decode("latin-1")
        reserved = text[184:228].strip()
        try:
            size, records = int(text[176:184]), int(text[228:236])
            record_s, count = float(text[236:244]), int(text[244:248])
            rows = file.read(256 * count).decode("latin-1")
            if count < 1 or len(rows) < 256 * count:
                raise ValueError
            labels = [rows[16 * n : 16 * n + 16].strip() for n in range(count)]
            samples = [int(rows[216 * count + 8 * n :][:8]) for n in range(count)]
        except ValueError as error:
            raise RecordingError(
                f"{path}: its {kind} header is damaged or cut off. Copy the file again."
            ) from error
    width = 3 if bdf else 2
    channels, offset = [], 0
    for label, number in zip(labels, samples, strict=True):
        channels.append(Channel(label, number, offset))
        offset += number * width
    length = path.stat().st_size
    whole = (length - size) // offset if offset else 0
    notes = []
    if whole < 1:
        raise RecordingError(f"{path}: holds no complete data record; the recording is empty.")
    if 0 <= records != whole:
        notes.append(
            f"The file's header promises {records} data records, but {whole} are there"
            + (": it is cut off." if whole < records else ".")
        )
    plus = reserved[:5]
    return Header(
        path,
        kind + ("+" if plus[3:4] == "+" else ""),
        width,
        size,
        min(whole, records) if records > 0 else whole,
        offset,
        record_s,
        f"{text[160:168]} {text[168:176]}",
        channels,
        plus in ("EDF+D", "BDF+D"),
        notes,
    )


def open_status(path: Path, channel: str | None = None) -> StatusStream:
    """Open the status channel of an EDF or BDF file.

    Args:
        channel: its label; default: the only one whose label says that it carries markers.

    Raises:
        RecordingError: no such channel, several candidates, or a header that makes no sense.
    """
    header = read_header(path)
    chosen = _choose(header, channel)
    if header.record_s <= 0 or chosen.samples <= 0:
        raise RecordingError(
            f"{path}: the header gives a sampling rate of zero for channel {chosen.label!r} "
            f"({chosen.samples} samples in {header.record_s} s). The file is damaged."
        )
    spans, notes = Spans.unbroken(), list(header.notes)
    if header.paused:
        spans = _spans(header, chosen)
        notes.append(f"The file says that it pauses {describe_times(len(spans.first) - 1)}.")
    return StatusStream(
        path,
        header.format,
        chosen.label,
        chosen.samples / header.record_s,
        chosen.samples * header.records,
        lambda: _pieces(header, chosen),
        8 * header.sample_bytes,
        spans,
        notes,
    )


def read_annotations(path: Path) -> list[tuple[float, float, str]]:
    """All annotations as (onset in seconds, duration or 0, text). Raises RecordingError."""
    header = read_header(path)
    found = []
    for channel in header.channels:
        if channel.label in _ANNOTATIONS:
            for record in _records(header, channel):
                found += [row for row in _parse(record) if row[2]]
    return sorted(found)


def _choose(header: Header, wanted: str | None) -> Channel:
    usable = [c for c in header.channels if c.label not in _ANNOTATIONS]
    names = ", ".join(repr(channel.label) for channel in usable[:40]) or "none"
    if wanted is not None:
        chosen = [c for c in usable if c.label.lower() == wanted.lower()]
        if len(chosen) != 1:
            raise RecordingError(
                f"{header.path}: {'no' if not chosen else 'more than one'} channel is called "
                f"{wanted!r}. Its channels: {names}."
            )
        return chosen[0]
    chosen = [channel for channel in usable if _STATUS.search(channel.label)]
    if len(chosen) == 1:
        return chosen[0]
    if not chosen:
        raise RecordingError(
            f"{header.path}: no channel's name says that it carries markers. Name the channel. "
            f"Its channels: {names}."
        )
    candidates = ", ".join(repr(channel.label) for channel in chosen)
    raise RecordingError(
        f"{header.path}: {len(chosen)} channels could carry the markers: {candidates}. Name one."
    )


def _blocks(header: Header, channel: Channel) -> Iterator[NDArray[np.uint8]]:
    """The channel's bytes, shape (records, bytes), a few megabytes of the file at a time."""
    count = max(PIECE_BYTES // header.record_bytes, 1)
    width = channel.samples * header.sample_bytes
    with open(header.path, "rb") as file:
        file.seek(header.size)
        for first in range(0, header.records, count):
            wanted = min(count, header.records - first)
            raw = np.fromfile(file, np.uint8, wanted * header.record_bytes)
            records = len(raw) // header.record_bytes
            block = raw[: records * header.record_bytes].reshape(records, header.record_bytes)
            yield block[:, channel.offset : channel.offset + width]


def _pieces(header: Header, channel: Channel) -> Iterator[NDArray[np.int32]]:
    for block in _blocks(header, channel):
        raw = np.ascontiguousarray(block).reshape(-1, header.sample_bytes)
        if header.sample_bytes == 2:
            yield raw.view("<i2")[:, 0].astype(np.int32)
        else:
            wide = np.empty((len(raw), 4), np.uint8)
            wide[:, 1:] = raw
            yield wide.view("<i4")[:, 0] >> 8


def _records(header: Header, channel: Channel) -> Iterator[bytes]:
    for block in _blocks(header, channel):
        for record in block:
            yield record.tobytes()


def _parse(record: bytes) -> list[tuple[float, float, str]]:
    """Time-stamped annotation lists (EDF+, section 2.2.2): onset, 0x15 duration, 0x14 texts."""
    rows = []
    for part in record.split(b"\x00"):
        if not part:
            continue
        stamp, _, texts = part.partition(b"\x14")
        onset, _, duration = stamp.partition(b"\x15")
        try:
            when, length = float(onset), float(duration or 0)
        except ValueError:
            continue
        rows += [
            (when, length, text.decode("utf-8", "replace"))
            for text in texts.split(b"\x14")[:-1] or [b""]
        ]
    return rows


def _spans(header: Header, channel: Channel) -> Spans:
    keepers = [c for c in header.channels if c.label in _ANNOTATIONS]
    if not keepers:
        raise RecordingError(f"{header.path}: says that it pauses, but not when. It is damaged.")
    start = np.array([_parse(record)[0][0] for record in _records(header, keepers[0])])
    late = np.abs(np.diff(start) - header.record_s) > 0.5 * header.record_s / channel.samples
    first = np.concatenate(([0], np.flatnonzero(late) + 1))
    return Spans(first * channel.samples, (start[first] - start[0]) * 1e6)
