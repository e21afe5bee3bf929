"""The header of EDF and BDF files: 256 bytes, and 256 more for each channel, all in ASCII."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from tallymark.common.formatting import some
from tallymark.recording.formats.digital_or_physical import Calibration
from tallymark.recording.recording_data import RecordingError

# First byte and bytes per sample. A 16-bit file begins with its version, '0' and seven spaces.
_SAMPLE_BYTES = {0xFF: 3, ord("0"): 2}
_MONTHS = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]


@dataclass(frozen=True)
class Channel:
    """One channel of the header. samples: in a data record; offset: bytes into a data record.
    ranges: least and most physical and digital value, and unit, as text."""

    label: str
    samples: int
    offset: int
    ranges: tuple[str, str, str, str, str]

    @property
    def keeps_time(self) -> bool:
        """Whether it holds annotations and the time stamps of data records."""
        return self.label in ("EDF Annotations", "BDF Annotations")


@dataclass
class Header:
    """What the header says. record_s: duration of a data record in seconds; records: number that
    are there in full; size: bytes of the header. began: the recorder's local time, None where the
    header gives none. notes and incomplete: see `RecordedEvents`."""

    path: Path
    format: str
    sample_bytes: int
    size: int
    records: int
    record_bytes: int
    record_s: float
    began: datetime | None
    channels: list[Channel]
    paused: bool
    notes: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)

    def calibration(self, channel: Channel) -> Calibration | None:
        """That of a channel; None, with a note, if its numbers can't be read."""
        try:
            low, high, least, most = (float(text) for text in channel.ranges[:4])
        except ValueError:
            found = None
        else:
            found = Calibration.of_ranges((low, high), (least, most), channel.ranges[4])
        if found is None:
            self.notes.append(
                f"The calibration of channel {channel.label!r} can't be read; its digital values "
                "are taken."
            )
        return found


def is_edf(head: bytes) -> bool:
    """Whether the first 256 bytes of a file are the beginning of an EDF or BDF header."""
    if len(head) < 256 or head[0] not in _SAMPLE_BYTES:
        return False
    try:
        count = int(head[252:256])
        return int(head[184:192]) == 256 * (count + 1) and math.isfinite(float(head[244:252]))
    except ValueError:
        return False


def read_header(path: Path) -> Header:
    """Read the header of an EDF or BDF file. Raises RecordingError."""
    try:
        with open(path, "rb") as file:
            fixed = file.read(256)
            count = _count(path, fixed)
            rows = file.read(256 * count)
        length = path.stat().st_size
    except OSError as error:
        raise RecordingError(f"{path}: can't be read ({error.strerror}).") from error
    if len(rows) < 256 * count:
        raise RecordingError(
            f"{path}: is cut off in its header, which tells of {some(count, 'channel')}. Copy it "
            "from the amplifier again."
        )
    sample_bytes = _SAMPLE_BYTES[fixed[0]]
    kind = "BDF" if sample_bytes == 3 else "EDF"
    text = fixed.decode("latin-1")
    size, promised, record_s = _numbers(path, text)
    channels, record_bytes = _channels(path, rows.decode("latin-1"), sample_bytes)
    header_bytes = 256 + len(rows)
    notes, incomplete = [], []
    if size != header_bytes:
        notes.append(
            f"The header says that it has {size} bytes; {header_bytes} are right for its "
            f"{some(len(channels), 'channel')}, and these were used."
        )
    whole, rest = divmod(length - header_bytes, record_bytes)
    if whole < 1:
        raise RecordingError(f"{path}: holds no complete data record; the recording is empty.")
    if promised < 0:
        incomplete.append(
            "The recording program did not close the file: its header doesn't say how long it is. "
            f"{some(whole, 'data record')} are there."
        )
    elif whole < promised:
        incomplete.append(
            f"The file is cut off: its header promises {promised:,} data records, and {whole:,} "
            "are there. Copy it from the amplifier again."
        )
    elif whole > promised or rest:
        notes.append(
            f"The file goes on behind the {promised:,} data records that its header promises; "
            + ("what comes then was left out." if promised else f"{whole:,} were read.")
        )
    plus = text[192:197].strip()
    return Header(
        path,
        kind + ("+" if plus[3:4] == "+" else ""),
        sample_bytes,
        header_bytes,
        min(whole, promised) if promised > 0 else whole,
        record_bytes,
        record_s,
        _began(text),
        channels,
        plus in ("EDF+D", "BDF+D"),
        notes,
        incomplete,
    )


