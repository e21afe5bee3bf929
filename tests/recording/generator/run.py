"""Runs the check on made-up recordings of fresh seeds and prints what came out, class by class.

    python tests/recording/generator/run.py COUNT [SEED] [--document FILE]

With --document, the table of damages is written into that Markdown file, between its two comments.
Prints a table of right, unknown and false verdicts, how many of the markers that can be known are
known (a sample, by the oracle), and how often what was stated with a given doubt was wrong. Fails
if more than one in a thousand recordings holds a false verdict given as certain, or if less than
99 % of the markers that can be known are.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from rich.console import Console
from rich.table import Table

from generator.cases import Case, cases
from generator.judge import Judged, judge
from generator.knowable_markers import knowable

BANDS = (0.0, 1e-9, 1e-7, 1e-5, 1e-3, 1e-1, 1.0001)
ORACLE_EVERY = 5
MOST_FALSE, LEAST_KNOWN = 1e-3, 0.99


@dataclass
class Row:
    """Sums over the recordings of a class."""

    recordings: int = 0
    right: int = 0
    unknown: int = 0
    false: int = 0
    false_recordings: int = 0
    drift_off: int = 0
    knowable: int = 0
    known: int = 0

    def add(self, judged: Judged, can_be: np.ndarray | None) -> None:
        """Count one recording."""
        self.recordings += 1
        self.right += judged.right
        self.unknown += judged.unknown
        self.false += judged.false + judged.false_extra
        self.false_recordings += judged.holds_false
        self.drift_off += not judged.drift_ok
        if can_be is not None:
            self.knowable += int(can_be.sum())
            self.known += int((can_be & judged.is_right).sum())


@dataclass
class Tally:
    """All results of a run."""

    by_damage: dict[str, Row] = field(default_factory=lambda: defaultdict(Row))
    by_design: dict[str, Row] = field(default_factory=lambda: defaultdict(Row))
    total: Row = field(default_factory=Row)
    bands: np.ndarray = field(default_factory=lambda: np.zeros((len(BANDS) - 1, 3), int))
    false: list[str] = field(default_factory=list)

    def add(self, case: Case, oracle: bool) -> None:
        """Judge one recording."""
        judged = judge(case)
        can_be = None
        if oracle and len(judged.is_right) == len(case.log.time):
            can_be = knowable(case)
        for row in (self.by_damage[case.damage], self.by_design[case.design], self.total):
            row.add(judged, can_be)
        if judged.holds_false:
            self.false.append(
                f"seed {case.seed}, {case.design}, {case.damage}: {judged.false} markers, "
                f"{judged.false_extra} events, session {judged.session}"
            )
        for band in range(len(self.bands)):
            inside = (judged.doubt >= BANDS[band]) & (judged.doubt < BANDS[band + 1])
            wrong = inside & judged.wrong
            self.bands[band] += (inside.any(), wrong.any(), wrong.sum())


def tally(count: int, seed: int, oracle_every: int = ORACLE_EVERY) -> Tally:
    """Judge `count` recordings; the oracle looks at one in `oracle_every`, at none if that is 0."""
    result = Tally()
    for number, case in enumerate(cases(seed, count)):
        result.add(case, oracle_every > 0 and number % oracle_every == 0)
    return result


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.2f} %" if whole else "-"


def _false(row: Row) -> str:
    """False verdicts in words: of markers and events, or of the session as a whole."""
    if not row.false_recordings:
        return "0"
    what = f"{row.false}" if row.false else "the session"
    return f"{what}, in {row.false_recordings} recording{'s' * (row.false_recordings > 1)}"


def show(result: Tally, console: Console) -> None:
    """Print the tables."""
    for title, rows in (("damage", result.by_damage), ("design", result.by_design)):
        table = Table(title, "recordings", "right", "can't be known", "false", "with a false one")
        table.add_column("of the knowable, known")
        table.add_column("drift beyond its bound")
        for name, row in [*rows.items(), ("all", result.total)]:
            markers = row.right + row.unknown + row.false
            table.add_row(
                name,
                f"{row.recordings}",
                _share(row.right, markers),
                _share(row.unknown, markers),
                f"{row.false}",
                f"{row.false_recordings}",
                _share(row.known, row.knowable),
                f"{row.drift_off}",
            )
        console.print(table)
    table = Table("stated doubt", "recordings", "of these with a wrong one", "wrong markers")
    for band, (some, wrong, markers) in enumerate(result.bands):
        table.add_row(
            f"{BANDS[band]:g} to {min(BANDS[band + 1], 1):g}", f"{some}", f"{wrong}", f"{markers}"
        )
    console.print(table)
    for line in result.false:
        console.print(f"False: {line}")


BEGIN, END = "<!-- written by make proof -->\n", "<!-- end of what make proof wrote -->\n"


def write_document(result: Tally, seed: int, path: Path) -> None:
    """Put the table of damages into a Markdown file."""
    total = result.total
    lines = [
        f"{total.recordings} recordings of seed {seed}; {total.false_recordings} of them hold a "
        "false verdict that was given as certain.",
        "",
        "| damage | recordings | right | can't be known | false | of the knowable, known |",
        "|---|---|---|---|---|---|",
    ]
    for name, row in [*sorted(result.by_damage.items()), ("all", total)]:
        markers = row.right + row.unknown + row.false
        cells = [
            name.replace("_", " "),
            f"{row.recordings}",
            _share(row.right, markers),
            _share(row.unknown, markers),
            _false(row),
            _share(row.known, row.knowable),
        ]
        lines.append(f"| {' | '.join(cells)} |")
    text = path.read_text(encoding="utf-8")
    before, rest = text.split(BEGIN)
    _, after = rest.split(END)
    made = "\n".join(lines) + "\n"
    path.write_text(f"{before}{BEGIN}\n{made}\n{END}{after}", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("count", type=int)
    parser.add_argument("seed", type=int, nargs="?", default=int(time.time()))
    parser.add_argument("--document", type=Path)
    asked = parser.parse_args()
    count, seed = asked.count, asked.seed
    console = Console(width=None if sys.stdout.isatty() else 150)
    console.print(f"{count} recordings, seed {seed}")
    result = tally(count, seed)
    show(result, console)
    if asked.document:
        write_document(result, seed, asked.document)
    total = result.total
    if total.false_recordings > max(MOST_FALSE * count, 0):
        sys.exit("Too many recordings hold a false verdict that was given as certain.")
    if total.knowable and total.known < LEAST_KNOWN * total.knowable:
        sys.exit("Too few of the markers that can be known are known.")


if __name__ == "__main__":
    main()
