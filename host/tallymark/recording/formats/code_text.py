"""Codes in texts such as the values of a table, annotations and descriptions of markers.

A text carries a code if it is a whole number ('5', '5.0', '0x05'), or a name and a whole number
with nothing else that is a digit ('S  5', 'boat 5', 'Stimulus/S5'). A number with a sign or a
fraction is none, nor is the end of one: 'End-Trial-2.88' carries no code.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from tallymark.common.formatting import some

_PREFIX = r"(?:[^0-9]*[^\W\d]|[^0-9]*[\s:=/#])?"
_DECIMAL = re.compile(rf"(?:(?P<whole>[0-9]+)(?:[.,]0*)?|{_PREFIX}(?P<end>[0-9]+))")
_SAID_HEX = re.compile(r"(?:.*[\s:=/#])?0[xX]([0-9a-fA-F]+)", re.DOTALL)
_HEX = re.compile(r"(?:.*[\s:=/#])?(?:0[xX])?([0-9a-fA-F]+)", re.DOTALL)
_LOOKS_HEX = re.compile(r"[0-9a-fA-F]*(?:[0-9][a-fA-F]|[a-fA-F][0-9])[0-9a-fA-F]*")
_MOST_DIGITS = 9


def code_in(text: str, hexadecimal: bool = False) -> int | None:
    """The number that a text carries, 0 or more; None without one.

    hexadecimal: digits are 0 to F. With '0x' in front they are in any case.
    """
    text = text.strip()
    found = (_HEX if hexadecimal else _SAID_HEX).fullmatch(text)
    if found is not None:
        return int(found[1], 16) if len(found[1]) <= _MOST_DIGITS else None
    if hexadecimal:
        return None
    found = _DECIMAL.fullmatch(text)
    digits = "" if found is None else found["whole"] or found["end"]
    return int(digits) if 0 < len(digits) <= _MOST_DIGITS else None


def looks_hexadecimal(text: str) -> bool:
    """Whether a text is no decimal code but would be a hexadecimal one with digits and letters."""
    return code_in(text) is None and _LOOKS_HEX.fullmatch(text.strip()) is not None


@dataclass
class Codes:
    """Takes codes out of texts one by one, and remembers what was left out.

    what: what a text belongs to, such as 'row'. `left_out` counts by reason, with the first (place,
    text) of each.
    """

    what: str
    hexadecimal: bool = False
    left_out: dict[str, tuple[int, str, str]] = field(default_factory=dict)

    def take(self, text: str, place: str) -> int:
        """The code from 1 to 255 in a text, or 0 if there is none."""
        code = code_in(text, self.hexadecimal)
        if code is not None and 1 <= code <= 255:
            return code
        if code is None:
            hint = "hexadecimal" if looks_hexadecimal(text) else "without"
            self._leave(hint, place, text)
        else:
            self._leave("zero" if code == 0 else "above", place, text)
        return 0

    def _leave(self, why: str, place: str, text: str) -> None:
        count, first, example = self.left_out.get(why, (0, place, text))
        self.left_out[why] = (count + 1, first, example)

    def notes(self) -> list[str]:
        """A sentence for each reason for which texts were left out."""
        said = {
            "without": "without a code",
            "hexadecimal": "that may be hexadecimal (if so, give --hex)",
            "above": "with a code above 255, which eight lines can't carry,",
            "zero": "with code 0, which is idle,",
        }
        return [
            f"Left out: {some(count, self.what)} {said[why]} (the first, {place}: {_short(text)})."
            for why, (count, place, text) in self.left_out.items()
        ]


def _short(text: str) -> str:
    text = text.strip()
    return repr(text if len(text) <= 40 else text[:37] + "...")
