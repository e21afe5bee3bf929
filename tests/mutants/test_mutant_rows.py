"""Every row of the mutants' tables still fits the file that it changes."""

from __future__ import annotations

import ast
from collections import Counter
from pathlib import Path

import pytest
import results_table
from mutant_table import TABLES, Mutant, read_table
from scratch_copy import ROOT


@pytest.mark.parametrize("path", sorted(TABLES.glob("*.toml")), ids=lambda path: path.stem)
def test_each_row_applies_once(path):
    problems = []
    for mutant in read_table(path):
        try:
            bad = mutant.apply((ROOT / mutant.file).read_text(encoding="utf-8"))
            if mutant.file.endswith(".py"):
                ast.parse(bad)
        except (ValueError, OSError, SyntaxError) as error:
            problems.append(f"{mutant.name}: {error}")
    assert problems == []


def row(**changes: str) -> Mutant:
    fields = {"room": "x", "name": "n", "file": "f", "find": "a < b", "replace": "a <= b"}
    return Mutant(tests=None, **fields | changes)


def test_a_row_that_does_not_fit_is_noticed():
    assert row().apply("if (a < b)") == "if (a <= b)"
    for text in ("", "if (a < b || a < b)"):
        with pytest.raises(ValueError, match="times"):
            row().apply(text)
    with pytest.raises(ValueError, match="nothing"):
        row(replace="a < b").apply("if (a < b)")


def test_a_run_replaces_the_lines_of_its_rooms_alone(tmp_path: Path):
    path = tmp_path / "README.md"
    begin, end = results_table.BEGIN, results_table.END
    path.write_text(f"before\n{begin}\n{end}\nafter\n", encoding="utf-8")
    results_table.put(path, {"link": Counter(caught=1, survived=1)}, "c1")
    results_table.put(path, {"box": Counter(caught=2, slow=1, survived=1, equivalent=3)}, "c2")
    results_table.put(path, {"link": Counter({"caught": 2, "not run": 5})}, "c3")
    assert path.read_text(encoding="utf-8").splitlines() == [
        "before",
        begin,
        results_table.HEAD,
        results_table.RULE,
        "| box | 7 | 3 | 4 | 3 | 75.0 % | c2 |",
        "| link | 7 | 0 | 2 | 2 | 100.0 % | c3 |",
        end,
        "after",
    ]


def test_a_document_without_the_section_is_noticed(tmp_path: Path):
    path = tmp_path / "README.md"
    path.write_text("no section\n", encoding="utf-8")
    with pytest.raises(ValueError, match="no section"):
        results_table.put(path, {}, "c1")
