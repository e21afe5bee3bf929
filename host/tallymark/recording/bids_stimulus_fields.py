"""What the user says of screen and program, for the sidecar of BIDS events.

Fields, types and units are those of the Brain Imaging Data Structure, "StimulusPresentation". None
is found out or guessed: what is not said is not written.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tallymark.common.errors import BadValue

_NO_SCREEN = "n/a"
_ORIGINS = ("top", "bottom", "left", "right", "center")


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and 0 < value < 1e9


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _pair_of(test: Callable[[object], bool]) -> Callable[[object], bool]:
    return lambda value: isinstance(value, list) and len(value) == 2 and all(map(test, value))


def _or_none(test: Callable[[object], bool]) -> Callable[[object], bool]:
    return lambda value: value == _NO_SCREEN or test(value)


def _is_pixels(value: object) -> bool:
    return isinstance(value, int) and _is_number(value)


def _is_rrid(value: object) -> bool:
    return isinstance(value, str) and re.fullmatch("RRID:.+_.+", value) is not None


def _is_distance(value: object) -> bool:
    """One distance, or those along x, y and z, of which some may be 0 or negative."""
    if isinstance(value, list):
        return len(value) == 3 and all(
            isinstance(each, (int, float)) and not isinstance(each, bool) for each in value
        )
    return _is_number(value)


_TEXT = (_is_text, "a text")
FIELDS: dict[str, tuple[Callable[[object], bool], str]] = {
    "OperatingSystem": _TEXT,
    "ScreenDistance": (_or_none(_is_distance), 'metres from eye to screen, or "n/a"'),
    "ScreenOrigin": (_pair_of(lambda value: value in _ORIGINS), 'two words, as ["top", "left"]'),
    "ScreenRefreshRate": (_is_number, "frames a second"),
    "ScreenResolution": (
        _or_none(_pair_of(_is_pixels)), 'width and height in pixels, as [1920, 1080], or "n/a"'),
    "ScreenSize": (
        _or_none(_pair_of(_is_number)), 'width and height in metres, as [0.47, 0.29], or "n/a"'),
    "SoftwareName": _TEXT,
    "SoftwareRRID": (_is_rrid, "an identifier, as RRID:SCR_012345"),
    "SoftwareVersion": _TEXT,
    "Code": (lambda value: _is_text(value) and ":" in str(value), "a URI, as https://..."),
    "HeadStabilization": _TEXT,
}  # fmt: skip
"""Each field, its test, and what it has to be."""


def read(path: Path) -> dict[str, Any]:
    """Reads a JSON object of such fields. Raises BadValue for anything that is none of them."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadValue(f"{path} can't be read: {error.strerror}. Nothing was written.") from None
    except ValueError as error:
        raise BadValue(f"{path} is no JSON: {error}. Nothing was written.") from None
    if not isinstance(found, dict) or not found:
        raise BadValue(f"{path} holds no fields of StimulusPresentation, as "
                       '{"ScreenRefreshRate": 60}. Nothing was written.')
    for name, value in found.items():
        if name not in FIELDS:
            raise BadValue(f"{path}: {name} is no field of StimulusPresentation. They are "
                           f"{', '.join(FIELDS)}. Nothing was written.")
        test, meaning = FIELDS[name]
        if not test(value):
            raise BadValue(f"{path}: {name} is {meaning}, not {json.dumps(value)}. Nothing was "
                           "written.")
    return found
