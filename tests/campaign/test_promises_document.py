"""PROMISES.md names every promise of the campaign, and its links and names lead somewhere."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path

import planted_bugs
import pytest
from campaign_result_tables import BEGIN, CHECKED_BY, END, as_tables, put_into

try:
    import tomllib
except ModuleNotFoundError:  # Python 3.10
    import tomli as tomllib

ROOT = Path(__file__).resolve().parents[2]
DOCUMENT = ROOT / "PROMISES.md"
TEXT = DOCUMENT.read_text(encoding="utf-8")
PROMISED, REST = TEXT.split("## What is not promised")
SECTIONS = dict(re.findall(r"^### (\S+)\n(.*?)(?=^###|\Z)", PROMISED, re.MULTILINE | re.DOTALL))


def names_behind(word: str, text: str) -> list[str]:
    """The names in code marks behind a word, up to the end of its sentence."""
    found = re.search(rf"{word}: ((?:`[^`]+`(?:,\s+)?)+)", text)
    return re.findall(r"`([^`]+)`", found[1]) if found else []


def mutants() -> set[str]:
    """All names in the tables of mutants."""
    return {
        row["name"]
        for table in (ROOT / "tests/mutants/table").glob("*.toml")
        for row in tomllib.loads(table.read_text(encoding="utf-8"))["mutant"]
    }


def test_the_document_has_the_promises_of_the_campaign():
    assert list(SECTIONS) == list(CHECKED_BY)


def test_links_lead_to_files():
    for target in re.findall(r"\]\(([^)]+)\)", TEXT):
        assert (ROOT / target).is_file(), target


@pytest.mark.parametrize("promise", SECTIONS)
def test_a_promise_is_held_by_tests_and_by_bugs_that_they_find(promise):
    text = SECTIONS[promise]
    assert re.search(r"Tests: \[", text)
    bugs, rows = names_behind("Planted bugs", text), names_behind("Mutants", text)
    assert bugs or rows
    known = {bug.__name__: held for bug, (held, _) in planted_bugs.PLANTED.items()}
    assert {known.get(bug) for bug in bugs} <= {promise}
    assert set(rows) <= mutants()


def test_every_planted_bug_is_named():
    named = {bug for text in SECTIONS.values() for bug in names_behind("Planted bugs", text)}
    assert named == {bug.__name__ for bug in planted_bugs.PLANTED}


def test_the_table_is_one_that_a_campaign_has_made():
    table = TEXT.partition(BEGIN)[2].partition(END)[0]
    rows = dict(re.findall(r"^\| (\S+) \| ([\d,]+) \| 0 \|$", table, re.MULTILINE))
    assert list(rows) == list(CHECKED_BY)
    assert all(checked != "0" for checked in rows.values())


def test_tables_go_between_the_marks(tmp_path):
    path = tmp_path / "document.md"
    path.write_text(f"before\n{BEGIN}\nold\n{END}\nbehind\n")
    tables = as_tables(Counter(steps=7, worlds=1), Counter({"log-true": 2}))
    put_into(path, tables)
    assert path.read_text() == f"before\n{BEGIN}\n{tables}{END}\nbehind\n"
    assert "| log-true | 0 | 2 |" in tables
    path.write_text("no marks")
    with pytest.raises(ValueError, match="no part"):
        put_into(path, tables)
