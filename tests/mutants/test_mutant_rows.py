"""Every row of the mutants' tables still fits the file that it changes."""

from __future__ import annotations

import ast

import pytest
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
