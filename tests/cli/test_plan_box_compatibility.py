"""A plan against a box's settings: each difference is named, and the suggested command fixes it."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from command_result import Run

from tallymark import Settings
from tallymark import plan as plans
from tallymark.virtual import Server

PLAN = """
name = "Ferry"
[receiver]
sampling_rate = 256
least_samples = 2
active = "low"
lines = [0, 1, 2, 3, 4]
[session]
least_interval_us = 200000
gap_us = 4000
width_us = 8000
distance = 2
[[event]]
name = "boat appears"
code = 3
[[event]]
name = "ferry lands"
code = 24
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    return path


def test_the_named_command_makes_the_box_fit(run: Run, served: Server, plan: Path) -> None:
    box = ("--box", served.where)
    assert run("settings", "change", "lines=1,2", *box).code == 0
    ran = run("plan", "check", plan, *box, "--json")
    assert ran.code == 1
    found = {(finding["level"], finding["rule"]) for finding in ran.json["findings"]}
    assert found == {
        ("wrong", "idle level"),
        ("wrong", "lines in use"),
        ("wrong", "gap"),
        ("risk", "width"),
        ("note", "places look alike"),
    }
    shown = run("plan", "check", plan, *box)
    assert shown.code == 1
    assert ran.json["change"] in shown.out
    assert "would refuse 'boat appears' (code 3), 'ferry lands' (code 24)" in shown.out
    _, *words = shlex.split(ran.json["change"])
    assert run(*words).code == 0
    again = run("plan", "check", plan, *box)
    assert again.code == 0, again.out
    assert "settings of the box fit the plan" in again.out
    assert run("plan", "check", plan, *box, "--json").json["change"] is None


def test_a_box_that_no_command_makes_fit_is_not_said_to_fit(
    run: Run, served: Server, tmp_path: Path
) -> None:
    plan, box = tmp_path / "plan.toml", ("--box", served.where)
    plan.write_text(
        '[session]\nwidth_us = "5ms"\n[signature]\ncode = 255\n[[event]]\nname = "horn"\ncode = 3\n'
    )
    strobe = ("strobe=7", "strobe_lead_us=1ms", "strobe_hold_us=1ms")
    assert run("settings", "change", *strobe, *box).code == 0
    assert run("plan", "check", plan, *box, "--json").json["change"] is None
    ran = run("plan", "check", plan, *box)
    assert ran.code == 1
    assert "strobe of this box, which would refuse the session signature" in ran.out
    assert "The box does not fit the plan: see 'wrong' above." in ran.out
    assert "fit the plan." not in ran.out
    # a command for the rest does not take the strobe away either
    plan.write_text(plan.read_text().replace("5ms", "8ms"))
    ran = run("plan", "check", plan, *box)
    assert "settings change width_us=8ms" in ran.out
    rest = ran.out.partition("The box still does not fit the plan then")[2]
    assert "would refuse the session signature" in rest
    # without what no command cures, nothing more is said
    plan.write_text(plan.read_text().replace("[signature]\ncode = 255\n", ""))
    ran = run("plan", "check", plan, *box)
    assert "settings change width_us=8ms" in ran.out
    assert "does not fit" not in ran.out


def test_what_is_wrong_with_the_plan_alone_is_not_laid_on_the_box(
    run: Run, served: Server, tmp_path: Path
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        '[session]\nwidth_us = "5ms"\n'
        + '[[event]]\nname = "horn"\ncode = 3\n[[event]]\nname = "bell"\ncode = 3\n'
    )
    ran = run("plan", "check", plan, "--box", served.where)
    assert ran.code == 1
    assert "The settings of the box fit the plan." in ran.out


def test_without_a_box_none_is_asked(run: Run, plan: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TALLYMARK_BOX", "/dev/no-such-port")
    ran = run("plan", "check", plan, "--json")
    assert ran.code == 0, ran.err
    assert "change" not in ran.json


def test_an_inverter_on_the_way_turns_the_idle_level(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.replace('active = "low"', 'active = "low"\nidle = "low"'))
    plan = plans.load(path)
    assert plans.needed_settings(plan, Settings()).idle.label == "low"
    assert "idle" not in (plans.settings_line(plan, Settings(), "virtual") or "")


def test_the_keys_are_listed(run: Run) -> None:
    rows = run("plan", "keys", "--json").json
    assert {"section": "[receiver]", "name": "least_samples"}.items() <= rows[3].items()
    shown = run("plan", "keys").out
    assert "least_samples" in shown
    assert "time, above 0" in shown
    assert 'or a text with its unit: width_us = "5ms"' in " ".join(shown.split())
    assert "keys" in run("plan", "--help").out
