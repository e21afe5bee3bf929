"""What the user says of screen and program gets into the sidecar as BIDS has it, and nothing else
does. The validator of BIDS is the witness."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from tallymark import cli
from tallymark.common.errors import BadValue
from tallymark.recording.bids_stimulus_fields import FIELDS, read

PLAN = Path(__file__).parents[2] / "host/examples/ferry/plan.toml"
VALIDATOR = Path(sys.executable).with_name("bids-validator-deno")
ALL = {
    "OperatingSystem": "the ship's own",
    "ScreenDistance": 0.7,
    "ScreenOrigin": ["top", "left"],
    "ScreenRefreshRate": 60,
    "ScreenResolution": [1920, 1080],
    "ScreenSize": [0.53, 0.3],
    "SoftwareName": "harbour pictures",
    "SoftwareRRID": "RRID:SCR_000000",
    "SoftwareVersion": "2",
    "Code": "https://example.org/harbour",
    "HeadStabilization": "chin rest",
}


def run(*words: object) -> str:
    done = CliRunner().invoke(cli.main, list(map(str, words)))
    assert done.exit_code in (0, 1), done.output
    return done.output


def given(folder: Path, fields: object) -> Path:
    path = folder / "screen.json"
    path.write_text(json.dumps(fields), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data set of BIDS without events, with a recording and its log beside it."""
    folder = tmp_path_factory.mktemp("made")
    run("practice", PLAN, folder / "a.edf", folder / "a.jsonl", "--markers", 60)
    return folder


def data_set(folder: Path) -> Path:
    """An empty one; returns where its events go."""
    (folder / "sub-01/beh").mkdir(parents=True)
    (folder / "dataset_description.json").write_text(
        json.dumps({"Name": "harbour", "BIDSVersion": "1.10.0"}), encoding="utf-8")
    (folder / "README").write_text("Pictures of a harbour.\n", encoding="utf-8")
    return folder / "sub-01/beh/sub-01_task-ferry_events.tsv"


def issues(folder: Path) -> dict[str, str]:
    """Codes of the validator, with how bad they are."""
    words = [VALIDATOR, "--json", folder]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    told = json.loads(done.stdout)["issues"]["issues"]
    return {f"{issue['code']} {issue.get('subCode', '')}": issue["severity"] for issue in told}


@pytest.mark.parametrize("command", ["check", "log events"])
def test_the_validator_takes_all_fields(made, tmp_path, command) -> None:
    events = data_set(tmp_path / "set")
    screen = given(tmp_path, ALL)
    if command == "check":
        run("check", made / "a.edf", made / "a.jsonl", "--events", events, "--stimulus", screen)
    else:
        run("log", "events", made / "a.jsonl", events, "--stimulus", screen)
    sidecar = json.loads(events.with_suffix(".json").read_text(encoding="utf-8"))
    assert sidecar["StimulusPresentation"] == ALL
    told = issues(tmp_path / "set")
    assert [code for code, severity in told.items() if severity == "error"] == []
    assert not any("StimulusPresentation" in code for code in told)


def test_the_validator_of_this_test_finds_a_wrong_type(made, tmp_path) -> None:
    events = data_set(tmp_path / "set")
    run("log", "events", made / "a.jsonl", events)
    sidecar = events.with_suffix(".json")
    fields = json.loads(sidecar.read_text(encoding="utf-8"))
    assert "StimulusPresentation" not in fields  # nothing was said
    fields["StimulusPresentation"] = ALL | {"ScreenRefreshRate": "60 Hz"}
    sidecar.write_text(json.dumps(fields), encoding="utf-8")
    assert "error" in issues(tmp_path / "set").values()


def test_onsets_are_the_same_with_and_without(made, tmp_path) -> None:
    tables = []
    for number, words in enumerate(((), ("--stimulus", given(tmp_path, ALL)))):
        target = tmp_path / f"{number}_events.tsv"
        run("check", made / "a.edf", made / "a.jsonl", "--events", target, *words)
        with target.open(encoding="utf-8") as file:
            tables.append(list(csv.DictReader(file, delimiter="\t")))
    assert tables[0] == tables[1]
    assert tables[0]


@pytest.mark.parametrize("name", FIELDS)
def test_each_field_is_taken_and_a_wrong_one_refused(tmp_path, name) -> None:
    assert read(given(tmp_path, {name: ALL[name]})) == {name: ALL[name]}
    for wrong in (None, True, -1, [], {}, ["top"], [1, "2"]):
        with pytest.raises(BadValue, match=name):
            read(given(tmp_path, {name: wrong}))


@pytest.mark.parametrize("name", ["ScreenDistance", "ScreenResolution", "ScreenSize"])
def test_no_screen(tmp_path, name) -> None:
    assert read(given(tmp_path, {name: "n/a"})) == {name: "n/a"}


@pytest.mark.parametrize("wrong", ["SCR_000000", "RRID:SCR", "RRID:"])
def test_an_identifier_has_the_form_of_the_standard(tmp_path, wrong) -> None:
    with pytest.raises(BadValue, match="RRID:SCR_012345"):
        read(given(tmp_path, {"SoftwareRRID": wrong}))


def test_three_distances(tmp_path) -> None:
    assert read(given(tmp_path, {"ScreenDistance": [0, -0.1, 0.7]}))
    with pytest.raises(BadValue):
        read(given(tmp_path, {"ScreenDistance": [0, 0.7]}))


@pytest.mark.parametrize("fields", [{"RefreshRate": 60}, {}, [], "60"])
def test_what_is_no_field_is_refused(tmp_path, fields) -> None:
    with pytest.raises(BadValue, match="StimulusPresentation"):
        read(given(tmp_path, fields))


def test_it_is_looked_at_before_anything_is_written(made, tmp_path) -> None:
    screen = given(tmp_path, {"ScreenRefreshRate": "60 Hz"})
    done = CliRunner().invoke(cli.main, list(map(str, (
        "check", made / "a.edf", made / "a.jsonl", "--events", tmp_path / "e.tsv",
        "--stimulus", screen))))
    assert done.exit_code == 2
    assert not (tmp_path / "e.tsv").exists()
    done = CliRunner().invoke(cli.main, list(map(str, (
        "check", made / "a.edf", made / "a.jsonl", "--stimulus", screen))))
    assert done.exit_code == 2
    assert "--events" in done.output
