"""Alignment of a marker log with a recording: which recorded event is which marker.

Unknown are the offset and the drift of the two clocks, where the recording starts and stops, what
it lost, gained or altered, and whether it dropped samples on the way. The way through:

1. Seeds (seeds.py) propose offsets for a telling stretch of the recording.
2. Each seed is followed in both directions (follow.py) as far as the markers are where it predicts
   them. Where they stop being there, samples may have been dropped.
3. Several seeds can fit. What counts is what each leaves unexplained: markers that should be there
   and are not, and events that nobody sent. If the second best is not at least two discrepancies
   worse, the place can't be known, and the alignment says so.
4. What remains before and after is aligned in the same way, from new seeds.
5. Under the time map thus found, each marker takes the nearest event within the tolerance, one with
   its own code before any other.

Time, not the code, decides who is who: an altered code is found at the time of its marker. Where
codes are altered throughout, as by a faulty line, the search is repeated without codes, and then
with lines left out (`_views`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from tallymark.recording.follow import DRIFT, WINDOW, Found, Task, locate, margin
from tallymark.recording.match import match, nearest
from tallymark.recording.model import Bools, Codes, Floats, Ints, RecordingError
from tallymark.recording.seeds import Train
from tallymark.recording.timemap import TimeMap

LEAST_MARGIN = 2  # discrepancies by which the second-best place must be worse
ZONE = 1024  # events on each side of a jump among which its place is looked for
LEAST_PIECE = 8  # events that a further piece must explain
# Clock rates to try, recording to box. Boards with a ceramic resonator may be off by 5000 ppm; each
# try covers what `follow.DRIFT` allows, with some overlap.
CLOCK_RATES = (1.0, *(1 + sign * ppm * 1e-6 for ppm in range(900, 6400, 900) for sign in (1, -1)))
GOOD, FAIR = 0.7, 0.4  # shares of the expected markers found: certain, and worth showing


@dataclass(frozen=True)
class Piece:
    """A stretch of the alignment under one unbroken time map.

    sent_range, recorded_range: times of the first and the last pair that it rests on. shift_us: by
    how much the map jumps from the piece before (negative: the recording lacks that much time).
    known: no other place fits as well.
    """

    map: TimeMap
    sent_range: tuple[float, float]
    recorded_range: tuple[float, float]
    shift_us: float = 0.0
    known: bool = True


@dataclass
class Alignment:
    """The result.

    partner: for each marker of the log the index of its event, or -1 (shape of the log).
    expected_us: where each marker is expected on the recording's clock, in microseconds.
    pieces: the time map. view: what the search had to look at ('codes' if nothing was wrong).
    doubtful: markers whose place can't be known: of pieces with more than one place, and at a jump
    where an event fits a marker on either side (shape of the log).
    rivals: numbers (from 0) of the markers that the first matched event could as well be.
    tolerance_us: how far an event may be from its marker.
    """

    partner: Ints
    expected_us: Floats
    pieces: list[Piece]
    view: str
    doubtful: Bools
    rivals: list[int] = field(default_factory=list)
    tolerance_us: float = 0.0

    def map_us(self, sent_us: Floats) -> Floats:
        """Where markers sent at these times (box clock) are expected on the recording's clock."""
        starts = np.array([piece.sent_range[0] for piece in self.pieces[1:]])
        which = np.searchsorted(starts, sent_us, side="right")
        mapped = np.empty(len(sent_us))
        for number, piece in enumerate(self.pieces):
            mapped[which == number] = piece.map.forward(sent_us[which == number])
        return mapped

    @property
    def known(self) -> bool:
        """Whether each piece has one place only."""
        return all(piece.known for piece in self.pieces)


# ----------------------------------------------------------------------------------- views

View = tuple[str, Callable[[Codes], Codes], Callable[[Codes], Codes]]


def _views() -> Iterator[View]:
    """Ways to look at codes, the likeliest first: (name, of sent codes, of recorded codes)."""

    def same(code: Codes) -> Codes:
        return code

    def without(mask: int) -> Callable[[Codes], Codes]:
        return lambda code: code & np.uint8(0xFF ^ mask)

    def one(code: Codes) -> Codes:
        return np.ones_like(code)

    def reversed_lines(code: Codes) -> Codes:
        return np.packbits(np.unpackbits(code[:, None], axis=1)[:, ::-1], axis=1)[:, 0]

    yield "codes", same, same
    yield "times alone", one, one
    for line in range(8):
        yield f"codes without line {line}", without(1 << line), without(1 << line)
    yield "codes with the lines in reverse order", same, reversed_lines
    for a in range(8):
        for b in range(a + 1, 8):
            mask = (1 << a) | (1 << b)
            yield f"codes without lines {a} and {b}", without(mask), without(mask)


def _visible(train: Train) -> Train:
    """Without the markers that a view can't see."""
    seen = train.code != 0
    return Train(train.time[seen], train.code[seen])


