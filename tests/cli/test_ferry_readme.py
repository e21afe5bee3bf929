"""The commands in the example's README run as written."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from command_result import Run

from tallymark.cli import exit_codes

TOP = Path(__file__).parents[2]
README = TOP / "host/examples/ferry/README.md"


def test_the_commands_work_from_the_top_of_the_repository(
    run: Run, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "host").symlink_to(TOP / "host")
    monkeypatch.chdir(tmp_path)
    commands = [
        line.split(None, 1)[1]
        for line in README.read_text(encoding="utf-8").splitlines()
        if line.startswith("    tallymark ")
    ]
    codes = [run(*shlex.split(command)).code for command in commands]
    # Line 3 is open in the practice recording, and the check finds it.
    assert codes == [0, 0, exit_codes.CHECK["wrong codes"]]
    assert (tmp_path / "report.html").exists()
