"""Every row of the mutants' tables still fits the file that it changes."""

from __future__ import annotations

import ast
import shlex
from pathlib import Path

import mutant_results
import pytest
import results_table
from mutant_results import Result
from mutant_runs import failed_test, only
from mutant_table import TABLES, Mutant, read_table
from mutant_table import Tests as Commands
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


def test_a_result_holds_while_what_it_was_seen_of_stays(monkeypatch):
    monkeypatch.setattr(mutant_results, "digest_of_file", lambda _: file)
    monkeypatch.setattr(mutant_results, "digest_of_tests", lambda _: tests)
    file = tests = "a"
    caught = mutant_results.result_of(row(), "caught", "tests/x.py::test_y", "c1")
    survived = mutant_results.result_of(row(), "survived", "", "c1")
    assert caught.holds(row())
    assert survived.holds(row())
    assert not caught.holds(row(replace="a > b"))
    tests = "b"
    assert caught.holds(row())
    assert not survived.holds(row())
    file = "b"
    assert not caught.holds(row())
    assert caught.same_row(row())


def test_a_row_has_one_result(tmp_path: Path):
    first, second = (Result("n", name, "r", "f", "t", "c", "") for name in ("survived", "caught"))
    other = Result("a", "caught", "r", "f", "t", "c", "tests/x.py::test_y[1 > 0] > a ring")
    for result in (first, other, second):
        mutant_results.put("x", result, tmp_path)
    assert mutant_results.read("x", tmp_path) == {"a": other, "n": second}


def test_the_tests_that_failed_are_run_again_alone():
    printed = "E   first failure: a ring's end\nFAILED tests/x.py::test_y[it's] - AssertionError"
    by = failed_test(printed)
    assert by == "tests/x.py::test_y[it's] > a ring's end"
    tests = Commands("x", (), ".venv/bin/python -m pytest tests", 1)
    assert failed_test("a compiler's error") == ""
    _, names, *command = shlex.split(only(tests, [by, "tests/x.py::test_z"]).run)
    assert names == "TALLYMARK_ONLY=a ring's end"
    assert command[-2:] == ["tests/x.py::test_y[it's]", "tests/x.py::test_z"]


def test_the_table_counts_rows_with_a_result_of_the_same_text(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(mutant_results, "digest_of_file", lambda _: "old")
    monkeypatch.setattr(mutant_results, "digest_of_tests", lambda _: "t")
    rows = [row(room="link", name=str(n)) for n in range(5)] + [row(equivalent="why", room="box")]
    kept = {
        rows[n]: mutant_results.result_of(rows[n], outcome, "", "c1")
        for n, outcome in enumerate(("caught", "survived", "slow"))
    }
    kept[rows[3]] = mutant_results.result_of(row(find="other"), "caught", "", "c2")
    path = tmp_path / "README.md"
    begin, end = results_table.BEGIN, results_table.END
    path.write_text(f"before\n{begin}\n{end}\nafter\n", encoding="utf-8")
    monkeypatch.setattr(mutant_results, "digest_of_file", lambda _: "new")
    for _ in range(2):
        results_table.put(path, rows, kept)
    assert path.read_text(encoding="utf-8").splitlines() == [
        "before",
        begin,
        results_table.HEAD,
        results_table.RULE,
        "| box | 1 | 1 | 0 | 0 | - | 0 |  |",
        "| link | 5 | 0 | 3 | 2 | 66.7 % | 3 | c1 |",
        "| all | 6 | 1 | 3 | 2 | 66.7 % | 3 | c1 |",
        end,
        "after",
    ]


def test_a_document_without_the_section_is_noticed(tmp_path: Path):
    path = tmp_path / "README.md"
    path.write_text("no section\n", encoding="utf-8")
    with pytest.raises(ValueError, match="no section"):
        results_table.put(path, [], {})
