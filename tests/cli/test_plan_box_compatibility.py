"""A plan against a box's settings: each difference is named, and the suggested command fixes it."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from command_rig import Run

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
