"""Plays many worlds, one seed after the other, and shows what was checked how often.

    campaign.py                      three million steps on all processors
    campaign.py --steps 200000       so many
    campaign.py --first 5000         begin at this seed
    campaign.py --seed 302           this seed alone; the script that breaks a promise is cut down
    campaign.py --seed -12           the same of a world with markers and sequences ahead
    campaign.py --seed 1000000012    the same of a world with probes
    campaign.py --only probes        worlds of one kind alone: usual, ahead or probes
    campaign.py --cut 0              how many scripts are cut down at the end (default: 3)
    campaign.py --promises FILE      put the table into the marked part of this document

Exits with 1 if a promise is broken; the script that breaks it is printed as a test.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import signal
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from campaign_result_tables import as_tables, put_into
from promise_errors import Broken
from script_reduction import as_test, promise_broken, shrunk
from scripts import play
from world_of_seed import PROBED, kind_of, script_of, world_of

LONGEST_S = 120
"""Real time for one world; it takes well under a second."""


def play_seed(seed: int) -> tuple[int, Counter[str], str | None]:
    """Counts of a world, and the promise that it breaks."""
    signal.signal(signal.SIGALRM, _too_long)
    signal.alarm(LONGEST_S)
    ppm, steps = script_of(seed)
    world = world_of(seed)(ppm)
    try:
        with world:
            play(world, steps)
    except Broken as broken:
        return seed, world.counts, str(broken)
    finally:
        signal.alarm(0)
    return seed, world.counts, None


def _too_long(_number: int, _frame: object) -> None:
    raise Broken("no-stuck-library", f"a world takes longer than {LONGEST_S} s")


def campaign(
    seeds: Iterator[int], jobs: int
) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Plays seeds; returns the counts and what was broken."""
    counts: Counter[str] = Counter()
    broken: list[tuple[int, str]] = []
    with multiprocessing.Pool(jobs) as pool:
        for seed, found, problem in pool.imap(play_seed, seeds, chunksize=9):
            counts += found
            counts["worlds"] += 1
            if problem is not None:
                broken.append((seed, problem))
                print(f"\rseed {seed} ({kind_of(seed)}): {problem}")
            if counts["worlds"] % 90 == 0:
                print(f"\r{counts['steps']:,} steps in {counts['worlds']:,} worlds", end="")
    print()
    return counts, broken


_KINDS: dict[str, Callable[[int], int]] = {
    "usual": lambda number: number,
    "ahead": lambda number: -1 - number,
    "probes": lambda number: PROBED + number,
}
"""Seeds of each kind of world."""


def _seeds(first: int, steps: int, only: str | None) -> Iterator[int]:
    """So many seeds; a world takes 80 steps and some. One in four is of markers and sequences
    ahead, one in eight has probes."""
    for number in range(first, first + max(1, steps // 81)):
        mixed = "ahead" if number % 4 == 3 else "probes" if number % 8 == 5 else "usual"
        yield _KINDS[only or mixed](number)


def show(seed: int) -> bool:
    """Plays one seed; prints the short script that breaks a promise. Whether all hold."""
    ppm, steps = script_of(seed)
    broken = promise_broken(ppm, steps, world_of(seed))
    if broken is None:
        print(f"seed {seed}: every promise holds")
        return True
    print(f"seed {seed}: {broken}\n")
    print(as_test(f"seed_{seed}", ppm, shrunk(ppm, steps, broken.promise, world_of(seed))))
    return False


def main() -> int:
    """See the module."""
    parser = argparse.ArgumentParser(description="One seed drives a whole world.")
    parser.add_argument("--steps", type=int, default=3_000_000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    parser.add_argument("--only", choices=_KINDS)
    parser.add_argument("--cut", type=int, default=3)
    parser.add_argument("--promises", type=Path)
    given = parser.parse_args()
    if given.seed is not None:
        return 0 if show(given.seed) else 1
    counts, broken = campaign(_seeds(given.first, given.steps, given.only), given.jobs)
    tables = as_tables(counts, Counter(text.split(":")[0] for _, text in broken))
    print(tables)
    if given.promises is not None:
        put_into(given.promises, tables)
    for seed, _ in broken[: given.cut]:
        show(seed)
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
