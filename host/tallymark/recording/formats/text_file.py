"""Text files of unknown encoding: UTF-8 and UTF-16 are told by their bytes, the rest is Latin-1."""

from __future__ import annotations

import codecs
import re
from pathlib import Path

from tallymark.recording.recording_data import RecordingError

_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_CONTROL = re.compile(r"[\x00-\x08\x0e-\x1f]")


def read_text(path: Path) -> tuple[str, str]:
    """The text of a file, and its encoding; 'latin-1' if it is none that can be told by its bytes.

    Raises RecordingError if it can't be read, or is not what its first bytes announce.
    """
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "that can't be a file name"
        raise RecordingError(f"{path}: can't be opened ({why}).") from error
    encoding = encoding_of(raw)
    try:
        return raw.decode(encoding), encoding
    except UnicodeDecodeError as error:
        if encoding == "utf-8":
            return raw.decode("cp1252", "replace"), "latin-1"
        raise RecordingError(
            f"{path}: is damaged: byte {error.start} is not valid in {encoding.upper()}, which its "
            "beginning announces. Save it again as UTF-8."
        ) from error


def refuse_control_characters(path: Path, text: str) -> None:
    """Raises RecordingError, with the line, if a file holds what no text does."""
    control = _CONTROL.search(text)
    if control is not None:
        line = text.count("\n", 0, control.start()) + 1
        raise RecordingError(
            f"{path}: is not text, or is damaged: line {line} has a control character. Which "
            "format is it? Export the events again."
        )


def encoding_of(raw: bytes) -> str:
    """How the text that begins with these bytes is encoded; 'utf-8' if nothing tells."""
    for mark, encoding in _MARKS:
        if raw.startswith(mark):
            return encoding
    start = raw[:4096]
    for offset, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):  # ASCII has a zero in each pair
        if len(start) > 3 and start[offset::2].count(0) > 0.9 * len(start[offset::2]):
            return encoding if start[1 - offset :: 2].count(0) == 0 else "utf-8"
    return "utf-8"
