"""Practice recordings hold what the plan says, and the truth that is printed is what is in them."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from ferry_plan_and_command import run

from tallymark import markerlog
from tallymark.cli import exit_codes
from tallymark.common.lines.readback_wiring_model import Fault, Kind, fault_forms
from tallymark.plan import Event, Plan, PlanError
from tallymark.virtual.practice import Pulse, disturb, in_order

HEAD = """
name = "Ferry"
[receiver]
sampling_rate = 1000
lines = [0, 1, 2, 3, 4]
[session]
least_interval_us = 60000
gap_us = 100
width_us = 5000
"""
COUNTS = {"block starts": 3, "block ends": 3, "boat": 60, "left": 30, "right": 30}
CODES = {"block starts": 3, "block ends": 5, "boat": 6, "left": 9, "right": 10, "horn": 12}


def write(path: Path, head: str = HEAD, counts: dict[str, int] = COUNTS) -> Path:
    events = [
        f'[[event]]\nname = "{name}"\ncode = {code}\n'
        + (f"count = {counts[name]}\n" if name in counts else "")
        for name, code in CODES.items()
    ]
    path.write_text(head + "".join(events))
    return path


def make(folder: Path, plan: Path, *options: object) -> tuple[dict[str, Any], Path, Path]:
    recording, log = folder / "made.bdf", folder / "made.jsonl"
    seed = () if "--seed" in options else ("--seed", 1)
    result = run("practice", plan, recording, log, "--json", *options, *seed)
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout), recording, log


def test_a_session_has_the_planned_events(tmp_path: Path) -> None:
    truth, recording, log = make(tmp_path, write(tmp_path / "plan.toml"))
    sent = [marker.name for marker in markerlog.read(log).markers]
    assert Counter(sent) == {**COUNTS, "horn": 30}  # no count: the median of the others
    assert truth["markers"] == len(sent) == 156
    starts = [place for place, name in enumerate(sent) if name == "block starts"]
    assert starts == [0, 52, 104]
    assert [place for place, name in enumerate(sent) if name == "block ends"] == [51, 103, 155]
    assert Counter(sent[1:51]) == {"boat": 20, "left": 10, "right": 10, "horn": 10}
    assert sent[1:51] != sent[53:103]
    result = run("check", recording, log, "--plan", tmp_path / "plan.toml")
    assert result.exit_code == 0, result.output


def test_the_user_may_ask_for_a_number(tmp_path: Path) -> None:
    truth, _, log = make(tmp_path, write(tmp_path / "plan.toml"), "--markers", 500)
    assert truth["markers"] == 500
    share = Counter(marker.name for marker in markerlog.read(log).markers)
    assert 2 * share["left"] == pytest.approx(share["boat"], rel=0.35)
    assert share["block starts"] < 30


def test_counts_that_make_no_session_are_refused() -> None:
    random = np.random.default_rng(1)
    for counts, said in (((0, 0), "no event with a count above 0"), ((1_000_000, 1), "the most")):
        events = tuple(Event(str(n), 3, 5, count) for n, count in enumerate(counts))
        with pytest.raises(PlanError, match=said):
            in_order(Plan("", events=events), random)
    assert in_order(Plan("", events=(Event("a", 3, 5, 1), Event("b", 5, 5, 0))), random) == [0]
    nested = (Event("on", 3, 5, 1), Event("block", 5, 5, 4), Event("trial", 6, 5, 80))
    order = in_order(Plan("", events=(*nested, Event("off", 9, 5, 1))), random)
    assert (order[0], order[-1]) == (0, 3)
    assert [place for place, event in enumerate(order) if event == 1] == [1, 22, 43, 64]


def test_the_log_has_what_the_plan_needs_of_the_box(tmp_path: Path) -> None:
    _, _, log = make(tmp_path, write(tmp_path / "plan.toml"))
    settings = markerlog.read(log).header["settings"]
    assert (settings["lines"], settings["gap_us"], settings["width_us"]) == (31, 100, 5000)


def test_the_truth_is_what_a_check_finds(tmp_path: Path) -> None:
    options = ("--lost", 4, "--altered", 4, "--extra", 8, "--drop", "1.5s", "--late", "4s")
    plan = write(tmp_path / "plan.toml")
    truth, recording, log = make(tmp_path, plan, *options, "--clock-error", -80)
    found = json.loads(run("check", recording, log, "--json").stdout)

    def numbers(fate: str) -> list[int]:
        return [marker["number"] for marker in found["markers"] if marker["fate"] == fate]

    # A marker beside a gap or an extra event may be unknown. So may an altered one: with so many
    # extra events, one in the moment of a missed marker is not unlikely enough. What is stated is
    # so.
    unknown = set(numbers("unknown"))
    changed = {row["marker"] for row in truth["altered"]}
    assert numbers("missed") == truth["missed"] != []
    assert set(numbers("in a gap")) | unknown >= set(truth["in_gap"]) >= set(numbers("in a gap"))
    assert numbers("outside") == truth["before_start"] != []
    assert len(unknown - set(truth["in_gap"]) - changed) <= 4
    altered = [
        {"marker": marker["number"], "sent": marker["code"], "became": marker["recorded_code"]}
        for marker in found["markers"]
        if marker["fate"] == "altered"
    ]
    stated_so = [row for row in truth["altered"] if row["marker"] not in unknown]
    assert altered == stated_so
    assert truth["altered"] != []
    planted = [row["code"] for row in truth["extra"]]
    stated = [row["code"] for row in found["extra"]]
    assert len(planted) - 3 <= len(stated)
    assert not Counter(stated) - Counter(planted)
    assert all(not row["code"] & ~31 for row in truth["extra"])
    assert all(not row["became"] & ~31 for row in truth["altered"])
    timing = found["timing"]
    assert truth["drift_ppm"] == -80
    assert abs(timing["drift_ppm"] + 80) < 3 * timing["drift_error_ppm"]
    assert truth["dropped_samples"] == 1500
    (jump,) = found["jumps"]
    assert jump["shift_us"] == pytest.approx(-1_500_000, abs=2_000)


def test_altered_markers_are_known_where_nothing_else_is_wrong(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.toml")
    truth, recording, log = make(tmp_path, plan, "--altered", 4, "--drop", "1.5s")
    found = json.loads(run("check", recording, log, "--json").stdout)
    altered = [marker["number"] for marker in found["markers"] if marker["fate"] == "altered"]
    assert altered == [row["marker"] for row in truth["altered"]] != []
    in_gap = [marker["number"] for marker in found["markers"] if marker["fate"] == "in a gap"]
    assert in_gap == truth["in_gap"] != []


def test_the_truth_is_printed(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.toml")
    options = ("--fault", "open:1", "--lost", 4, "--drop", "2s", "--seed", 7)
    result = run("practice", plan, tmp_path / "a.bdf", tmp_path / "a.jsonl", *options)
    said = " ".join(result.output.split())
    assert "drift the recording's clock is 35 ppm fast" in said
    assert "fault open:1: line 1 is broken, its input reads low" in said
    assert "codes arrive 3 as 1, 6 as 4, 10 as 8" in said
    assert "dropped 2,000 samples, with" in said
    assert "(--seed 7 makes the same markers again)" in said


def test_the_log_of_another_practice_session_does_not_fit(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.toml")
    for name in ("a", "b"):
        result = run("practice", plan, tmp_path / f"{name}.edf", tmp_path / f"{name}.jsonl")
        assert result.exit_code == 0, result.output
    for recording, log in (("a", "a"), ("b", "b")):
        checked = run("check", tmp_path / f"{recording}.edf", tmp_path / f"{log}.jsonl")
        assert checked.exit_code == 0, checked.output
    for recording, log in (("a", "b"), ("b", "a")):
        checked = run("check", tmp_path / f"{recording}.edf", tmp_path / f"{log}.jsonl")
        assert checked.exit_code == exit_codes.CHECK["another session"], checked.output


def test_a_seed_that_was_drawn_makes_the_same_markers_again(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.toml")
    result = run("practice", plan, tmp_path / "a.edf", tmp_path / "a.jsonl", "--lost", 4, "--json")
    first = json.loads(result.stdout)
    again = run("practice", plan, tmp_path / "b.edf", tmp_path / "b.jsonl", "--lost", 4, "--json",
                "--seed", first["seed"])
    second = json.loads(again.stdout)
    assert first["missed"] == second["missed"] != []
    assert (tmp_path / "a.edf").read_bytes() == (tmp_path / "b.edf").read_bytes()


def test_an_inverter_between_box_and_receiver(tmp_path: Path) -> None:
    head = HEAD.replace("[receiver]", '[receiver]\nactive = "low"\nidle = "low"')
    _, recording, log = make(tmp_path, write(tmp_path / "plan.toml", head))
    assert markerlog.read(log).header["settings"]["idle"] == "low"
    result = run("check", recording, log, "--active", "low")
    assert result.exit_code == 0, result.output
    assert run("check", recording, log, "--active", "high").exit_code != 0


def test_an_event_beyond_the_lines_is_refused(tmp_path: Path) -> None:
    plan = write(tmp_path / "plan.toml", HEAD.replace(", 4]", "]").replace(", 3", ""))
    result = run("practice", plan, tmp_path / "a.bdf", tmp_path / "a.jsonl")
    assert result.exit_code == 2
    assert "'left' (code 9) needs a line that the plan's receiver doesn't have" in result.output
    assert not (tmp_path / "a.jsonl").exists()


def test_a_code_that_has_no_neighbour_is_not_altered() -> None:
    pulses = [Pulse(n * 1e5, 4, 1e3) for n in range(20)]
    done = disturb(pulses, altered=1.0, extra=0.5, lines=4)
    assert done.altered == {}
    assert {pulse.code for pulse in done.extra} == {4}


def test_every_fault_is_described() -> None:
    assert [form.partition(":")[0] for form, _ in fault_forms()] == [kind.value for kind in Kind]
    assert Fault.parse("swapped:1,4").describe() == "lines 1 and 4 are swapped"
    assert Fault.parse("inverted:3").describe() == "line 3 is inverted"
    assert Fault.parse("inverted").describe() == "every line is inverted"
    assert "200 µs" in Fault.parse("slow:5,200us,300us").describe()