# ----------------------------------------------------------------------------------- align


def align(
    sent: Train,
    recorded: Train,
    start_us: float,
    end_us: float,
    sample_us: float,
    jitter_us: float | None = None,
) -> Alignment:
    """Align a log with a recording.

    Args:
        sent: markers, ascending in time (box clock, microseconds), codes 1..255.
        recorded: events, ascending in time (recording's clock, microseconds).
        start_us, end_us: the time that the recording covers.
        sample_us: time from one sample to the next.
        jitter_us: how far a recorded time may be off; default: found out.

    Raises:
        RecordingError: there is nothing to align, or the log does not belong to the recording.
    """
    if not len(sent):
        raise RecordingError("The marker log holds no marker that could be looked for.")
    if not len(recorded):
        raise RecordingError("The recording holds no event.")
    if min(len(sent), len(recorded)) < 2:
        raise RecordingError(
            f"The log holds {len(sent)} and the recording {len(recorded)} events. Two of each are "
            "needed at least to compare the clocks; record more, or look at this one by eye."
        )
    start = float(sent.time[0])
    best: tuple[str, list[Found], Task] | None = None
    rate = 1.0
    for tried in CLOCK_RATES:
        scaled = Train(start + (sent.time - start) * tried, sent.code)
        views = list(_views()) if tried == 1.0 else list(_views())[:2]
        jitters = _jitters(sample_us, jitter_us)
        found_now = _best_view(views, scaled, recorded, (start_us, end_us), jitters)
        if found_now is None or (best is not None and _worth(found_now[1]) <= _worth(best[1])):
            continue
        best, rate = found_now, tried
        first = best[1][0]
        most = FAIR * min(len(sent), len(recorded))
        if first.hits >= most and abs(first.map.slope - 1) <= 1.2 * DRIFT:
            break
    if best is None:
        raise RecordingError(
            "The recording does not fit the marker log: no stretch of its events has the order and "
            "the intervals of the log. Check that both are of the same session, and that mask, "
            "first bit and active level are right."
        )
    name, found, task = best
    pieces = [
        replace(
            piece,
            map=piece.map.stretched(1 / rate, start),
            sent_range=(
                start + (piece.sent_range[0] - start) / rate,
                start + (piece.sent_range[1] - start) / rate,
            ),
        )
        for piece in _joined(_pieces(task, found), task.jitter)
    ]
    partner, expected, doubtful = _pair(sent, recorded, pieces, task.jitter)
    rivals: list[int] = []
    if margin(found) < LEAST_MARGIN:
        at = np.array([found[0].recorded_range[0]])
        times = [start + (one.map.back(at) - start) / rate for one in found]
        rivals = sorted({int(nearest(sent.time, time)[0]) for time in times})
    return Alignment(partner, expected, pieces, name, doubtful, rivals, task.jitter)


def _jitters(sample_us: float, jitter_us: float | None) -> list[float]:
    """Tolerances to try: that of sampling first, then those of event lists timed by software."""
    if jitter_us is not None:
        return [jitter_us]
    sampled = 1.5 * sample_us + 20.0
    return [sampled] + [wider for wider in (5_000.0, 25_000.0) if wider > 2 * sampled]


def _best_view(
    views: list[View],
    sent: Train,
    recorded: Train,
    covers: tuple[float, float],
    jitters: list[float],
) -> tuple[str, list[Found], Task] | None:
    """The first view of the codes in which the recording fits the log well and in one place only,
    or else the one that explains most; None if nothing fits."""
    best: tuple[str, list[Found], Task] | None = None
    least = min(WINDOW, FAIR * min(len(sent), len(recorded)))  # fewer may agree by chance
    for jitter in jitters:
        for name, of_sent, of_recorded in views:
            task = Task(
                _visible(Train(sent.time, of_sent(sent.code))),
                _visible(Train(recorded.time, of_recorded(recorded.code))),
                *covers,
                jitter,
            )
            if not len(task.sent) or not len(task.recorded):
                continue
            found = locate(task)
            if not found or found[0].quality < FAIR:
                continue
            # If the codes as they are leave a doubt, seeing less of them won't remove it.
            decided = margin(found) >= LEAST_MARGIN or name == "codes"
            if name == "times alone":  # at a constant rate only the ends tell: too little
                decided = margin(found) >= 0.1 * found[0].hits
                if not decided and best is not None:
                    continue
            if best is None or _worth(found) > 1.2 * _worth(best[1]):
                best = (name, found, task)
            share = found[0].hits / min(len(task.sent), len(task.recorded))
            if found[0].quality >= GOOD and share >= FAIR and decided:
                return name, found, task
        if best is not None and best[1][0].quality >= GOOD and best[1][0].hits >= least:
            return best
    return best if best is not None and best[1][0].hits >= least else None


def _worth(found: list[Found]) -> float:
    return found[0].hits * found[0].quality * (1.0 if margin(found) >= LEAST_MARGIN else 0.5)


