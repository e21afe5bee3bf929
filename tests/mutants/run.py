"""Puts each mutant into a copy of the checkout, alone, and sees whether the tests notice.

    run.py                       all mutants of all rooms whose kept result no longer holds
    run.py --again               those whose result holds as well
    run.py --new                 only those that have no result yet, or survived
    run.py --room core           one room (may be repeated)
    run.py --sample 100          so many whose catching test is known, drawn by --seed or the commit
    run.py --name 'text'         those whose name or file has the text in it
    run.py --generated TABLE     those of a table that a program made; nothing is kept
    run.py --write               runs nothing: what is kept goes into README.md

caught    a test failed, or the mutant did not build
slow      the tests took longer than their limit: caught, but told apart
survived  every test passed: a hole in the tests
stale     the row no longer fits the file: mend the table

Mutants count only where the tests pass without any, which is tried first. The test that caught a
row last time goes first; if it passes now, all of the row's tests are run. Rows that are marked
equivalent are listed and not run. Results are kept in results/ (see mutant_results.py). Writes
build/mutants.json; exits with 1 if a row is stale, the tests fail without a mutant, or less than
--least percent are caught.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
from collections import Counter
from pathlib import Path

import mutant_results
import results_table
from mutant_results import CAUGHT, EQUIVALENT, NOT_RUN, SLOW, STALE, SURVIVED, Result
from mutant_runs import Campaign, Outcome
from mutant_table import Mutant, read_table, read_tables
from scratch_copy import ROOT

HERE = Path(__file__).resolve().parent


def table_of(outcomes: list[Outcome]) -> str:
    """A line for each room, and one for all."""
    columns = (CAUGHT, SLOW, SURVIVED, EQUIVALENT, STALE, NOT_RUN)
    rooms = sorted({outcome.mutant.room for outcome in outcomes})
    lines = ["room".ljust(14) + "".join(name.rjust(11) for name in (*columns, "caught of"))]
    for room in (*rooms, "all"):
        counts = Counter(each.outcome for each in outcomes if room in (each.mutant.room, "all"))
        lines.append(
            room.ljust(14)
            + "".join(str(counts[name]).rjust(11) for name in columns)
            + f"{share(counts):9.1f} %"
        )
    return "\n".join(lines)


def share(counts: Counter[str]) -> float:
    """Percent caught of those that were run."""
    caught = counts[CAUGHT] + counts[SLOW]
    return 100 * caught / max(1, caught + counts[SURVIVED])


def commit() -> str:
    """The commit's name, which draws its sample."""
    done = subprocess.run(
        ["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return done.stdout.strip()[:10]


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--room", action="append", help="a table's name without .toml")
    parser.add_argument("--generated", type=Path, help="a table that a program made")
    parser.add_argument("--name", help="only mutants with this in their name or file")
    parser.add_argument("--sample", type=int, help="only so many, drawn at random")
    parser.add_argument("--seed", help="of the draw; default: the commit")
    parser.add_argument("--again", action="store_true", help="those whose result holds as well")
    parser.add_argument("--new", action="store_true", help="only those not yet seen to be caught")
    parser.add_argument("--minutes", type=float, help="begin no mutant after this time")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--least", type=float, default=95.0, help="percent; default: 95")
    parser.add_argument("--write", action="store_true", help="only put what is kept into README.md")
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "mutants.json")
    return parser.parse_args()


def kept_results(mutants: list[Mutant]) -> dict[Mutant, Result]:
    """The last result of each mutant that has one."""
    rooms = {room: mutant_results.read(room) for room in {mutant.room for mutant in mutants}}
    return {m: rooms[m.room][m.name] for m in mutants if m.name in rooms[m.room]}


def choose(options: argparse.Namespace) -> tuple[list[Mutant], dict[Mutant, Result]]:
    """The mutants that the options ask for, and the last results of those that have one."""
    if options.generated:
        return read_table(options.generated), {}
    mutants = read_tables(options.room)
    if options.name:
        mutants = [m for m in mutants if options.name in m.name or options.name in m.file]
    kept = kept_results(mutants)
    if options.sample is not None:
        seed = options.seed or commit()
        quick = [mutant for mutant in mutants if mutant in kept and kept[mutant].by]
        print(f"A sample of {options.sample} of {len(quick)} mutants, drawn with --seed {seed}")
        return random.Random(seed).sample(quick, min(options.sample, len(quick))), kept
    if options.new:
        caught = {m for m in kept if kept[m].same_row(m) and kept[m].outcome != SURVIVED}
        return [m for m in mutants if m not in caught], kept
    if not options.again:
        begun = len(mutants)
        mutants = [m for m in mutants if m not in kept or not kept[m].holds(m)]
        print(f"{begun - len(mutants)} of {begun} results hold and are not repeated")
    return mutants, kept


def write(outcomes: list[Outcome], path: Path) -> None:
    """The outcomes as JSON, for whoever wants to count them in another way."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [
        {
            "room": each.mutant.room,
            "name": each.mutant.name,
            "file": each.mutant.file,
            "outcome": each.outcome,
            "by": each.by,
            "seconds": round(each.seconds, 2),
            "equivalent": each.mutant.equivalent,
        }
        for each in outcomes
    ]
    path.write_text(json.dumps(rows, indent=1) + "\n", encoding="utf-8")


def main() -> int:
    options = arguments()
    if options.write:
        mutants = read_tables()
        results_table.put(HERE / "README.md", mutants, kept_results(mutants))
        return 0
    mutants, kept = choose(options)
    if not mutants:
        print("Nothing to run")
        return 0
    at = commit()

    def keep(outcome: Outcome) -> None:
        if outcome.outcome in (CAUGHT, SLOW, SURVIVED):
            mutant = outcome.mutant
            result = mutant_results.result_of(mutant, outcome.outcome, outcome.by, at)
            mutant_results.put(mutant.room, result)

    known = {mutant: result.by for mutant, result in kept.items() if result.by}
    keeps = options.generated is None and options.sample is None
    campaign = Campaign(options.jobs, options.minutes, known, keep if keeps else lambda _: None)
    outcomes = campaign.run(mutants)
    write(outcomes, options.out)
    print("\n" + table_of(outcomes))
    for wanted in (SURVIVED, STALE):
        for each in outcomes:
            if each.outcome == wanted:
                print(f"{wanted}: {each.mutant.room}: {each.mutant.name}")
    counts = Counter(each.outcome for each in outcomes)
    if counts[NOT_RUN]:
        print(f"{counts[NOT_RUN]} were not run: the time was up, or their tests fail without them")
    bad = counts[STALE] or campaign.failing or share(counts) < options.least
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
