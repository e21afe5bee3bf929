"""Recorded marker, sent marker and true onset together: screen, JSON, events.tsv, report."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from tallymark import cli, markerlog

PLAN = """
name = "Ferry"
[session]
width_us = 4000
[[event]]
name = "ferry in sight"
code = 12
probe = "light"
[[event]]
name = "horn"
code = 36
probe = "sound"
[[event]]
name = "deckhand nods"
code = 7
"""


def run(*words: object, code: int = 0) -> str:
    done = CliRunner().invoke(cli.main, list(map(str, words)))
    assert done.exit_code == code, done.output
    return str(done.stdout)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict]:
    folder = tmp_path_factory.mktemp("delays")
    (folder / "ferry.toml").write_text(PLAN)
    truth = run("practice", folder / "ferry.toml", folder / "a.edf", folder / "a.jsonl",
                "--markers", 300, "--dropped-frames", 3, "--refresh", 50, "--display-lag", "30ms",
                "--seed", 3, "--json")
    return folder, json.loads(truth)


def test_what_practice_planted_is_found(made) -> None:
    folder, truth = made
    data = json.loads(run("delay", folder / "a.jsonl", "--plan", folder / "ferry.toml", "--json",
                          code=1))
    markers = markerlog.read(folder / "a.jsonl").markers
    lights = [n for n in truth["late_stimuli"] if markers[n - 1].code == 12]
    light = next(probe for probe in data["probes"] if probe["probe"] == "light")
    assert lights
    assert [row["marker"] + 1 for row in light["markers"] if row["off_us"]] == lights
    # 30 ms of lag, half of the lines (96 % of 20 ms), half of 2 ms of rise; 0.3 ms for some bytes
    assert light["all"]["mean_us"] == pytest.approx(40_600, abs=300)


def test_the_check_says_it_and_writes_columns_of_its_own(made, tmp_path) -> None:
    folder, truth = made
    words = ("check", folder / "a.edf", folder / "a.jsonl", "--plan", folder / "ferry.toml")
    text = run(*words, "--events", tmp_path / "e.tsv", "--report", tmp_path / "r.html")
    assert "The light came 40.6 ms (SD 0.00) after the marker; " in text
    assert "The light came 40.6 ms (SD 0.00) after the marker; " in (
        tmp_path / "r.html").read_text(encoding="utf-8")
    rows = list(csv.DictReader((tmp_path / "e.tsv").open(), delimiter="\t"))
    assert len(rows) == 300
    markers = markerlog.read(folder / "a.jsonl").markers
    for row, marker in zip(rows, markers, strict=True):
        assert int(row["value"]) == marker.code
        probe = {12: "light", 36: "sound", 7: "n/a"}[marker.code]
        assert row["stimulus_probe"] == probe
        if probe == "n/a":
            assert row["stimulus_onset"] == row["stimulus_delay"] == "n/a"
        else:
            later = float(row["stimulus_onset"]) - float(row["onset"])
            assert later == pytest.approx(float(row["stimulus_delay"]), abs=2e-6)
    lights = [row for row, marker in zip(rows, markers, strict=True) if marker.code == 12]
    late = [float(row["stimulus_delay"]) > 0.055 for row in lights]
    numbers = [n for n, marker in enumerate(markers, 1) if marker.code == 12]
    assert [n for n, is_late in zip(numbers, late, strict=True) if is_late] == [
        n for n in truth["late_stimuli"] if n in numbers]
    sidecar = json.loads((tmp_path / "e.json").read_text())
    assert sidecar["stimulus_delay"]["Units"] == "s"
    data = json.loads(run(*words, "--json"))
    assert {probe["probe"] for probe in data["delays"]["probes"]} == {"light", "sound"}


def test_without_probes_nothing_is_added(made, tmp_path) -> None:
    folder, _ = made
    (tmp_path / "bare.toml").write_text(PLAN.replace('probe = "light"\n', "").replace(
        'probe = "sound"\n', ""))
    words = ("check", folder / "a.edf", folder / "a.jsonl", "--plan", tmp_path / "bare.toml")
    text = run(*words, "--events", tmp_path / "e.tsv")
    assert "after the marker" not in text
    header = (tmp_path / "e.tsv").read_text().splitlines()[0]
    assert "stimulus" not in header
    assert "delays" not in json.loads(run(*words, "--json"))
