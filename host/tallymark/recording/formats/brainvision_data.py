"""The data file of a BrainVision recording: how many samples it has, and one channel's values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tallymark.recording.formats.brainvision_text import Sections
from tallymark.recording.formats.text_file import read_text
from tallymark.recording.recording_data import Floats, RecordingError

_PIECE_SAMPLES = 1 << 20
_TYPES = {"INT_16": "i2", "UINT_16": "u2", "INT_32": "i4", "IEEE_FLOAT_32": "f4"}


@dataclass
class DataFile:
    """Layout of a data file. points: samples of each channel. whole: whether it has nothing beyond.
    dtype: of binary values. table: values of a file in text."""

    path: Path
    channels: int
    vectorized: bool
    points: int
    whole: bool
    dtype: str = "<i2"
    table: Floats | None = None

    def pieces(self, channel: int) -> Iterator[NDArray[np.int32]]:
        """One channel's values, rounded, in pieces."""
        if not self.points:
            return
        values = self._column(channel)
        for first in range(0, self.points, _PIECE_SAMPLES):
            piece = np.asarray(values[first : first + _PIECE_SAMPLES])
            if piece.dtype.kind == "f":
                limit = 2.0**31 - 129  # the largest that a 32-bit float and integer share
                piece = np.rint(np.clip(np.nan_to_num(piece), -limit, limit))
            yield piece.astype(np.int32)

    def _column(self, channel: int) -> NDArray[Any]:
        if self.table is not None:
            return np.asarray(self.table[channel])
        shape = (self.channels, self.points) if self.vectorized else (self.points, self.channels)
        data = np.memmap(self.path, np.dtype(self.dtype), "r", shape=shape)
        return np.asarray(data[channel] if self.vectorized else data[:, channel])


def open_data(header: Sections, path: Path, channels: int, values: bool) -> DataFile:
    """The layout of a data file; with `values`, those of a file in text too.

    Raises RecordingError if the header doesn't say what the file is.
    """
    layout = header.get("Common Infos", "DataOrientation", "MULTIPLEXED").upper()
    if layout not in ("MULTIPLEXED", "VECTORIZED"):
        raise RecordingError(
            f"{header.path}: DataOrientation is {layout!r}; MULTIPLEXED and VECTORIZED are known."
        )
    form = header.get("Common Infos", "DataFormat", "BINARY").upper()
    if form == "ASCII":
        return _open_text(header, path, channels, layout == "VECTORIZED", values)
    if form != "BINARY":
        raise RecordingError(f"{header.path}: DataFormat is {form!r}; BINARY and ASCII are known.")
    kind = header.get("Binary Infos", "BinaryFormat", "INT_16").upper()
    if kind not in _TYPES:
        raise RecordingError(
            f"{header.path}: BinaryFormat is {kind!r}; known are {', '.join(_TYPES)}."
        )
    big = header.get("Binary Infos", "UseBigEndianOrder").upper() == "YES"
    dtype = (">" if big else "<") + _TYPES[kind]
    points, rest = divmod(path.stat().st_size, channels * int(dtype[-1]))
    if values and layout == "VECTORIZED" and (rest or data_points(header) not in (None, points)):
        raise RecordingError(  # no channel but the first would begin where it is looked for
            f"{path}: does not have the length that its header tells of, and is vectorized, so "
            "that its channels can't be told apart. Copy it from the amplifier again."
        )
    return DataFile(path, channels, layout == "VECTORIZED", points, not rest, dtype)


def data_points(header: Sections) -> int | None:
    """Samples of each channel as the header tells; None if it doesn't."""
    text = header.get("Common Infos", "DataPoints")
    return int(text) if text.isdecimal() and len(text) < 15 else None


def _open_text(
    header: Sections, path: Path, channels: int, vectorized: bool, values: bool
) -> DataFile:
    """In text, a line holds one sample of all channels, or (vectorized) all samples of one."""
    text, _ = read_text(path)
    skipped = _count(header, "SkipLines")
    lines = [line for line in text.splitlines()[skipped:] if line.strip()]
    left = _count(header, "SkipColumns")
    comma = header.get("ASCII Infos", "DecimalSymbol", ".") == ","
    width = len(lines[0].split()) - left if lines else 0
    points = max(width, 0) if vectorized else len(lines)
    lengths = {len(line.split()) - left for line in lines}
    whole = lengths == {points if vectorized else channels} and (
        not vectorized or len(lines) == channels
    )
    if not values:
        return DataFile(path, channels, vectorized, points, whole)
    if not whole:
        raise RecordingError(
            f"{path}: its lines do not all hold the numbers that the header tells of "
            f"({channels} channels). The file is cut off or damaged; export it again."
        )
    try:
        rows = [
            [float(cell) for cell in (line.replace(",", ".") if comma else line).split()[left:]]
            for line in lines
        ]
    except ValueError as error:
        raise RecordingError(f"{path}: holds something that is no number ({error}).") from error
    table = np.array(rows, float)
    return DataFile(path, channels, vectorized, points, whole, "", table if vectorized else table.T)


def _count(header: Sections, key: str) -> int:
    text = header.get("ASCII Infos", key, "0")
    return int(text) if text.isdecimal() and len(text) < 6 else 0
