"""`tallymark practice --room-light`: a lamp moves the onsets, or hides them, and that is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_result import Run

PLAN = """
name = "Ferry"
[session]
width_us = 4000
[[event]]
name = "ferry in sight"
code = 12
probe = "light"
"""
RISE_US, BRIGHT = 2_000, 40_000  # of the simulated display


def onsets(run: Run, folder: Path, *words: object) -> dict:
    """What `delay` says of the light in a session of these options."""
    folder.mkdir()
    plan, log = folder / "ferry.toml", folder / "a.jsonl"
    plan.write_text(PLAN, encoding="utf-8")
    made = run("practice", plan, folder / "a.edf", log, "--markers", 30, "--seed", 4, *words)
    assert made.code == 0, made.words
    (probe,) = run("delay", log, "--plan", plan, "--json").json["probes"]
    return probe


def test_a_lamp_makes_onsets_come_early_by_what_it_adds(run: Run, tmp_path: Path) -> None:
    dark = onsets(run, tmp_path / "dark")["all"]
    lit = onsets(run, tmp_path / "lit", "--room-light", 6_000)["all"]
    assert dark["found"] == lit["found"] == 30
    early = 6_000 * RISE_US / BRIGHT
    assert dark["mean_us"] - lit["mean_us"] == pytest.approx(early, abs=RISE_US / 16)


def test_a_lamp_on_the_mains_spreads_them(run: Run, tmp_path: Path) -> None:
    words = ("--room-light", 6_000, "--room-flicker", 8_000)
    swung = onsets(run, tmp_path / "swung", *words)["all"]
    steady = onsets(run, tmp_path / "steady", "--room-light", 6_000)["all"]
    assert swung["found"] == 30
    # A sine's standard deviation is its swing by the root of eight; the phases of 30 are drawn.
    assert swung["sd_us"] == pytest.approx(8_000 * RISE_US / BRIGHT / 8**0.5, rel=0.4)
    assert steady["sd_us"] < swung["sd_us"] / 2


@pytest.mark.parametrize(
    ("light", "flicker", "why"), [(30_000, 0, "no onsets"), (19_000, 12_000, "flicker")]
)
def test_a_lamp_that_hides_the_onsets(
    run: Run, tmp_path: Path, light: int, flicker: int, why: str
) -> None:
    probe = onsets(run, tmp_path / "a", "--room-light", light, "--room-flicker", flicker)
    assert probe["why_not"] == why


def test_a_plan_without_light(run: Run, tmp_path: Path) -> None:
    plan = tmp_path / "ferry.toml"
    plan.write_text(PLAN.replace("light", "sound"), encoding="utf-8")
    ran = run("practice", plan, tmp_path / "a.edf", tmp_path / "a.jsonl", "--room-light", 5)
    assert ran.code == 2
    assert "that a light sensor sees" in ran.words
    assert not (tmp_path / "a.jsonl").exists()
