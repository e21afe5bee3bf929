"""Marker codes that keep a distance from one another.

Two codes that differ in one line only turn into one another when that line is stuck or open. Codes
with a Hamming distance of `d` need `d` such faults at once. Code 0 (no line active) is always
counted as a neighbour, so that no marker vanishes through fewer than `d` faults.

How many codes there can be is known exactly for up to eight lines: A(n, d), the greatest number of
binary words of length n with distance d (MacWilliams and Sloane, "The Theory of Error-Correcting
Codes", 1977, appendix A). One of these words can always be taken to be 0.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# A(n, d) for odd d; an even d has the value of (n - 1, d - 1).
_MOST_WORDS = {
    3: {3: 2, 4: 2, 5: 4, 6: 8, 7: 16, 8: 20},
    5: {5: 2, 6: 2, 7: 2, 8: 4},
    7: {7: 2, 8: 2},
}
_SEARCH_STEPS = 200_000
_EXCHANGES = 5_000


def distance(a: int, b: int) -> int:
    """Number of lines (0..8) in which two codes differ."""
    return (a ^ b).bit_count()


def most_codes(lines: int, least_distance: int) -> int:
    """Greatest number of codes, 0 not counted, on `lines` lines (1..8) at `least_distance`."""
    if least_distance <= 1:
        words = 1 << lines
    elif least_distance == 2:
        words = 1 << (lines - 1)
    else:
        odd, n = (least_distance, lines) if least_distance % 2 else (least_distance - 1, lines - 1)
        words = _MOST_WORDS.get(odd, {}).get(n, 1)
    return words - 1


@dataclass(frozen=True)
class Proposal:
    """Codes found, or why there are none.

    codes: ascending, empty when none were found; most: the known upper limit for these lines;
    proven: whether 'none' is proven or only not found within the search.
    """

    codes: tuple[int, ...]
    most: int
    proven: bool


def propose(
    count: int,
    least_distance: int = 2,
    lines: int = 0xFF,
    reserved: Iterable[int] = (),
    keep: Iterable[int] = (),
) -> Proposal:
    """Find `count` codes on the lines in `lines` that keep `least_distance` from one another.

    Args:
        count: how many codes, 1..255.
        least_distance: 1..8 lines.
        lines: the usable lines, 1..255, bit n for line n.
        reserved: codes that others use; they are left out (their distance is not kept).
        keep: codes already in use; they are part of the answer.

    Raises:
        ValueError: an argument is out of range, or `keep` breaks the distance itself.
    """
    if not (1 <= count <= 255 and 1 <= least_distance <= 8 and 1 <= lines <= 0xFF):
        raise ValueError("count must be 1 to 255, the distance 1 to 8, with 1 to 8 lines")
    taken = set(reserved)
    kept = sorted(set(keep))
    for position, code in enumerate(kept):
        if code & ~lines or code == 0:
            raise ValueError(f"code {code}, which is in use, needs lines other than those given")
        for other in [0, *kept[:position]]:
            if distance(code, other) < least_distance:
                raise ValueError(f"codes {other} and {code}, which are in use, are too close "
                                 "already")
    most = most_codes(lines.bit_count(), least_distance)
    if count > most:
        return Proposal((), most, proven=True)
    pool = [
        code
        for code in range(1, 256)
        if not code & ~lines
        and code not in taken
        and all(distance(code, other) >= least_distance for other in [0, *kept])
    ]
    found = _search(pool, count - len(kept), least_distance)
    if found is None:
        return Proposal((), most, proven=False)
    if len(found) < count - len(kept):
        return Proposal((), most, proven=True)
    return Proposal(tuple(sorted([*kept, *found][:count])), most, proven=True)


def add_codes(
    given: Iterable[int], count: int, lines: int = 0xFF, reserved: Iterable[int] = ()
) -> tuple[int, ...]:
    """`count` more codes on the lines in `lines`, ascending; fewer if there are no more.

    Each differs from all others in two lines, if there are as many such codes, and has two lines
    itself, if possible. Otherwise as many do as can be found. The given codes may be closer to one
    another, and may need other lines.
    """
    given = set(given)
    usable = {code for code in range(1, 256) if code & lines == code} - {*reserved}
    most = most_codes(lines.bit_count(), 2)

    def more(least: int, others: set[int], wanted: int) -> list[int]:
        pool = [
            code
            for code in sorted(usable - others)
            if all(distance(code, other) >= least for other in others)
        ]
        return _exchange(pool, wanted, least)[:wanted]

    for others in ({0} | given, given):
        if count <= most + 1 and len(found := more(2, others, count)) == count:
            return tuple(sorted(found))
    chosen: set[int] = set()
    for least, idle in ((2, {0}), (2, set()), (1, set())):
        chosen |= set(more(least, idle | given | chosen, count - len(chosen)))
    return tuple(sorted(chosen))


def _search(pool: Sequence[int], wanted: int, least: int) -> list[int] | None:
    """`wanted` codes out of the pool; fewer: proven impossible; None: gave up."""
    if wanted <= 0:
        return []
    found = _exchange(pool, wanted, least)
    if len(found) >= wanted:
        return found[:wanted]

    # Branch and bound over compatible codes: exact, unless the steps run out.
    steps = 0

    def grow(chosen: list[int], open_codes: list[int]) -> list[int] | None:
        nonlocal steps
        steps += 1
        if len(chosen) >= wanted:
            return chosen
        if steps > _SEARCH_STEPS:
            raise TimeoutError
        for position, code in enumerate(open_codes):
            if len(chosen) + len(open_codes) - position < wanted:
                return None
            rest = [c for c in open_codes[position + 1 :] if distance(c, code) >= least]
            found = grow([*chosen, code], rest)
            if found is not None:
                return found
        return None

    try:
        return grow([], list(pool)) or []
    except TimeoutError:
        return None


def _exchange(pool: Sequence[int], wanted: int, least: int) -> list[int]:
    """Greedy choice in ascending order, then exchanges of one code for one other at random, each
    followed by adding whatever fits; the largest choice met."""
    generator = random.Random(1)  # fixed, so that the same question has the same answer
    rivals = {a: {b for b in pool if b != a and distance(a, b) < least} for a in pool}
    chosen: set[int] = set()
    for code in pool:
        if not rivals[code] & chosen:
            chosen.add(code)
    best = sorted(chosen)
    recent: list[int] = []  # codes just thrown out stay out for a while
    for _ in range(_EXCHANGES):
        if len(best) >= wanted:
            break
        rest = [code for code in pool if code not in chosen and code not in recent]
        if not rest:
            recent.clear()
            continue
        fewest = min(len(rivals[code] & chosen) for code in rest)
        code = generator.choice([c for c in rest if len(rivals[c] & chosen) == fewest])
        thrown_out = rivals[code] & chosen
        chosen = (chosen - thrown_out) | {code}
        recent = [*recent, *thrown_out][-8:]
        if len(chosen) > len(best):
            best = sorted(chosen)
    return best
