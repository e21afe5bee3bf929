"""What a witness finds: nothing on a good box, and each fault that is planted."""

from __future__ import annotations

from dataclasses import replace

import pytest
from rig import Rig, figure, states

from tallymark.box.settings import Settings
from tallymark.box.settings_access import BoxSettings
from tallymark.box.wire.protocol_enumerations import Idle
from tallymark.verification.acceptance import pattern_judge


@pytest.mark.parametrize(
    "settings",
    [
        Settings(),
        Settings(idle=Idle.HIGH),
        Settings(lines=0b10110, gap_us=500_000, hold_limit_us=50_000),
        Settings(strobe=0x80, strobe_lead_us=1_000, strobe_hold_us=1_000),
    ],
    ids=["factory", "idle high", "three lines", "strobe"],
)
def test_a_good_box_passes(settings: Settings) -> None:
    with Rig(in_force=settings) as rig:
        found = states(rig.pattern())
        assert found == dict.fromkeys(("lines", "widths", "skew", "clock", "latency"), "passed")
        assert rig.hold().state == "passed"
        rig.driver.end()
        assert rig.box.settings.read() == settings
        if settings.idle is Idle.LOW:
            assert rig.start().state == "passed"


def test_a_restart_that_puts_a_kept_strobe_in_force_again() -> None:
    kept = Settings(strobe=0x80, strobe_lead_us=1_000, strobe_hold_us=1_000)
    with Rig(in_force=kept) as rig:
        rig.box.settings.install(kept)
        assert rig.start().state == "passed"


def test_the_power_cut_of_a_good_box() -> None:
    with Rig() as rig:
        assert rig.cut().state == "passed"


def test_a_plug_that_was_not_pulled_or_not_put_in_again_is_not_known() -> None:
    with Rig() as rig:
        result = rig.cut(pull=False, again=False)
        assert result.state == "not known"
        assert "was the plug pulled" in result.notes[0]
    with Rig() as rig:
        assert rig.cut(again=False).state == "not known"


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("swapped:1,4", "Lines 1 and 4 are swapped"),
        ("open:2", "Input 2 always reads low"),
        ("stuck-high:6", "Input 6 always reads high"),
        ("inverted:5", "Input 5 is inverted"),
        ("bridged-or:0,7", "Lines 0 and 7 are bridged"),
        ("reversed", "The connector is reversed"),
    ],
)
def test_a_fault_of_the_lines_is_named(fault: str, words: str) -> None:
    with Rig(fault) as rig:
        lines = rig.pattern()["lines"]
    assert lines.state == "failed"
    assert any(words in look for look in lines.look)


def test_lines_that_never_move_fail_and_the_rest_is_not_known() -> None:
    with Rig("unplugged") as rig:
        found = states(rig.pattern())
        assert found.pop("lines") == "failed"
        assert set(found.values()) == {"not known"}
        assert {rig.hold().state, rig.start().state, rig.cut().state} == {"not known"}


def test_short_pulses_are_found() -> None:
    with Rig("slow:3,200us,0") as rig:
        results = rig.pattern()
    assert results["lines"].state == "passed"
    assert results["widths"].state == "failed"
    assert figure(results["widths"], "width of 5 ms")["value"] == 4_800
    assert figure(results["widths"], "widths that did not arrive")["value"] == 2
    assert any(look.startswith("line 3") for look in results["widths"].look)
    assert figure(results["skew"], "skew of the lines, to idle")["verdict"] == "passed"
    assert figure(results["skew"], "skew of the lines, to active")["value"] == 200


def test_slow_edges_are_found() -> None:
    with Rig("slow:3,200us,300us") as rig:
        results = rig.pattern()
    assert figure(results["skew"], "skew of the lines, to idle")["value"] == 300
    assert figure(results["skew"], "skew of the lines, to idle")["verdict"] == "failed"
    assert results["widths"].state == "failed"
    assert any("line 3 changes" in look for look in results["skew"].look)


def test_a_line_that_is_slow_alike_both_ways_is_found_by_its_skew() -> None:
    with Rig("slow:3,20us,20us") as rig:
        found = states(rig.pattern())
    assert (found["widths"], found["skew"]) == ("passed", "failed")


def test_idle_that_is_wrong_at_the_start_is_found() -> None:
    with Rig() as rig:
        rig.box.settings.install(Settings(idle=Idle.HIGH))
        rig.box.settings.write(Settings())  # in force until the restart
        result = rig.start()
    assert result.state == "failed"
    assert figure(result, "lines not idle after the restart")["value"] == 8


def test_a_hold_limit_that_does_not_act_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    write = BoxSettings.write
    monkeypatch.setattr(
        BoxSettings, "write", lambda self, values: write(self, replace(values, hold_limit_us=0))
    )
    with Rig() as rig:
        assert rig.hold().state == "failed"


def test_a_line_that_stays_high_without_power_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    with Rig() as rig:
        carry = rig.pair._boxes[1].see
        monkeypatch.setattr(rig.pair._boxes[1], "see", lambda levels: carry(levels | 0x10))
        carry(0x10)
        result = rig.cut()
    assert result.state == "failed"
    assert figure(result, "lines not low without power")["value"] == 1


def test_a_nano_as_witness_leaves_widths_and_skew_open(monkeypatch: pytest.MonkeyPatch) -> None:
    with Rig() as rig:
        rig.witness.identity = replace(rig.witness.identity, board="nano")
        found = states(rig.pattern())
    assert found["lines"] == "passed"
    assert (found["widths"], found["skew"], found["clock"]) == ("not known",) * 3


def test_lost_changes_leave_everything_open() -> None:
    with Rig() as rig:
        rig.watch.begin()
        part = rig.driver.pattern()
        seen = replace(rig.watch.end(), lost=1)
        results, _ = pattern_judge.judged(part, seen, rig.subject)
    assert set(states(results).values()) == {"not known"}


@pytest.mark.parametrize(("late_us", "state"), [(1.0, "passed"), (10.0, "not known")])
def test_widths_and_skew_need_edges_dated_within_their_limits(late_us: float, state: str) -> None:
    with Rig() as rig:
        rig.watch.begin()
        part = rig.driver.pattern()
        seen = replace(rig.watch.end(), late_us=late_us)
        results, _ = pattern_judge.judged(part, seen, rig.subject)
    assert (results["widths"].state, results["skew"].state) == (state, state)
    assert results["lines"].state == "passed"
    assert figure(results["widths"], "width of 50 µs")["verdict"] == state
