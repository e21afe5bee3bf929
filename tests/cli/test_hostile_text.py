"""Control characters from outside are shown, never obeyed; JSON is UTF-8, for errors too."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from command_result import Run

from tallymark.cli import exit_codes
from tallymark.cli.safe_console import visible

HOSTILE = "quay\x1b]0;owned\x07\x1b[2J\x9b31m\u202egnp.exe\r"
RAW = set(map(chr, [*range(9), *range(11, 32), *range(127, 160)])) | {"\u202e"}


def test_what_is_escaped() -> None:
    assert visible("a\x1bb\x9bc\u202ed\te\nf·é✗") == "a\\x1bb\\x9bc\\u202ed\te\nf·é✗"


@pytest.mark.parametrize("args", [("plan", "check", "PLAN"), ("plan", "codes", "PLAN")])
def test_a_plan_with_a_hostile_name(run: Run, tmp_path: Path, args: tuple[str, ...]) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(f"name = {json.dumps(HOSTILE)}\n[[event]]\nname = {json.dumps(HOSTILE)}\n"
                    "code = 5\n", encoding="utf-8")
    ran = run(*(str(plan) if arg == "PLAN" else arg for arg in args))
    assert not RAW & set(ran.out + ran.err)


def test_a_hostile_file_name_in_an_error(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a\x1b[31mb.toml"
    path.write_text("no plan")
    ran = run("plan", "check", path)
    assert ran.code == exit_codes.BAD_INPUT
    assert "\\x1b[31m" in ran.words
    assert not RAW & set(ran.out + ran.err)


def test_a_hostile_settings_file(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.toml"
    path.write_text(f"name = {json.dumps(HOSTILE)}\n", encoding="utf-8")
    ran = run("settings", "load", path, "--box", "virtual")
    assert ran.code == exit_codes.BAD_INPUT
    assert not RAW & set(ran.out + ran.err)


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (("pulse", "0", "--box", "virtual", "--json"), exit_codes.BAD_INPUT),
        (("pulse", "x", "--box", "virtual", "--json"), exit_codes.BAD_INPUT),
        (("show", "--box", "/dev/no-such-port", "--json"), exit_codes.NOT_OPENED),
        (("plan", "check", "no-such-file", "--json"), exit_codes.BAD_INPUT),
    ],
)
def test_an_error_is_json_where_json_was_asked_for(run: Run, args: tuple[str, ...], code: int
                                                   ) -> None:
    ran = run(*args)
    assert ran.code == code
    error = json.loads(ran.out)
    assert error["exit_code"] == code
    assert error["error"]


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_json_is_utf_8_on_any_console(tmp_path: Path, encoding: str) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text('name = "Fähre ✗"\n[[event]]\nname = "Säule"\ncode = 5\n'
                    "width_us = 5000\n", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", "from tallymark.cli import main; main()", "plan", "check",
         str(plan), "--json"],
        capture_output=True, env={**os.environ, "PYTHONIOENCODING": encoding},
    )
    assert "Fähre ✗" in json.dumps(json.loads(done.stdout.decode("utf-8")), ensure_ascii=False)


def test_an_internal_error_speaks_of_lines_only_where_a_box_was_open(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from tallymark.cli import common

    monkeypatch.setattr(common, "_used", [])
    monkeypatch.delenv("TALLYMARK_TRACE", raising=False)

    def fail(*_: object) -> None:
        raise RuntimeError("planted")

    monkeypatch.setattr("tallymark.plan.load", fail)
    plan = tmp_path / "plan.toml"
    plan.write_text('name = "a"\n')
    ran = run("plan", "check", plan)
    assert ran.code == exit_codes.FAULT
    assert "planted" in ran.words
    assert "lines may not be at idle" not in ran.words
    monkeypatch.setattr("tallymark.box.box.Box.pulse", fail)
    ran = run("pulse", "5", "--box", "virtual")
    assert "The lines may not be at idle" in ran.words
