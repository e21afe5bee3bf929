"""The supply voltages, which a person reads from a meter and types."""

from __future__ import annotations

import re
from collections.abc import Sequence

from tallymark.common.errors import BadValue
from tallymark.verification.acceptance.limits import SUPPLY, Limit
from tallymark.verification.acceptance.step import NOT_DONE, Result

METER_PERCENT = 1.0
"""How far a meter may be off, of its reading; two of the last digit come on top. Hand-held meters
are usually specified with 0.5 to 1 % and one to two digits."""
_DIGITS = 2


def reading(text: str) -> tuple[float, float]:
    """Volts as typed, and what its last digit is worth. Raises BadValue for anything else.

    A decimal comma and the unit may be there: 5.02, 5,02, "5.02 V".
    """
    found = re.fullmatch(r"(-?\d{1,3})(?:[.,](\d{1,4}))?\s*[Vv]?", text.strip())
    if found is None:
        raise BadValue(f"'{text}' is not a voltage: write 5.02")
    decimals = found[2] or ""
    return float(f"{found[1]}.{decimals or 0}"), 10.0 ** -len(decimals)


def judged(
    kind: str, readings: Sequence[str | None], percent: float = METER_PERCENT
) -> Result:
    """The result for the readings of `SUPPLY[kind]`, in its order; None for one that is missing."""
    result = Result()
    for limit, text in zip(SUPPLY[kind], readings, strict=True):
        if text is None:
            return Result().leave_out(NOT_DONE, f"No reading of {limit.what}.")
        volts, digit = reading(text)
        result.figure(volts, abs(volts) * percent / 100 + _DIGITS * digit, limit)
    return result


def range_text(limit: Limit) -> str:
    """What must be read."""
    return f"{limit.least:g} to {limit.most:g} {limit.unit}"
