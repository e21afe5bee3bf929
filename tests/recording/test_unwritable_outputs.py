"""Reports and events that can't be written: the result is shown, and the error says what happened.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from ferry_plan_and_command import run
from generator_files import session, status, write_bdf, write_log

from tallymark.cli import exit_codes


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    made = session("irregular", "none", 5)
    recording = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    return recording, write_log(tmp_path / "made.jsonl", made.log, None)


@pytest.mark.parametrize("option", ["--report", "--events"])
def test_the_result_is_shown_though_a_file_is_not_written(
    files: tuple[Path, Path], tmp_path: Path, option: str
) -> None:
    target = tmp_path / "none" / ("a.html" if option == "--report" else "a_events.tsv")
    done = run("check", *files, option, target)
    assert done.stdout.splitlines()[0] == "All markers arrived"
    assert f"{target} can't be written (No such file or directory)" in " ".join(
        done.stderr.split()
    )
    assert "lines may not be" not in done.stderr
    assert done.exit_code == exit_codes.BAD_INPUT
    told = run("check", *files, option, target, "--json")
    assert json.loads(told.stdout)["outcome"] == "all arrived"
    assert told.exit_code == exit_codes.BAD_INPUT


def test_the_verdict_stays_the_exit_code_where_it_is_not_good(tmp_path: Path) -> None:
    made = session("irregular", "missing", 5)
    recording = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    log = write_log(tmp_path / "made.jsonl", made.log, None)
    done = run("check", recording, log, "--report", tmp_path / "none" / "a.html")
    assert done.exit_code == exit_codes.CHECK["markers missing"]


def test_half_a_table_is_taken_away(files: tuple[Path, Path], tmp_path: Path) -> None:
    """Its sidecar can't be written."""
    target = tmp_path / "a_events.tsv"
    target.with_suffix(".json").symlink_to(tmp_path / "none" / "a.json")
    done = run("log", "events", files[1], target)
    assert done.exit_code == exit_codes.BAD_INPUT
    assert "a_events.json can't be written" in " ".join((done.stdout + done.stderr).split())
    assert not target.exists()


def test_one_report_is_written_though_the_events_are_not(
    files: tuple[Path, Path], tmp_path: Path
) -> None:
    report = tmp_path / "a.html"
    done = run("check", *files, "--events", tmp_path / "none" / "a.tsv", "--report", report)
    assert report.exists()
    assert f"written: {report}" in done.stdout
