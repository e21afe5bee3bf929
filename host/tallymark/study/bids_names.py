"""File names of BIDS: entities, suffix, extension, and which file belongs to which.

Source: Brain Imaging Data Structure 1.10, "Filesystem structure" and "The inheritance principle".

Why not a library: those that read a whole layout list local folders only, take a damaged one as an
error, or need a newer Python than this package. Of the format only this much is needed: names are
pairs 'key-value' joined by '_', then a suffix and an extension. A test compares with a reader of
others.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_PAIR = re.compile(r"([A-Za-z]+)-([A-Za-z0-9+]+)")
OF_ONE_RUN = ("sub", "ses", "task", "acq", "run", "proc", "tracksys")
"""Entities by which a recording and its marker log are of one run."""


@dataclass(frozen=True)
class Name:
    """A file name in parts. entities: (key, value) in the order of the name; the value of an index
    (run, split) without leading zeros, as run-1 and run-01 are the same. extension: with its dot,
    in lower case."""

    entities: tuple[tuple[str, str], ...]
    suffix: str
    extension: str

    def get(self, key: str) -> str:
        """Value of an entity, '' without it."""
        return dict(self.entities).get(key, "")

    @property
    def run_of(self) -> tuple[tuple[str, str], ...]:
        """The entities that tell the run, which its files have in common."""
        return tuple(sorted(pair for pair in self.entities if pair[0] in OF_ONE_RUN))


def parsed(file_name: str) -> Name | None:
    """A file name in parts, or None if it isn't one of BIDS."""
    stem, dot, extension = file_name.partition(".")
    *pairs, suffix = stem.split("_")
    entities = []
    for pair in pairs:
        found = _PAIR.fullmatch(pair)
        if found is None:
            return None
        key, value = found.groups()
        if key in ("run", "split", "echo") and value.isdigit():
            value = str(int(value))
        entities.append((key, value))
    if not entities or entities[0][0] != "sub":
        return None
    return Name(tuple(entities), suffix, (dot + extension).lower())


def metadata_names(file_name: str) -> tuple[tuple[tuple[str, str], ...], str] | None:
    """Entities and suffix of a JSON file that may tell of several recordings: task-x_eeg.json."""
    if not file_name.endswith(".json"):
        return None
    *pairs, suffix = file_name[: -len(".json")].split("_")
    entities = []
    for pair in pairs:
        found = _PAIR.fullmatch(pair)
        if found is None:
            return None
        key, value = found.groups()
        entities.append((key, str(int(value)) if key == "run" and value.isdigit() else value))
    return tuple(entities), suffix
