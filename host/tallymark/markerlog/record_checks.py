"""What a line of a marker log must hold so that it can be used; `tallymark.markerlog` says what it
means. A line that holds less, or something else, is damaged and counts as one that can't be read.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tallymark.signature import UNITS_US, as_number
from tallymark.signature.pattern import PULSES

_LARGEST = 1 << 53  # times and counts are put into columns of 64-bit floats


def _number(value: Any) -> bool:
    return type(value) is int and -_LARGEST < value < _LARGEST


def _number_or_none(value: Any) -> bool:
    return value is None or _number(value)


def _code(value: Any) -> bool:
    return type(value) is int and 0 <= value <= 255


def _text(value: Any) -> bool:
    return type(value) is str


def _text_or_none(value: Any) -> bool:
    return value is None or type(value) is str


def _flag(value: Any) -> bool:
    return type(value) is bool


def _flag_or_none(value: Any) -> bool:
    return value is None or type(value) is bool


def _table(value: Any) -> bool:
    return type(value) is dict


def _plan(value: Any) -> bool:
    if value is None:
        return True
    if type(value) is not dict:
        return False
    names = value.get("events") or {}
    return type(names) is dict and all(map(_text, names.values()))


def _session(value: Any) -> bool:
    try:
        return type(value) is str and bool(as_number(value))
    except ValueError:
        return False


def _line_code(value: Any) -> bool:
    return _code(value) and value > 0


def _unit(value: Any) -> bool:
    return type(value) is int and value in UNITS_US


def _count(value: Any) -> bool:
    return _number(value) and value > 0


def _pulses(value: Any) -> bool:
    return type(value) is int and 0 <= value <= PULSES


_DONE = {"done", "box", "host", "error"}
_Kind = Callable[[Any], bool]
_LASTS: dict[str, _Kind] = {"width": _number_or_none, "stays": _flag_or_none}
_CHANGED: dict[str, _Kind] = {
    "cut": _number_or_none,
    "delay": _number_or_none,
    "no_edge": _flag_or_none,
}

# By the first key: what must be there, and what may be.
_RECORDS: dict[str, tuple[dict[str, _Kind], dict[str, _Kind]]] = {
    "marker_log": (
        {"marker_log": _number},
        {"host": _number, "start": _text, "box": _table, "settings": _table, "plan": _plan},
    ),
    "sent": (
        {"sent": _number, "code": _code, "host": _number},
        {"name": _text_or_none, **_LASTS},
    ),
    "ahead": ({"ahead": _number, "box": _number, "host": _number, "error": _number}, {}),
    "done": ({"done": _number, "box": _number, "host": _number, "error": _number}, _CHANGED),
    "unconfirmed": ({"unconfirmed": _number, "why": _text}, {}),
    "refused": ({"refused": _number, "why": _text}, {"cut": _number_or_none}),
    "byte": (
        {"byte": _code, "host": _number_or_none, "error": _number_or_none},
        {"box": _number_or_none, "refused": _text, **_LASTS, **_CHANGED},
    ),
    "lines": ({"lines": _code, "box": _number, "host": _number, "error": _number_or_none}, {}),
    "late": ({"late": _number, "most": _number}, {}),
    "hold_ended": ({"hold_ended": _code, "box": _number, "host": _number_or_none}, {}),
    "missing": ({"missing": _number, "why": _text}, {}),
    "notices_lost": ({"notices_lost": _number}, {"host": _number}),
    "note": ({"note": _text, "host": _number}, {}),
    "restart": ({"restart": _text}, {}),
    "signature": (
        {
            "signature": _count,
            "session": _session,
            "code": _line_code,
            "unit": _unit,
            "host": _number,
        },
        {},
    ),
    "signed": ({"signed": _count, "box": _number, "host": _number, "error": _number}, {}),
    "signature_cut": ({"signature_cut": _count, "pulses": _pulses}, {}),
    "signature_lost": ({"signature_lost": _count, "why": _text, "unknown": _flag}, {}),
    "end": ({"end": _number}, {}),
}


def is_sound(record: Any) -> bool:
    """Whether a line of a log, read as JSON, can be used. Lines with an unknown first key can: they
    are passed over."""
    if type(record) is not dict:
        return False
    if "done" in record and len(record) == 4:  # most lines; a log may have a million
        return (
            all(type(value) is int and -_LARGEST < value < _LARGEST for value in record.values())
            and record.keys() == _DONE
        )
    kinds = _RECORDS.get(next(iter(record), ""))
    if kinds is None:
        return True
    must, may = kinds
    for key, kind in must.items():
        if key not in record or not kind(record[key]):
            return False
    return all(kind(record[key]) for key, kind in may.items() if key in record)
