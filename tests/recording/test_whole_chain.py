"""The whole chain by its commands: plan, virtual box, practice recording, check, export."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
import serial
from ferry_plan_and_command import EVENTS, Practice, run

from tallymark import Box, markerlog
from tallymark.cli.exit_codes import CHECK
from tallymark.markerlog import LoggedMarker, MarkerLog
from tallymark.plan import load

Make = Callable[..., Practice]


def test_a_clean_session(practice: Make) -> None:
    made = practice()
    result = run("check", made.recording, made.log)
    assert result.exit_code == 0, result.output
    assert "All 200 markers are in the recording" in result.output
    data = json.loads(run("check", made.recording, made.log, "--json").stdout)
    assert data["clean"]
    assert data["counts"]["arrived"] == 200
    assert abs(data["timing"]["drift_ppm"] - 35) < 3 * data["timing"]["drift_error_ppm"]
    assert data["timing"]["jitter_us"] == pytest.approx(data["timing"]["limit_us"], rel=0.15)
    assert {m["name"] for m in data["markers"]} == set(EVENTS)


@pytest.mark.parametrize(
    ("options", "outcome", "said"),
    [
        (("--fault", "open:3"), "wrong codes", "Line 3 was never active (high)"),
        (("--fault", "stuck-high:1"), "wrong codes", "Line 1 was always active (high)"),
        (("--fault", "swapped:0,4"), "wrong codes", "Lines 0 and 4 are swapped"),
        (("--fault", "bridged-or:1,2"), "wrong codes", "Lines 1 and 2 touch"),
        (("--lost", 3), "markers missing", "missed"),
        (("--extra", 3), "extra events", "extra"),
        (("--altered", 3), "wrong codes", "altered"),
        (("--drop", "2.5s"), "samples missing", "lacks 2500 samples (2500 ms)"),
    ],
)
def test_a_fault_is_found_and_named(
    practice: Make, options: tuple[object, ...], outcome: str, said: str
) -> None:
    made = practice(*options)
    result = run("check", made.recording, made.log)
    assert result.exit_code == CHECK[outcome], result.output
    assert said in result.output


def test_a_file_that_was_cut_off_in_copying_is_not_good(practice: Make, tmp_path: Path) -> None:
    """All markers of what is left arrive, and still the rest of the recording is missing."""
    made = practice()
    whole = Path(made.recording).read_bytes()
    cut = tmp_path / "cut.bdf"
    cut.write_bytes(whole[: len(whole) * 2 // 3])
    result = run("check", cut, made.log)
    assert result.exit_code == CHECK["file incomplete"], result.output
    assert "The recording is incomplete" in result.output
    assert "All 200 markers" not in result.output
    assert not json.loads(run("check", cut, made.log, "--json").stdout)["clean"]


def test_slow_edges_are_joined_and_late(practice: Make) -> None:
    made = practice("--fault", "slow:0,900us,100us")
    result = run("check", made.recording, made.log)
    assert result.exit_code == 0, result.output


def test_a_recording_that_starts_late(practice: Make) -> None:
    made = practice("--late", "20s")
    result = run("check", made.recording, made.log)
    assert result.exit_code == CHECK["part recorded"], result.output
    assert "Only a part was recorded" in result.output
    result = run("check", made.recording, made.log, "--part")
    assert result.exit_code == 0, result.output


def test_active_low_lines(plan_file: Path, tmp_path: Path) -> None:
    plan = tmp_path / "low.toml"
    plan.write_text(plan_file.read_text().replace("[receiver]", '[receiver]\nactive = "low"'))
    recording, log = tmp_path / "low.bdf", tmp_path / "low.jsonl"
    assert run("practice", plan, recording, log, "--markers", 50, "--seed", 1).exit_code == 0
    assert markerlog.read(log).header["settings"]["idle"] == "high"
    assert run("check", recording, log).exit_code == 0


def test_what_cannot_be_known_has_its_own_exit_code(practice: Make, tmp_path: Path) -> None:
    made = practice("--late", "20s")
    log = tmp_path / "constant.jsonl"
    with MarkerLog(log) as written:
        for number in range(1, 201):
            written.sent(number, 3, 5000)
            written.answered(number, number * 500_000, number * 500_000, 10)
    table = tmp_path / "events.tsv"
    rows = [f"{number * 0.5 + 0.1:.4f}\t3" for number in range(100)]
    table.write_text("onset\tvalue\n" + "\n".join(rows) + "\n")
    result = run("check", table, log, "--rate", 1000)
    assert result.exit_code == CHECK["not known"], result.output
    assert "can't be known which marker is which" in result.output
    result = run("check", made.recording, log)
    assert result.exit_code == CHECK["another session"]
    assert "Another session" in result.output


def test_byte_input_and_unconfirmed_markers_are_checked(tmp_path: Path) -> None:
    log, table = tmp_path / "log.jsonl", tmp_path / "events.tsv"
    with MarkerLog(log) as written:
        for number in range(1, 41):
            box = number * number * 9_000 + 400_000 * number
            if number % 2:
                written.byte_marker(
                    LoggedMarker(-1, number, box_us=box, host_us=box + 7, error_us=10, fate="done")
                )
            else:
                written.sent(number, number, host_us=box + 7)
                if number == 20:
                    written.unconfirmed(number, "the cable was pulled")
                elif number == 30:
                    written.refused(number, "a sequence plays")
                else:
                    written.answered(number, box, box + 7, 10)
    rows = [f"{(n * n * 9_000 + 400_000 * n) / 1e6 + 3:.6f}\t{n}" for n in range(1, 41) if n != 30]
    table.write_text("onset\tvalue\n" + "\n".join(rows) + "\n")
    result = run("check", table, log, "--rate", 5000)
    assert result.exit_code == 0, result.output
    assert "All 39 markers" in result.output


def test_the_box_keeps_the_log_and_the_plan_sends_by_name(plan_file: Path, tmp_path: Path) -> None:
    plan = load(plan_file)
    with Box.open("virtual") as box, MarkerLog.for_box(tmp_path / "log.jsonl", box, plan):
        assert plan.pulse(box, "ferry left").wait().code == 5
        box.set(7).wait()
        box.set(0).wait()
    data = markerlog.read(tmp_path / "log.jsonl")
    assert data.header["plan"]["digest"] == plan.digest
    assert data.header["box"]["board"] == "virtual"
    assert [(m.name, m.code, m.width_us, m.fate) for m in data.markers] == [
        ("ferry left", 5, 5000, "done"),
        (None, 7, None, "done"),
        (None, 0, None, "done"),
    ]


def test_the_byte_input_is_logged(tmp_path: Path) -> None:
    port = serial.serial_for_url("virtual://?time=stepped")
    with Box(port) as box, MarkerLog.for_box(tmp_path / "log.jsonl", box):
        box.pacing.sleep(1.0)
        port.byte_input(b"\x05")
        box.pacing.sleep(0.1)
        port.byte_input(b"\x09")
        box.pacing.sleep(0.1)
    markers = markerlog.read(tmp_path / "log.jsonl").markers
    assert [(m.code, m.source, m.fate) for m in markers] == [
        (5, "byte", "done"),
        (9, "byte", "done"),
    ]
    assert markers[0].box_us is not None
    assert markers[1].box_us is not None
    assert markers[1].box_us - markers[0].box_us == pytest.approx(100_000, abs=10)


def test_a_recording_against_the_plan_alone(practice: Make, plan_file: Path) -> None:
    made = practice()
    result = run("check", made.recording, "--plan", made.plan)
    assert result.exit_code == 0, result.output
    assert "Nothing contradicts the plan" in result.output
    made = practice("--fault", "open:3")
    result = run("check", made.recording, "--plan", made.plan)
    assert result.exit_code == 1
    assert "'answer right' (code 10) never came" in result.output
    assert "Code 2 is not in the plan" in result.output
    assert "'answer right' with line 3 idle instead of active" in " ".join(result.output.split())
    assert json.loads(run("check", made.recording, "--plan", made.plan, "--json").stdout)["wrong"]
    assert run("check", made.recording).exit_code == 2


def test_planned_counts_widths_and_intervals(practice: Make, tmp_path: Path) -> None:
    made = practice()
    plan = tmp_path / "plan.toml"
    text = made.plan.read_text().replace("code = 3", "code = 3\ncount = 7")
    text = text.replace("width_us = 5000", "width_us = 9000")
    plan.write_text(text.replace("least_interval_us = 300000", "least_interval_us = 500000"))
    result = run("check", made.recording, "--plan", plan)
    assert result.exit_code == 1
    assert "times instead of 7" in result.output
    assert "differ from the planned 9 ms" in result.output
    assert "sooner than the plan's least interval of 500 ms" in result.output


def test_plan_commands(plan_file: Path, tmp_path: Path) -> None:
    result = run("plan", "check", plan_file)
    assert result.exit_code == 0, result.output
    assert "Nothing wrong" in result.output
    bad = tmp_path / "bad.toml"
    bad.write_text(plan_file.read_text().replace("width_us = 5000", "width_us = 1500"))
    result = run("plan", "check", bad)
    assert result.exit_code == 1
    assert "below the 2 ms that the receiver needs" in result.output
    assert json.loads(run("plan", "check", bad, "--json").stdout)["wrong"] == 6
    bad.write_text("name =")
    assert run("plan", "check", bad).exit_code == 2
    assert run("plan", "codes", "--count", 3, "--lines", "0-3").stdout.split() == ["3", "5", "6"]
    none = run("plan", "codes", "--count", 20, "--distance", 3)
    assert none.exit_code == 1
    assert "at most 19" in none.output
    assert run("plan", "codes", "--count", 3, "--lines", "0-9").exit_code == 2


def test_nothing_is_overwritten(practice: Make, tmp_path: Path) -> None:
    made = practice()
    again = run("practice", made.plan, made.recording, tmp_path / "new.jsonl")
    assert again.exit_code == 2
    assert "never overwritten" in again.output
    again = run("practice", made.plan, tmp_path / "new.bdf", made.log)
    assert again.exit_code == 2
    assert "never overwritten" in again.output
    events = tmp_path / "x_events.tsv"
    assert run("check", made.recording, made.log, "--events", events).exit_code == 0
    assert run("check", made.recording, made.log, "--events", events).exit_code == 2


def test_exported_events_are_valid_bids(practice: Make, tmp_path: Path) -> None:
    made = practice("--lost", 3)
    folder = tmp_path / "sub-01" / "eeg"
    folder.mkdir(parents=True)
    stem = folder / "sub-01_task-ferry"
    shutil.copy(made.recording, f"{stem}_eeg.bdf")
    (tmp_path / "README").write_text("A practice recording of the Ferry study.\n" * 10)
    description = {
        "Name": "Ferry",
        "BIDSVersion": "1.10.0",
        "License": "CC0",
        "Authors": ["A. Ferrier", "B. Quay"],
    }
    (tmp_path / "dataset_description.json").write_text(json.dumps(description))
    sidecar = {
        "TaskName": "ferry",
        "SamplingFrequency": 1000,
        "EEGReference": "Cz",
        "PowerLineFrequency": 50,
        "SoftwareFilters": "n/a",
    }
    Path(f"{stem}_eeg.json").write_text(json.dumps(sidecar))
    channels = "".join(f"{name}\tEEG\tuV\n" for name in ("Fz", "Cz", "Pz", "Oz"))
    Path(f"{stem}_channels.tsv").write_text(f"name\ttype\tunits\n{channels}Status\tTRIG\tn/a\n")
    events = Path(f"{stem}_events.tsv")
    ended = run("check", made.recording, made.log, "--events", events)
    assert ended.exit_code == CHECK["markers missing"]
    rows = list(csv.DictReader(events.open(), delimiter="\t"))
    assert len(rows) == 200
    assert {row["trial_type"] for row in rows} == set(EVENTS)
    assert events.with_suffix(".json").exists()
    _valid(tmp_path)
    events.unlink()
    events.with_suffix(".json").unlink()
    assert run("log", "events", made.log, events).exit_code == 0
    assert len(list(csv.DictReader(events.open(), delimiter="\t"))) == 200
    _valid(tmp_path)
    again = run("check", events, made.log, "--rate", 1_000_000)  # what was exported is read again
    assert again.exit_code == 0, again.output


def _valid(dataset: Path) -> None:
    done = subprocess.run(
        [Path(sys.executable).with_name("bids-validator-deno"), "--json", dataset],
        capture_output=True,
        text=True,
        check=False,
    )
    issues = json.loads(done.stdout)["issues"]["issues"]
    errors = [issue for issue in issues if issue["severity"] == "error"]
    about_events = [issue for issue in issues if "events" in issue.get("location", "")]
    assert errors == []
    assert [i["code"] for i in about_events if i["severity"] != "warning"] == []
    assert not [i for i in about_events if "TSV" in i["code"]], about_events
