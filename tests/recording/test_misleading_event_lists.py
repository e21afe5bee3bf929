"""Event lists that say something else than they seem to: nothing false is stated of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ferry_plan_and_command import run
from generator_files import session, write_log

from tallymark.cli.exit_codes import BAD_INPUT


class Listed:
    """A session of the generator as a list of events that a test changes."""

    def __init__(self, folder: Path, design: str) -> None:
        self.folder = folder
        self.made = session(design, "none", 5)
        recording = self.made.recording
        self.time = recording.sample / recording.rate
        self.code = recording.code.copy()
        self.width = recording.width / recording.rate

    def checked(self, column: str = "onset") -> Any:
        order = np.argsort(self.time, kind="stable")
        rows = [f"{self.time[row]:.6f}\t{self.code[row]}\n" for row in order]
        (self.folder / "list.tsv").write_text(f"{column}\tvalue\n" + "".join(rows))
        log = write_log(self.folder / "log.jsonl", self.made.log)
        return run("check", self.folder / "list.tsv", log, "--json")

    def said(self) -> Any:
        return json.loads(self.checked().stdout)


def test_a_row_of_zero_where_a_marker_is_missing_may_be_that_marker(tmp_path: Path) -> None:
    """Line 0 is inverted: markers of code 1 are rows of 0."""
    listed = Listed(tmp_path, "constant")
    alone = int((listed.code == 1).sum())
    listed.code ^= 1
    said = listed.said()
    assert said["counts"]["missed"] == 0
    assert alone <= said["counts"]["unknown"] <= alone + 3
    assert said["counts"]["altered"] >= 95


def test_a_marker_that_is_missing_without_a_row_of_zero_is_missed(tmp_path: Path) -> None:
    listed = Listed(tmp_path, "irregular")
    listed.time, listed.code = np.delete(listed.time, 50), np.delete(listed.code, 50)
    ends = listed.time + 0.01
    listed.time = np.concatenate((listed.time, ends))
    listed.code = np.concatenate((listed.code, np.zeros(len(ends), int)))
    assert listed.said()["counts"]["missed"] == 1


def test_rows_of_an_idle_that_an_inverted_line_makes_are_no_other_session(tmp_path: Path) -> None:
    listed = Listed(tmp_path, "irregular")
    listed.time = np.concatenate((listed.time, listed.time + listed.width))
    listed.code = np.concatenate((listed.code ^ 1, np.ones(len(listed.code), int)))
    said = listed.said()
    assert said["outcome"] == "wrong codes"
    assert said["counts"]["altered"] == 120


def test_steps_of_a_sample_are_no_loss_where_the_list_does_not_tell_the_sample(
    tmp_path: Path,
) -> None:
    """Markers every second, at a rate that is no whole number of hertz: their times step where one
    falls on the next sample."""
    listed = Listed(tmp_path, "oddball")
    listed.time = listed.time * 1.001
    said = listed.said()
    assert said["outcome"] == "samples not known"
    assert said["counts"]["arrived"] == 120


def test_a_step_of_more_than_any_sample_is_a_loss(tmp_path: Path) -> None:
    listed = Listed(tmp_path, "oddball")
    listed.time = listed.time * 1.001
    listed.time[60:] -= 0.1
    assert listed.said()["outcome"] == "samples missing"


def test_rows_that_are_there_twice_count_once(tmp_path: Path) -> None:
    listed = Listed(tmp_path, "oddball")
    once = listed.said()
    listed.time, listed.code = np.repeat(listed.time, 2), np.repeat(listed.code, 2)
    twice = listed.said()
    assert twice["counts"] == once["counts"]
    assert twice["counts"]["arrived"] >= 119


@pytest.mark.parametrize(("factor", "column"), [(1000.0, "onset"), (1.0, "onset_ms")])
def test_times_of_another_unit_are_no_other_session(
    tmp_path: Path, factor: float, column: str
) -> None:
    listed = Listed(tmp_path, "irregular")
    listed.time = listed.time * factor
    result = listed.checked(column)
    assert result.exit_code == BAD_INPUT
    assert "another unit" in result.output
