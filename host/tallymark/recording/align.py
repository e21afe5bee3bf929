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
from tallymark.recording.follow import Found, Task, locate, margin
from tallymark.recording.match import match, nearest
from tallymark.recording.model import Codes, Floats, Ints, RecordingError
from tallymark.recording.seeds import Train
from tallymark.recording.timemap import TimeMap

LEAST_MARGIN = 2  # discrepancies by which the second-best place must be worse
LEAST_PIECE = 8  # events that a further piece must explain
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
    rivals: numbers (from 0) of the markers that the first matched event could as well be.
    tolerance_us: how far an event may be from its marker.
    """

    partner: Ints
    expected_us: Floats
    pieces: list[Piece]
    view: str
    rivals: list[int] = field(default_factory=list)
    tolerance_us: float = 0.0

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
    name, found, task = _best_view(sent, recorded, start_us, end_us, _jitters(sample_us, jitter_us))
    pieces = _joined(_pieces(task, found), task.jitter)
    partner, expected = _pair(sent, recorded, pieces, task.jitter)
    rivals: list[int] = []
    if margin(found) < LEAST_MARGIN:
        at = np.array([found[0].recorded_range[0]])
        rivals = sorted({int(nearest(sent.time, one.map.back(at))[0]) for one in found})
    return Alignment(partner, expected, pieces, name, rivals, task.jitter)


def _jitters(sample_us: float, jitter_us: float | None) -> list[float]:
    """Tolerances to try: that of sampling first, then those of event lists timed by software."""
    if jitter_us is not None:
        return [jitter_us]
    sampled = 1.5 * sample_us + 20.0
    return [sampled] + [wider for wider in (5_000.0, 25_000.0) if wider > 2 * sampled]


def _best_view(
    sent: Train, recorded: Train, start_us: float, end_us: float, jitters: list[float]
) -> tuple[str, list[Found], Task]:
    best: tuple[str, list[Found], Task] | None = None
    for jitter in jitters:
        for name, of_sent, of_recorded in _views():
            task = Task(
                _visible(Train(sent.time, of_sent(sent.code))),
                _visible(Train(recorded.time, of_recorded(recorded.code))),
                start_us,
                end_us,
                jitter,
            )
            if not len(task.sent) or not len(task.recorded):
                continue
            found = locate(task)
            if not found:
                continue
            if best is None or found[0].quality > best[1][0].quality + 0.05:
                best = (name, found, task)
            if found[0].quality >= GOOD and margin(found) >= LEAST_MARGIN:
                return name, found, task
        if best is not None and best[1][0].quality >= GOOD:
            return best
    if best is None or best[1][0].quality < FAIR:
        raise RecordingError(
            "The recording does not fit the marker log: no stretch of its events has the order and "
            "the intervals of the log. Check that both are of the same session, and that mask, "
            "first bit and active level are right."
        )
    return best


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
                last.known and piece.known,
            )
        else:
            joined.append(replace(piece, shift_us=shift))
    return joined


def _pair(
    sent: Train, recorded: Train, pieces: list[Piece], tolerance: float
) -> tuple[Ints, Floats]:
    """Partners and expected times, stretch by stretch, so that markers lost in a pause of the
    recording can't take the events after it."""
    partner = np.full(len(sent), -1, np.int64)
    expected = np.empty(len(sent))

    def pair(piece: Piece, a: int, b: int, c: int, d: int) -> None:
        """Pair sent[a:b] with recorded[c:d] under the piece's map."""
        expected[a:b] = piece.map.forward(sent.time[a:b])
        part, other = sent.part(a, b), recorded.part(c, d)
        found = match(expected[a:b], part.code, other.time, other.code, tolerance)
        partner[a:b] = np.where(found >= 0, found + c, -1)

    at, recorded_at = 0, 0
    for number, piece in enumerate(pieces):
        if number:  # the markers since the last piece: in the pause, or just at its edges
            first = int(np.searchsorted(sent.time, piece.sent_range[0]))
            recorded_first = int(np.searchsorted(recorded.time, piece.recorded_range[0]))
            before = pieces[number - 1]
            split = recorded_at + int(
                np.searchsorted(
                    recorded.time[recorded_at:recorded_first],
                    (before.recorded_range[1] + piece.recorded_range[0]) / 2,
                )
            )
            times = before.map.forward(sent.time[at:first])
            middle = at + int(np.searchsorted(times, before.recorded_range[1] + tolerance))
            while middle < first and split > recorded_at:
                if times[middle - at] > recorded.time[split - 1] + tolerance:
                    break
                middle += 1
            pair(before, at, middle, recorded_at, split)
            pair(piece, middle, first, split, recorded_first)
            at, recorded_at = first, recorded_first
        if number == len(pieces) - 1:
            end, recorded_end = len(sent), len(recorded)
        else:
            end = int(np.searchsorted(sent.time, piece.sent_range[1], side="right"))
            recorded_end = int(
                np.searchsorted(recorded.time, piece.recorded_range[1], side="right")
            )
        pair(piece, at, end, recorded_at, recorded_end)
        at, recorded_at = end, recorded_end
    return partner, expected
