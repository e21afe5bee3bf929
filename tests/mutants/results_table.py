"""The table of results in README.md: one line a room, from the results that are kept."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from mutant_results import CAUGHT, SLOW, SURVIVED, Result
from mutant_table import Mutant

BEGIN = "<!-- results: begin -->"
END = "<!-- results: end -->"
HEAD = "| room | rows | equivalent | run | caught | caught of run | since changed | at commits |"
RULE = "| --- | ---: | ---: | ---: | ---: | ---: | ---: | --- |"


def line_of(name: str, mutants: Sequence[Mutant], kept: Mapping[Mutant, Result]) -> str:
    """The line of a room, or of all."""
    counted = {
        mutant: kept[mutant]
        for mutant in mutants
        if mutant.equivalent is None and mutant in kept and kept[mutant].same_row(mutant)
    }
    outcomes = Counter(result.outcome for result in counted.values())
    caught = outcomes[CAUGHT] + outcomes[SLOW]
    run = caught + outcomes[SURVIVED]
    share = f"{100 * caught / run:.1f} %" if run else "-"
    changed = sum(not result.holds(mutant) for mutant, result in counted.items())
    equivalent = sum(mutant.equivalent is not None for mutant in mutants)
    commits = sorted({result.commit for result in counted.values()})
    at = ", ".join(commits) if len(commits) <= 3 else f"{len(commits)} commits"
    cells = (name, len(mutants), equivalent, run, caught, share, changed, at)
    return "| " + " | ".join(map(str, cells)) + " |"


def put(path: Path, mutants: Sequence[Mutant], kept: Mapping[Mutant, Result]) -> None:
    """Replaces the table in a document. ValueError for a document without the marked section."""
    text = path.read_text(encoding="utf-8")
    found = re.fullmatch(f"(.*{BEGIN}\n)(.*)({END}.*)", text, re.DOTALL)
    if found is None:
        raise ValueError(f"{path} has no section between {BEGIN} and {END}")
    before, _, after = found.groups()
    rooms = sorted({mutant.room for mutant in mutants})
    lines = [line_of(room, [m for m in mutants if m.room == room], kept) for room in rooms]
    section = "\n".join([HEAD, RULE, *lines, line_of("all", mutants, kept)])
    path.write_text(f"{before}{section}\n{after}", encoding="utf-8")
