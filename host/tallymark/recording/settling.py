"""Samples in which only some of the lines had changed yet: the edges of a code.

Lines pass the receiver's threshold at slightly different times, and a sample may fall between. A
step is such a sampling of an edge if it lasts no longer than the lines settle and if each line has
in it the level that it has before or after. If the code after it is not idle, that code starts with
this step; otherwise the step belongs to the code before it. An idle step is never an edge.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tallymark.recording.recording_data import Bools, Codes, Ints

LONGEST = 16
_SHARE_KNOWN = 0.05  # of the changes of several lines, where markers are known to be farther apart
_SHARE_FOUND = 0.3  # the same where that isn't known, and on rising and falling edges alike
_FEWEST = 3
_MOSTLY_LATE = 0.8
_BITS = np.array([value.bit_count() for value in range(256)])


@dataclass(frozen=True)
class Settled:
    """Steps without the sampling of edges. samples: within how many the lines settle; joined: steps
    of more than one sample that were taken for edges; doubtful: short steps that may be such. late:
    lines that change after the others."""

    start: Ints
    code: Codes
    samples: int
    joined: int = 0
    doubtful: int = 0
    late: tuple[int, ...] = ()


def settle(
    start: Ints, code: Codes, end: int, idle: int, given: int | None, apart: float | None
) -> Settled:
    """Join the sampling of edges to the codes that they belong to.

    Args:
        start, code: of each step (shape (n,)); end: number of samples.
        given: samples within which the lines settle, None to find it out; 0 joins nothing.
        apart: least distance of two markers in samples, None if it isn't known.
    """
    settled = _settle(start, code, end, idle, given, apart)
    return replace(settled, late=_late_lines(start, code, settled))


def _settle(
    start: Ints, code: Codes, end: int, idle: int, given: int | None, apart: float | None
) -> Settled:
    if given is not None:
        return Settled(*join(start, code, idle, given), given)
    plain = Settled(*join(start, code, idle, 1), 1)
    most = _upper_limit(plain, end, idle, apart)
    if most < 2:
        return plain
    removed = [len(plain.code) - len(join(start, code, idle, n)[1]) for n in range(2, most + 1)]
    joined = max(removed)
    if joined < _FEWEST:
        return plain
    samples = 2 + int(np.argmax(np.array(removed) == joined))
    best = Settled(*join(start, code, idle, samples), samples, joined)
    rising, falling = _changes_of_several(best.code, idle)
    up, down = _joined_at(plain, best, idle)
    if apart is not None:
        enough = joined >= _SHARE_KNOWN * (rising + falling)
    else:
        enough = up >= _SHARE_FOUND * rising and down >= _SHARE_FOUND * falling and bool(up * down)
    return best if enough else Settled(plain.start, plain.code, 1, 0, joined)


def join(start: Ints, code: Codes, idle: int, samples: int) -> tuple[Ints, Codes]:
    """Take out the steps of at most `samples` samples that are the sampling of an edge."""
    for _ in range(samples):
        count = len(code)
        start, code = _join_once(start, code, idle, samples)
        if len(code) == count:
            break
    return start, code


def _join_once(start: Ints, code: Codes, idle: int, samples: int) -> tuple[Ints, Codes]:
    if len(code) < 3:
        return start, code
    length = np.diff(start)  # the last step has no follower and stays
    before, here, after = code[:-2], code[1:-1], code[2:]
    mixed = ((here ^ before) & (here ^ after)) == 0
    edge: Bools = np.zeros(len(code), bool)
    edge[1:-1] = (length[1:] <= samples) & mixed & (here != idle)
    edge[2:] &= ~edge[1:-1]  # of two in a row, the first is taken
    start = start.copy()
    rising = np.flatnonzero(edge[:-1]) + 1
    to_code = rising[code[rising] != idle]
    start[to_code] = start[to_code - 1]
    return start[~edge], code[~edge]


def _upper_limit(plain: Settled, end: int, idle: int, apart: float | None) -> int:
    """Settling can't last longer than a third of what codes usually do, nor as long as the least
    distance of two markers."""
    length = np.diff(plain.start, append=end)[plain.code != idle]
    if not len(length):
        return 1
    length = np.sort(length)
    half = np.searchsorted(np.cumsum(length), length.sum() / 2)  # of the time, not of the steps
    limit: float = min(int(length[min(half, len(length) - 1)]) / 3, LONGEST)
    if apart is not None:
        limit = min(limit, apart - 1)
    return int(limit)


def _changes_of_several(code: Codes, idle: int) -> tuple[int, int]:
    """How often more than one line changed: to a code, and to idle."""
    several = _BITS[code[1:] ^ code[:-1]] > 1
    return int((several & (code[1:] != idle)).sum()), int((several & (code[1:] == idle)).sum())


def _joined_at(plain: Settled, best: Settled, idle: int) -> tuple[int, int]:
    """How many of the steps that were joined stood before a code, and before idle."""
    gone = plain.code != best.code[np.searchsorted(best.start, plain.start, "right") - 1]
    last = np.flatnonzero(gone[:-1] & ~gone[1:])
    falling = int((plain.code[last + 1] == idle).sum())
    return len(last) - falling, falling


def _late_lines(start: Ints, code: Codes, settled: Settled) -> tuple[int, ...]:
    """Lines that are the last to change nearly always when they change with others."""
    edge = code != settled.code[np.searchsorted(settled.start, start, "right") - 1]
    last = np.flatnonzero(edge[:-1] & ~edge[1:])  # the last step before the lines have settled
    pending = code[last] ^ code[last + 1]
    change = settled.code[1:] ^ settled.code[:-1]
    change, after = change[_BITS[change] > 1], settled.code[1:][_BITS[change] > 1]
    late: set[int] = set()
    for level in (0, 1):  # a slow driver may be slow in one direction only
        for line in range(8):
            here = (pending >> line & 1 == 1) & (code[last + 1] >> line & 1 == level)
            every = (change >> line & 1 == 1) & (after >> line & 1 == level)
            if every.sum() >= _FEWEST and here.sum() >= _MOSTLY_LATE * every.sum():
                late.add(line)
    return tuple(sorted(late))
