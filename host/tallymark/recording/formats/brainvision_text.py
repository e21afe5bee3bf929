"""The text of BrainVision header and marker files: sections of key=value lines.

Format: "BrainVision Core Data Format 1.0". A reader of INI files won't do: descriptions hold
brackets, equal signs and semicolons, and what stands under [Comment] is free text.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from tallymark.recording.formats.text_file import read_text
from tallymark.recording.recording_data import RecordingError

_SECTIONS = (
    "Common Infos",
    "Common User Infos",
    "User Infos",
    "Binary Infos",
    "ASCII Infos",
    "Channel Infos",
    "Channel User Infos",
    "Coordinates",
    "Marker Infos",
    "Marker User Infos",
    "Comment",
)
_BY_LOWER = {name.lower(): name for name in _SECTIONS}


@dataclass
class Sections:
    """A file as sections of (line number, key, value). notes: what can't be trusted in it."""

    path: Path
    entries: dict[str, list[tuple[int, str, str]]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    def get(self, section: str, key: str, default: str = "") -> str:
        """The value of a key, whatever its case; the last one counts."""
        found = [v for _, k, v in self.entries.get(section, []) if k.lower() == key.lower()]
        return found[-1] if found else default


def read_sections(path: Path) -> Sections:
    """Read a header or marker file. Raises RecordingError if it is neither."""
    text, encoding = read_text(path)
    lines = re.split(r"\r\n|\r|\n", text)
    if "data exchange" not in lines[0].lower():
        raise RecordingError(
            f"{path}: doesn't begin as a BrainVision file does. Is it the right file?"
        )
    result = Sections(path)
    section = ""
    for number, line in enumerate(lines[1:], 2):
        heading = re.fullmatch(r"\s*\[(.+)\]\s*", line)
        if heading is not None and heading[1].strip().lower() in _BY_LOWER:
            section = _BY_LOWER[heading[1].strip().lower()]
        elif heading is not None and section != "Comment":
            section = heading[1]
        elif not line.lstrip().startswith(";"):
            key, equals, value = line.partition("=")
            if equals:
                entry = (number, key.strip(), value.strip())
                result.entries.setdefault(section, []).append(entry)
    if encoding == "latin-1" and result.get("Common Infos", "Codepage").upper() == "UTF-8":
        result.notes.append(
            f"{path.name} says that it is in UTF-8, and isn't; it was read as Latin-1."
        )
    return result


def fields(value: str) -> list[str]:
    r"""Fields of a value; commas within a field are written as '\1'."""
    return [part.strip().replace(r"\1", ",") for part in value.split(",")]
