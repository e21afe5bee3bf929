"""Internal: the inner loops of the recording check, as functions of arrays. See kernel.h.

Times are microseconds; densities are per microsecond.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tallymark.common.errors import NotCompiled
from tallymark.recording.clock_map import TimeMap
from tallymark.recording.recording_data import Codes, Floats, Ints

try:
    from tallymark.recording.kernel._kernel import ffi, lib
except ModuleNotFoundError as error:
    raise NotCompiled("recording check") from error

Numbers = NDArray[np.int32]
SIZES = 4
PROPOSAL = np.dtype([("offset", "f8"), ("score", "f8"), ("first", "i4"), ("end", "i4")])


class TooMuch(Exception):
    """More work than allowed would be needed."""


@dataclass
class Trains:
    """Markers and events, ascending in time, on clocks of equal rate.

    at, code, hidden: markers with a box time; hidden is the probability that one makes no event of
    its own although all is well. loose_at, loose_code: markers without one, known to +-loose_reach.
    seen, seen_code: events; begin, end: the time in which each may be its marker's, without
    overlap. covers: the time recorded. pauses: (from, to) in it in which the file says that nothing
    was recorded. anchors: (recorded time, offset, reach, nats) of known places, in order of time;
    an offset farther off than reach is less probable by so many nats.
    """

    at: Floats
    code: Codes
    hidden: Floats
    loose_at: Floats
    loose_code: Codes
    loose_reach: float
    seen: Floats
    seen_code: Codes
    begin: Floats
    end: Floats
    covers: tuple[float, float]
    clock: TimeMap
    pauses: list[tuple[float, float]] = field(default_factory=list)
    anchors: list[tuple[float, float, float, float]] = field(default_factory=list)

    def even(self, recorded: Floats | float) -> Floats:
        """Recorded times on the clock of the log's rate, as `seen` has them."""
        return self.clock.back(np.atleast_1d(recorded))

    @property
    def duration(self) -> float:
        """Recorded time in microseconds, at least 1."""
        return max(self.covers[1] - self.covers[0], 1.0)


@dataclass
class Rates:
    """The rates of the model; see `struct rates` in kernel.h. confusion: seen code by sent code,
    shape (256, 256). extra, unknown: by seen code, shape (256,)."""

    missed: float
    confusion: Floats
    extra: Floats
    unknown: Floats
    core: float
    tail: float
    reach: float
    loose_there: float
    jump: float
    cell: float
    size: Floats
    cut: float
    back: float
    back_size: float
    again: float
    deaf: float
    deaf_ends: float
    deaf_missed: float
    lost: float
    found: float
    wide: float


@dataclass
class Verdicts:
    """What the sums say; see `struct verdicts` in kernel.h."""

    best: Numbers
    second: Numbers
    p_best: Floats
    p_second: Floats
    p_others: Floats
    p_missed: Floats
    p_gap: Floats
    p_outside: Floats
    p_unknown: Floats
    event_best: Numbers
    event_p: Floats
    event_others: Floats
    event_extra: Floats
    event_unknown: Floats
    path_line: Numbers
    path_marker: Numbers
    seen_as: Floats
    evidence: float
    work: float


class _Struct:
    """A C struct whose arrays stay alive as long as it does."""

    def __init__(self, name: str) -> None:
        self.c = ffi.new(f"struct {name} *")
        self.kept: list[Any] = []

    def point(self, name: str, values: Any, kind: str) -> None:
        dtype = {"double": "f8", "int": "i4", "uint8_t": "u1"}[kind]
        array = np.ascontiguousarray(values, dtype)
        self.kept.append(array)
        setattr(self.c, name, ffi.from_buffer(f"{kind}[]", array))


