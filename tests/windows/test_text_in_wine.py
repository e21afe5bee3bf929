"""Names with umlauts, and output in code pages that lack letters."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from wine import Wine

PLAN = (
    'name = "Fähre über den Fluß"\n[session]\nwidth_us = 20000\n'
    '[[event]]\nname = "Möwe"\ncode = 36\n[[event]]\nname = "Žluťoučký → 鴎"\ncode = 12\n'
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder as on a lab's computer."""
    made = tmp_path / "Größe & Übung (日本)"
    made.mkdir()
    (made / "Plän.toml").write_text(PLAN, "utf-8")
    return made


def test_a_session_in_a_folder_with_umlauts(wine: Wine, folder: Path) -> None:
    plan, recording, log = (wine.path(folder / name) for name in
                            ("Plän.toml", "Aufnähme.edf", "Sitzüng.jsonl"))
    made = wine.tallymark("practice", plan, recording, log)
    assert made.returncode == 0, made.stderr
    report = wine.path(folder / "Bericht für alle.html")
    checked = wine.tallymark("check", recording, log, "--plan", plan, "--report", report)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "Möwe" in (folder / "Bericht für alle.html").read_text("utf-8")
    names = {json.loads(line).get("name") for line in
             (folder / "Sitzüng.jsonl").read_text("utf-8").splitlines()}
    assert {"Möwe", "Žluťoučký → 鴎"} <= names


@pytest.mark.parametrize("page", ["cp1252", "cp437"])
def test_json_is_utf_8_in_every_code_page(wine: Wine, folder: Path, page: str) -> None:
    ran = wine.tallymark("pulse", "Žluťoučký → 鴎", "--plan", wine.path(folder / "Plän.toml"),
                         "--box", "virtual", "--json", env={"PYTHONIOENCODING": page})
    assert json.loads(ran.stdout)["markers"][0]["code"] == 12, ran.stderr
    ran = wine.tallymark("plan", "check", wine.path(folder / "Plän.toml"), "--json",
                         env={"PYTHONIOENCODING": page})
    assert json.loads(ran.stdout)["plan"] == "Fähre über den Fluß", ran.stderr


@pytest.mark.parametrize("page", ["cp1252", "cp437"])
def test_good_and_bad_look_different(wine: Wine, page: str) -> None:
    """A tick and a cross are in neither code page."""
    signs = []
    for box in ("virtual", "virtual://?fault=swapped:0,1"):
        ran = wine.tallymark("selftest", "--box", box, encoding=page,
                             env={"PYTHONIOENCODING": page})
        (line,) = (each for each in ran.stdout.splitlines() if "ault" in each and each[1:2] == " ")
        signs.append(line[0])
        assert "?" not in ran.stdout.replace(box, ""), ran.stdout
    assert signs == ["+", "x"]
