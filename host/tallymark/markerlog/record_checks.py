"""What a line of a marker log must hold so that it can be used; protocol/MARKERLOG.md says what it
means. A line that holds less, or something else, is damaged and counts as one that can't be read.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tallymark.common.signature import UNITS_US, as_number
from tallymark.common.signature.pattern import PULSES

FORMAT_VERSION = 1
PROBES = ("light", "sound", "ttl")
"""What a record `probe` may be of."""
_LARGEST = 1 << 53  # times and counts are put into columns of 64-bit floats


def _time(value: Any) -> bool:
    return type(value) is int and -_LARGEST < value < _LARGEST


def _amount(value: Any) -> bool:
    return type(value) is int and 0 <= value < _LARGEST


def _count(value: Any) -> bool:
    return type(value) is int and 0 < value < _LARGEST


def _code(value: Any) -> bool:
    return type(value) is int and 0 <= value <= 255


def _line_code(value: Any) -> bool:
    return _code(value) and value > 0


def _text(value: Any) -> bool:
    return type(value) is str


def _flag(value: Any) -> bool:
    return type(value) is bool


def _or_none(kind: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or kind(value)


def _table(value: Any) -> bool:
    return type(value) is dict and all(
        each is None or _text(each) or _flag(each) or _time(each) for each in value.values()
    )


def _plan(value: Any) -> bool:
    if value is None:
        return True
    if type(value) is not dict:
        return False
    if not _text_or_none(value.get("name")) or not _text_or_none(value.get("digest")):
        return False
    names = value.get("events", {})
    return type(names) is dict and all(map(_text, names.values()))


def _session(value: Any) -> bool:
    try:
        return type(value) is str and bool(as_number(value))
    except ValueError:
        return False


def _unit(value: Any) -> bool:
    return type(value) is int and value in UNITS_US


def _probe(value: Any) -> bool:
    return type(value) is str and value in PROBES


def _pulses(value: Any) -> bool:
    return type(value) is int and 0 <= value <= PULSES


_text_or_none, _time_or_none = _or_none(_text), _or_none(_time)
_amount_or_none, _flag_or_none = _or_none(_amount), _or_none(_flag)

_DONE = {"done", "box", "host", "error"}
_Kind = Callable[[Any], bool]
_LASTS: dict[str, _Kind] = {"width": _amount_or_none, "stays": _flag_or_none}
_CHANGED: dict[str, _Kind] = {
    "cut": _amount_or_none,
    "delay": _amount_or_none,
    "no_edge": _flag_or_none,
}

# By the first key: what must be there, and what may be.
_RECORDS: dict[str, tuple[dict[str, _Kind], dict[str, _Kind]]] = {
    "marker_log": (
        {"marker_log": _time},
        {
            "host": _time,
            "start": _text,
            "box": _table,
            "settings": _table,
            "plan": _plan,
            "again": _flag,
        },
    ),
    "sent": (
        {"sent": _amount, "code": _code, "host": _time},
        {"name": _text_or_none, "test": _flag_or_none, **_LASTS},
    ),
    "ahead": ({"ahead": _amount, "box": _amount, "host": _time, "error": _amount}, {}),
    "done": ({"done": _amount, "box": _amount, "host": _time, "error": _amount}, _CHANGED),
    "unconfirmed": ({"unconfirmed": _amount, "why": _text}, {}),
    "refused": ({"refused": _amount, "why": _text}, {"cut": _amount_or_none}),
    "byte": (
        {"byte": _code, "host": _time_or_none, "error": _amount_or_none},
        {"box": _amount_or_none, "refused": _text, **_LASTS, **_CHANGED},
    ),
    "lines": ({"lines": _code, "box": _amount, "host": _time, "error": _amount_or_none}, {}),
    "late": ({"late": _amount, "most": _amount}, {}),
    "hold_ended": (
        {"hold_ended": _code, "box": _amount, "host": _time_or_none},
        {"error": _amount_or_none},
    ),
    "missing": ({"missing": _count, "why": _text}, {"host": _time}),
    "notices_lost": ({"notices_lost": _count}, {"host": _time}),
    "probe": (
        {
            "probe": _probe,
            "on": _flag,
            "box": _amount,
            "host": _time_or_none,
            "error": _amount_or_none,
        },
        {},
    ),
    "probe_lost": ({"probe_lost": _count, "host": _time}, {}),
    "lost": (
        {"lost": _count, "since": _time, "host": _time, "why": _text},
        {"restarted": _flag},
    ),
    "note": ({"note": _text, "host": _time}, {}),
    "restart": ({"restart": _text}, {"host": _time}),
    "signature": (
        {
            "signature": _count,
            "session": _session,
            "code": _line_code,
            "unit": _unit,
            "host": _time,
        },
        {},
    ),
    "signed": ({"signed": _count, "box": _amount, "host": _time, "error": _amount}, {}),
    "signature_cut": ({"signature_cut": _count, "pulses": _pulses}, {}),
    "signature_lost": ({"signature_lost": _count, "why": _text, "unknown": _flag}, {}),
    "end": ({"end": _time}, {}),
}


def is_sound(record: Any) -> bool:
    """Whether a line of a log, read as JSON, can be used. Lines with an unknown first key can: they
    are passed over."""
    if type(record) is not dict:
        return False
    first = next(iter(record), "")
    if (  # most lines; a log may have a million
        first == "done"
        and record.keys() == _DONE
        and all(type(value) is int and 0 <= value < _LARGEST for value in record.values())
    ):
        return True
    kinds = _RECORDS.get(first)
    if kinds is None:
        return first != ""
    if first == "marker_log" and _time(record[first]) and record[first] != FORMAT_VERSION:
        return True  # what another version holds is not known here
    must, may = kinds
    for key, kind in must.items():
        if key not in record or not kind(record[key]):
            return False
    return all(kind(record[key]) for key, kind in may.items() if key in record)


def is_header(record: Any) -> bool:
    """Whether a record begins a part."""
    return bool(next(iter(record)) == "marker_log")


def begins_as_log(path: Path) -> bool:
    """Whether a file begins as a marker log does; False for one that can't be read."""
    with contextlib.suppress(OSError), path.open("rb") as file:
        return file.read(14) == b'{"marker_log":'
    return False