def _trains(trains: Trains) -> _Struct:
    made = _Struct("trains")
    made.c.markers, made.c.loose = len(trains.at), len(trains.loose_at)
    made.c.events, made.c.pauses = len(trains.seen), len(trains.pauses)
    made.c.anchors = len(trains.anchors)
    made.c.loose_reach = trains.loose_reach
    made.c.start, made.c.end = trains.covers
    doubles = {
        "at": trains.at,
        "hidden": trains.hidden,
        "loose_at": trains.loose_at,
        "seen": trains.seen,
        "from": trains.begin,
        "to": trains.end,
        "pause_from": [pause[0] for pause in trains.pauses],
        "pause_to": [pause[1] for pause in trains.pauses],
        "anchor_at": [anchor[0] for anchor in trains.anchors],
        "anchor_offset": [anchor[1] for anchor in trains.anchors],
        "anchor_reach": [anchor[2] for anchor in trains.anchors],
        "anchor_nats": [anchor[3] for anchor in trains.anchors],
    }
    for name, values in doubles.items():
        made.point(name, values, "double")
    for name in ("code", "loose_code", "seen_code"):
        made.point(name, getattr(trains, name), "uint8_t")
    return made


def _lines(offset: Floats, first: Ints, last: Ints, segment: int) -> _Struct:
    made = _Struct("lines")
    made.c.count, made.c.segment = len(offset), segment
    made.point("offset", offset, "double")
    made.point("first", first, "int")
    made.point("last", last, "int")
    return made


def _rates(rates: Rates) -> _Struct:
    made = _Struct("rates")
    for name, value in vars(rates).items():
        if isinstance(value, np.ndarray):
            target = np.frombuffer(ffi.buffer(ffi.addressof(made.c, name)), "f8")
            target[:] = value.ravel()
        else:
            setattr(made.c, name, value)
    return made


def propose(
    trains: Trains,
    first: Ints,
    length: int,
    bin_us: float,
    same: Floats,
    other: float,
    slack: float,
    join: float,
) -> NDArray[np.void]:
    """Offsets that windows of `length` events from each of `first` propose (dtype PROPOSAL)."""
    data, found = _trains(trains), ffi.new("struct proposal **")
    starts = np.ascontiguousarray(first, "i4")
    weights = np.ascontiguousarray(same, "f8")
    count = lib.propose(
        data.c,
        ffi.from_buffer("int[]", starts),
        len(starts),
        length,
        bin_us,
        ffi.from_buffer("double[]", weights),
        other,
        slack,
        join,
        found,
    )
    if count < 0:
        raise MemoryError
    size = count * PROPOSAL.itemsize
    proposals = np.frombuffer(bytes(ffi.buffer(found[0], size)) if size else b"", PROPOSAL)
    lib.free_proposals(found[0])
    return proposals


def narrow(
    trains: Trains,
    offset: Floats,
    first: Ints,
    last: Ints,
    segment: int,
    rates: Rates,
    slack: float,
) -> tuple[Numbers, Numbers]:
    """First and last segment in which each line can matter; last < first if nowhere."""
    data, lines, model = _trains(trains), _lines(offset, first, last, segment), _rates(rates)
    begin, end = np.empty(len(offset), "i4"), np.empty(len(offset), "i4")
    pointers = [ffi.from_buffer("int[]", array) for array in (begin, end)]
    if lib.narrow(data.c, lines.c, model.c, slack, *pointers):
        raise MemoryError
    return begin, end


def path_sum(
    trains: Trains,
    offset: Floats,
    first: Ints,
    last: Ints,
    segment: int,
    rates: Rates,
    most: float,
) -> Verdicts:
    """Probabilities over all paths along the lines `offset` (ascending), each in use for segments
    `first` to `last` of `segment` events. most: line steps allowed.

    Raises TooMuch if that is not enough.
    """
    data, lines, model = _trains(trains), _lines(offset, first, last, segment), _rates(rates)
    markers, events = len(trains.at) + len(trains.loose_at), len(trains.seen)
    verdicts = _Struct("verdicts")
    made: dict[str, Any] = {}
    for name in Verdicts.__dataclass_fields__:
        if name in ("evidence", "work"):
            continue
        whole = name in ("best", "second", "event_best", "path_line", "path_marker")
        count = events if name.startswith(("event", "path")) else markers
        shape = (256, 256) if name == "seen_as" else (count,)
        made[name] = np.full(shape, -1, "i4") if whole else np.zeros(shape)
        verdicts.point(name, made[name], "int" if whole else "double")
    done = lib.path_sum(data.c, lines.c, model.c, most, verdicts.c)
    if done == -2:
        raise TooMuch
    if done:
        raise MemoryError
    return Verdicts(**made, evidence=verdicts.c.evidence, work=verdicts.c.work)
