"""Status channels and annotations of EDF, EDF+, BDF and BDF+ files, read in pieces.

Formats: Kemp et al., "A simple format for exchange of digitized polygraphic recordings", 1992
(EDF); Kemp and Olivan, "European data format 'plus' (EDF+)", 2003. BDF is EDF with 24-bit samples
and a first byte of 255.

Why not a library: pyedflib refuses pauses (EDF+D, BDF+D), cut-off files and small faults in the
header, and reads some ten million samples a second; edfio holds a whole BDF file in memory; MNE
brings scipy and matplotlib along. What is needed here is one channel in pieces, also of damaged
files. The tests compare this reader with those three.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tallymark.common.errors import describe_times
from tallymark.recording.formats import digital_or_physical
from tallymark.recording.formats.digital_or_physical import Values
from tallymark.recording.formats.edf_header import Channel, Header, read_header
from tallymark.recording.formats.edf_timestamps import annotations_in, spans_of, stamp_in
from tallymark.recording.recording_data import RecordingError, Spans, StatusStream

PIECE_BYTES = 4 << 20
_STATUS = re.compile(r"status|trig|stim|\bsti\b|marker|digital|event|\bttl\b", re.IGNORECASE)


def open_status(path: Path, channel: str | None = None, values: Values = "auto") -> StatusStream:
    """Open the status channel of an EDF or BDF file.

    Args:
        channel: its label; default: the only one whose label says that it carries markers.
        values: whether codes are digital or physical values (see `digital_or_physical`).

    Raises:
        RecordingError: no such channel, several candidates, or a header that makes no sense.
    """
    header = read_header(path)
    chosen = _choose(header, channel)
    if not chosen.samples:
        raise RecordingError(
            f"{path}: the header gives channel {chosen.label!r} no samples. Name another channel, "
            "or copy the file from the amplifier again."
        )
    spans, notes, incomplete = Spans.unbroken(), list(header.notes), list(header.incomplete)
    if header.paused:
        spans = _spans(header, chosen, incomplete)
        notes.append(f"The file says that it pauses {describe_times(len(spans.first) - 1)}.")
    scale, said = digital_or_physical.choose(
        header.calibration(chosen), values, _pieces(header, chosen), chosen.label
    )

    def pieces() -> Iterator[NDArray[np.int32]]:
        digital = _pieces(header, chosen)
        return digital if scale is None else scale.apply(digital)

    return StatusStream(
        path,
        header.format,
        chosen.label,
        chosen.samples / header.record_s,
        chosen.samples * header.records,
        pieces,
        8 * header.sample_bytes,
        spans,
        notes + said,
        incomplete,
        header.began,
    )


def read_annotations(path: Path) -> tuple[Header, list[tuple[float, float, str]]]:
    """The header, and all annotations as (onset in seconds from the first sample, duration or 0,
    text). What can't be read is told in the header's `incomplete`. Raises RecordingError."""
    header = read_header(path)
    keepers = [channel for channel in header.channels if channel.keeps_time]
    if not keepers:
        raise RecordingError(
            f"{path}: has no annotations. It is no EDF+ or BDF+ file, or was saved without them."
        )
    found: list[tuple[float, float, str]] = []
    first: float | None = None
    damaged: list[int] = []
    for channel in keepers:
        for number, record in enumerate(_records(header, channel), 1):
            rows, whole = annotations_in(record)
            if not whole:
                damaged.append(number)
            if number == 1 and channel is keepers[0]:
                first = stamp_in(record)
            found += rows
    if damaged:
        header.incomplete.append(
            f"Annotations in {len(damaged)} data records (the first is record {damaged[0]}) are "
            "damaged and were left out."
        )
    zero = first or 0.0
    return header, sorted((round(onset - zero, 9), length, text) for onset, length, text in found)


def _choose(header: Header, wanted: str | None) -> Channel:
    usable = [channel for channel in header.channels if not channel.keeps_time]
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


def _spans(header: Header, channel: Channel, incomplete: list[str]) -> Spans:
    keeper = next((c for c in header.channels if c.keeps_time), None)
    stamps = (
        np.full(header.records, np.nan)
        if keeper is None
        else np.array(
            [
                np.nan if stamp is None else stamp
                for stamp in map(stamp_in, _records(header, keeper))
            ]
        )
    )
    return spans_of(stamps, header.record_s, channel.samples, incomplete)