# ---------------------------------------------------------------------------------- pieces


def _pieces(task: Task, found: list[Found]) -> list[Piece]:
    """The best of `found`, and what lies before and after it, aligned in its turn."""
    best = found[0]
    known = margin(found) >= LEAST_MARGIN
    pieces = [Piece(best.map, best.sent_range, best.recorded_range, known=known)]
    for rest, in_front in ((task.before(best), True), (task.after(best), False)):
        if len(rest.sent) < LEAST_PIECE or len(rest.recorded) < LEAST_PIECE:
            continue
        edge = float(rest.recorded.time[-1 if in_front else 0])
        offset = edge - float(best.map.back(np.array([edge]))[0])
        more = locate(rest, prefer=(edge, offset))
        if more and more[0].quality >= FAIR and more[0].hits >= LEAST_PIECE:
            if more[0].hits < WINDOW:  # too few to tell the drift: take the neighbour's
                more[0] = replace(more[0], map=more[0].map.with_slope(best.map.slope))
            others = _pieces(rest, more)
            pieces = others + pieces if in_front else pieces + others
    return pieces


def _joined(pieces: list[Piece], jitter: float) -> list[Piece]:
    """Neighbours whose maps meet become one piece; others get the size of the jump."""
    joined = pieces[:1]
    for piece in pieces[1:]:
        last = joined[-1]
        between = piece.sent_range[0] - last.sent_range[1]
        middle = np.array([last.sent_range[1] + between / 2])
        shift = float((piece.map.forward(middle) - last.map.forward(middle))[0])
        if abs(shift) <= jitter + 2e-6 * between:
            joined[-1] = Piece(
                last.map.joined(piece.map),
                (last.sent_range[0], piece.sent_range[1]),
                (last.recorded_range[0], piece.recorded_range[1]),
                last.shift_us,
                last.known or piece.known,  # the map of the sure one goes on
            )
        else:
            joined.append(replace(piece, shift_us=shift))
    return joined


def _pair(
    sent: Train, recorded: Train, pieces: list[Piece], tolerance: float
) -> tuple[Ints, Floats, Bools]:
    """Partners, expected times and doubts, piece by piece, so that markers lost in a pause of the
    recording can't take the events after it."""
    partner = np.full(len(sent), -1, np.int64)
    expected = np.empty(len(sent))
    doubtful: Bools = np.zeros(len(sent), bool)
    sent_from, recorded_from = 0, 0
    for number, piece in enumerate(pieces):
        sent_to, recorded_to = len(sent), len(recorded)
        next_from = sent_to
        if number + 1 < len(pieces):
            after = pieces[number + 1]
            recorded_to, either = _seam(sent, recorded, piece, after, tolerance)
            for time_map in (piece.map, after.map):
                doubtful[nearest(sent.time, time_map.back(either))] = True
            last, first = recorded.time[recorded_to - 1], recorded.time[recorded_to]
            edges = np.array([last + tolerance]), np.array([first - tolerance])
            sent_to = int(np.searchsorted(sent.time, piece.map.back(edges[0])[0]))
            next_from = max(int(np.searchsorted(sent.time, after.map.back(edges[1])[0])), sent_to)
        rows = slice(sent_from, sent_to)
        expected[sent_from:next_from] = piece.map.forward(sent.time[sent_from:next_from])
        events = recorded.part(recorded_from, recorded_to)
        found = match(expected[rows], sent.code[rows], events.time, events.code, tolerance)
        partner[rows] = np.where(found >= 0, found + recorded_from, -1)
        doubtful[rows] |= not piece.known
        sent_from, recorded_from = next_from, recorded_to
    return partner, expected, doubtful


def _seam(sent: Train, recorded: Train, a: Piece, b: Piece, tolerance: float) -> tuple[int, Floats]:
    """The first event that belongs to piece `b`: the split that leaves most events explained. And
    the times of those events that could as well belong to the other piece."""
    first = int(np.searchsorted(recorded.time, a.recorded_range[1])) - ZONE
    last = int(np.searchsorted(recorded.time, b.recorded_range[0])) + ZONE
    first, last = max(first, 1), min(last, len(recorded) - 1)
    zone = recorded.part(first, last)
    near, fits = [], []
    for piece in (a, b):
        wanted = piece.map.back(zone.time)
        at = nearest(sent.time, wanted)
        near.append(np.abs(sent.time[at] - wanted) <= tolerance)
        fits.append(near[-1] & (sent.code[at] == zone.code))
    # The right code counts as much as the right time, so that altered events find their side too.
    score = [n.astype(int) + f for n, f in zip(near, fits, strict=True)]
    gain = np.concatenate(([0], np.cumsum(score[0] - score[1])))
    best = np.flatnonzero(gain > gain.max() - 2 * LEAST_MARGIN)
    tied = np.arange(best[0], best[-1])
    return first + int(np.argmax(gain)), zone.time[tied[near[0][tied] & near[1][tied]]]
