"""Reads a plan file; what can't be meant is refused with its place and the remedy."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

from tallymark.common.formatting import parse_time
from tallymark.plan import keys
from tallymark.plan.model import Event, Plan, PlanError, Receiver, Session

_Words = tuple[str, ...]
_LEVELS: _Words = ("high", "low")
_PROBES: _Words = ("light", "sound", "ttl")
_TABLES = {"receiver", "session", "signature", "event"}
_LARGEST = 1e15
"""Of a time in microseconds or a rate: more than any experiment needs."""


def load(path: str | Path) -> Plan:
    """Read a plan file. Raises PlanError with the place and the remedy if it can't be read."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise PlanError(f"{path}: can't be opened ({error.strerror}). Check the name.") from error
    except UnicodeDecodeError as error:
        raise PlanError(f"{path}: is not text in UTF-8. Save the plan as UTF-8.") from error
    if text.lstrip().startswith("{"):
        raise PlanError(f"{path}: is no plan: it begins as a marker log does. Name the plan, which "
                        "is a file in TOML.")
    return from_mapping(parse(text, str(path)), where=str(path))


def parse(text: str, where: str = "plan") -> dict[str, Any]:
    """The TOML data of a plan's text. Raises PlanError."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{where}: is not valid TOML: {error}. Correct that line.") from error
    except (ValueError, RecursionError) as error:  # a number of thousands of digits, deep brackets
        raise PlanError(f"{where}: is damaged: {error}. Write the plan again.") from error


def from_mapping(data: Mapping[str, Any], where: str = "plan") -> Plan:
    """Build a plan from TOML data. Unknown words are errors, because a typing slip would otherwise
    switch a check off unseen. Raises PlanError."""
    _known(data, _TABLES | keys.names("(top)"), f"{where}: ")
    reader = _Reader(where)
    receiver_data = reader.table(data, "receiver")
    session_data = reader.table(data, "session")
    place = "[receiver] "
    rate = reader.number(receiver_data, "sampling_rate", place, above=0.0)
    samples = reader.whole(receiver_data, "least_samples", place, least=1)
    if samples is not None and rate is None:
        raise PlanError(
            f"{where}: {place}least_samples needs sampling_rate. Add it."
        )
    receiver = Receiver(
        sampling_rate=rate,
        least_width_us=reader.number(receiver_data, "least_width_us", place, default=0.0),
        least_samples=samples,
        lines=_lines(receiver_data.get("lines"), f"{where}: {place}"),
        active=reader.choice(receiver_data, "active", place, _LEVELS) or "high",
        idle=reader.choice(receiver_data, "idle", place, _LEVELS),
        reserved=tuple(_codes(receiver_data.get("reserved", []), f"{where}: {place}reserved ")),
        name=str(receiver_data.get("name", "")),
    )
    place = "[session] "
    session = Session(
        least_interval_us=reader.number(session_data, "least_interval_us", place, above=0.0),
        gap_us=reader.number(session_data, "gap_us", place, default=0.0),
        width_us=reader.whole(session_data, "width_us", place, least=1),
        distance=reader.whole(session_data, "distance", place, least=1, default=1),
        blocks=reader.whole(session_data, "blocks", place, least=1),
        intervals=reader.choice(session_data, "intervals", place, ("constant", "varied")),
    )
    if session.distance > 8:
        raise PlanError(f"{where}: {place}distance is 1 to 8 lines, not {session.distance}.")
    rows = data.get("event", [])
    if not isinstance(rows, list):
        raise PlanError(f"{where}: write each event in its own [[event]] table.")
    events = tuple(_event(row, number, session, reader) for number, row in enumerate(rows, 1))
    code = None
    if "signature" in data:
        code = _signature_code(reader.table(data, "signature"), reader)
    return Plan(str(data.get("name", "")), receiver, session, events, code)


def _signature_code(table: dict[str, Any], reader: _Reader) -> int:
    code: int | None = reader.whole(table, "code", "[signature] ", least=1)
    if code is None:
        raise PlanError(f"{reader.where}: [signature] needs a code, from 1 to 255.")
    if code > 255:
        raise PlanError(f"{reader.where}: [signature] code is 1 to 255, not {code}.")
    return code


def _event(row: Any, number: int, session: Session, reader: _Reader) -> Event:
    place = f"[[event]] number {number} "
    if not isinstance(row, dict):
        raise PlanError(f"{reader.where}: {place}must be a table with name and code.")
    _known(row, keys.names("[[event]]"), f"{reader.where}: {place}")
    name = row.get("name")
    if not isinstance(name, str) or not name.strip():
        raise PlanError(f"{reader.where}: {place}needs a name.")
    place = f"event {name!r}: "
    code = reader.whole(row, "code", place, least=0)
    if code is None:
        raise PlanError(f"{reader.where}: {place}needs a code.")
    width = reader.whole(row, "width_us", place, least=1, default=session.width_us)
    if width is None:
        raise PlanError(
            f"{reader.where}: {place}has no width. Give width_us here, or once under [session]."
        )
    count = reader.whole(row, "count", place, least=0)
    probe = reader.choice(row, "probe", place, _PROBES)
    return Event(name, code, width, count, str(row.get("about", "")), probe)


class _Reader:
    """Takes typed values out of TOML tables and names the place when one is wrong."""

    def __init__(self, where: str) -> None:
        self.where = where

    def table(self, data: Mapping[str, Any], name: str) -> dict[str, Any]:
        table = data.get(name, {})
        if not isinstance(table, dict):
            raise PlanError(f"{self.where}: [{name}] must be a table.")
        _known(table, keys.names(f"[{name}]"), f"{self.where}: [{name}] ")
        return table

    def number(
        self,
        table: Mapping[str, Any],
        key: str,
        place: str,
        above: float | None = None,
        default: Any = None,
    ) -> Any:
        value = table.get(key, default)
        if value is None:
            return None
        value = self._time(value, key, place)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise PlanError(f"{self.where}: {place}{key} must be a number, not {value!r}.")
        if not (value > above if above is not None else value >= 0) or value > _LARGEST:
            limit = "above 0" if above is not None else "0 or more"
            raise PlanError(f"{self.where}: {place}{key} must be {limit}, not {value!r}.")
        return float(value)

    def whole(
        self, table: Mapping[str, Any], key: str, place: str, least: int, default: Any = None
    ) -> Any:
        value = table.get(key, default)
        if value is None:
            return None
        value = self._time(value, key, place)
        if type(value) is not int or not least <= value <= _LARGEST:
            raise PlanError(
                f"{self.where}: {place}{key} must be a whole number, {least} or more, "
                f"not {value!r}."
            )
        return value

    def _time(self, value: Any, key: str, place: str) -> Any:
        """The microseconds of a time that is written with its unit; other values as they are."""
        if not key.endswith("_us") or not isinstance(value, str):
            return value
        try:
            return parse_time(value)
        except ValueError as error:
            raise PlanError(f"{self.where}: {place}{key}: {error}.") from None

    def choice(self, table: Mapping[str, Any], key: str, place: str, words: _Words) -> Any:
        value = table.get(key)
        if value is not None and value not in words:
            said = " or ".join(f'"{word}"' for word in words)
            raise PlanError(f"{self.where}: {place}{key} must be {said}, not {value!r}.")
        return value


def _known(table: Mapping[str, Any], known: set[str], where: str) -> None:
    for key in table:
        if key not in known:
            raise PlanError(f"{where}{key!r} is not a known key. Known keys: "
                            f"{', '.join(sorted(known))}.")


def _lines(value: Any, where: str) -> int:
    if value is None:
        return 0xFF
    if not isinstance(value, list) or not value:
        raise PlanError(f"{where}lines must be a list of line numbers, such as [0, 1, 2].")
    mask = 0
    for line in value:
        if isinstance(line, bool) or not isinstance(line, int) or not 0 <= line <= 7:
            raise PlanError(f"{where}lines are numbered 0 to 7, not {line!r}.")
        mask |= 1 << line
    return mask


def _codes(value: Any, where: str) -> list[int]:
    if not isinstance(value, list):
        raise PlanError(f"{where}must be a list of codes.")
    for code in value:
        if isinstance(code, bool) or not isinstance(code, int) or not 0 <= code <= 255:
            raise PlanError(f"{where}codes are 0 to 255, not {code!r}.")
    return value