def _count(path: Path, fixed: bytes) -> int:
    """Number of channels. RecordingError if this isn't the beginning of a header."""
    if len(fixed) < 256:
        raise RecordingError(
            f"{path}: is empty or cut off in its header. Copy it from the amplifier again."
        )
    if fixed[0] not in _SAMPLE_BYTES or (fixed[0] == ord("0") and fixed[1:8].strip()):
        raise RecordingError(f"{path}: is neither an EDF nor a BDF file.")
    return _whole(path, fixed[252:256].decode("latin-1"), "the number of channels", 252, least=1)


def _numbers(path: Path, text: str) -> tuple[int, int, float]:
    """Bytes of the header, number of data records, their duration in seconds."""
    size = _whole(path, text[184:192], "its own length", 184)
    records = _whole(path, text[236:244], "the number of data records", 236, least=-1)
    try:
        record_s = float(text[244:252])
    except ValueError:
        record_s = math.nan
    if not math.isfinite(record_s) or not 0 < record_s < 1e6:
        raise RecordingError(
            f"{path}: its header gives {text[244:252].strip()!r} as the duration of a data record "
            "(byte 244), so that the sampling rate can't be known. Copy the file from the "
            "amplifier again."
        )
    return size, records, record_s


def _channels(path: Path, rows: str, sample_bytes: int) -> tuple[list[Channel], int]:
    """All channels, and the bytes of a data record."""
    count = len(rows) // 256

    def cell(before: int, width: int, number: int) -> str:
        at = before * count + width * number
        return rows[at : at + width].strip()

    channels: list[Channel] = []
    offset = 0
    for number in range(count):
        label = cell(0, 16, number)
        place = 256 + 216 * count + 8 * number
        samples = _whole(path, cell(216, 8, number), f"the samples of channel {label!r}", place)
        ranges = (
            cell(104, 8, number),
            cell(112, 8, number),
            cell(120, 8, number),
            cell(128, 8, number),
            cell(96, 8, number),
        )
        channels.append(Channel(label, samples, offset, ranges))
        offset += samples * sample_bytes
    if not offset:
        raise RecordingError(
            f"{path}: its header gives no channel any samples. Copy it from the amplifier again."
        )
    return channels, offset


def _whole(path: Path, text: str, what: str, place: int, least: int = 0) -> int:
    if not re.fullmatch(r"\s*[-+]?\d+\s*", text, re.ASCII) or int(text) < least:
        raise RecordingError(
            f"{path}: its header is damaged or cut off: {what} is {text.strip()!r} (byte {place}). "
            "Copy the file from the amplifier again."
        )
    return int(text)


def _began(text: str) -> datetime | None:
    """Date and time of the start. EDF+ gives the year in full in the recording's description."""
    found = re.match(r"(\d\d)\.(\d\d)\.(\d\d)(\d\d)\.(\d\d)\.(\d\d)", text[168:184], re.ASCII)
    if found is None:
        return None
    day, month, year, hour, minute, second = map(int, found.groups())
    full = re.match(r"Startdate (\d\d)-([A-Z]{3})-(\d{4})\b", text[88:168], re.ASCII)
    if full is not None and full[2] in _MONTHS:
        day, month, year = int(full[1]), _MONTHS.index(full[2]) + 1, int(full[3])
    else:
        year += 1900 if year >= 85 else 2000
    try:
        return datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None
