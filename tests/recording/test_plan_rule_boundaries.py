"""Where each rule of a plan begins to hold, and whether a box that is set up otherwise fits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tallymark import plan as plans
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.protocol_enumerations import Cause
from tallymark.common.lines.distant_code_sets import distance, propose
from tallymark.plan import PlanError
from tallymark.plan.box_compatibility import fit, needed_settings, settings_line

IDENTITY = Identity(
    protocol="2.0", firmware="1.0.0", board="nano", serial="A1" * 8, cause=Cause.POWER,
    newest_tag=0,
    window=440, history=64, steps=1024, edges=512, least_width_us=20,
    longest_width_us=3_600_000_000, name="",
)
EVENTS = {"boat appears": 3, "ferry left": 5, "ferry right": 6}


def plan_of(
    receiver: dict[str, Any] | None = None,
    session: dict[str, Any] | None = None,
    events: dict[str, Any] | None = None,
    **more: Any,
) -> plans.Plan:
    """A plan for a receiver at 1,000 Hz with pulses of 5 ms, and what is different."""
    return plans.from_mapping(
        {
            "name": "Ferry",
            "receiver": {"sampling_rate": 1000, **(receiver or {})},
            "session": {"width_us": 5_000, **(session or {})},
            "event": [
                {"name": name, **(code if isinstance(code, dict) else {"code": code})}
                for name, code in (EVENTS if events is None else events).items()
            ],
            **more,
        }
    )


def rules(plan: plans.Plan) -> list[tuple[str, str]]:
    return [(finding.level, finding.rule) for finding in plans.check(plan)]


# The plan alone -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("interval_us", "gap_us", "expected"),
    [
        (6_999, 2_000, [("wrong", "interval too short")]),
        (7_000, 2_000, []),
        (6_999, 1_999, [("risk", "idle too short")]),
        (5_000, 0, [("risk", "idle too short")]),
        (4_999, 0, [("wrong", "no edge"), ("wrong", "interval too short")]),
        (4_999, 1, [("wrong", "interval too short")]),
        (6_999, 0, [("risk", "idle too short")]),
        (7_000, 0, []),
        (104_999, 100_000, [("wrong", "interval too short")]),
        (105_000, 100_000, []),
    ],
)
def test_the_interval_has_room_for_width_and_gap(interval_us, gap_us, expected):
    plan = plan_of(session={"least_interval_us": interval_us, "gap_us": gap_us})
    assert rules(plan) == expected


def test_the_longest_width_counts_for_the_interval():
    events = {"a": {"code": 3, "width_us": 5_000}, "b": {"code": 5, "width_us": 50_000}}
    plan = plan_of(session={"least_interval_us": 40_000}, events=events)
    assert ("wrong", "interval too short") in rules(plan)


def test_the_remedy_for_an_interval_leaves_room_for_the_gap():
    plan = plan_of(session={"least_interval_us": 6_000, "gap_us": 2_000})
    (finding,) = plans.check(plan)
    assert finding.remedy == "Shorten the widths to 4 ms or less."
    assert rules(plan_of(session={"width_us": 4_000, "least_interval_us": 6_000,
                                  "gap_us": 2_000})) == []


@pytest.mark.parametrize(
    ("width_us", "receiver", "wrong"),
    [
        (1_999, {}, True),
        (2_000, {}, False),
        (999, {"least_samples": 1}, True),
        (1_000, {"least_samples": 1}, False),
        (2_999, {"least_width_us": 3_000}, True),
        (3_000, {"least_width_us": 3_000}, False),
        (3_999, {"least_width_us": 3_000, "least_samples": 4}, True),
        (4_000, {"least_width_us": 3_000, "least_samples": 4}, False),
        (3_000, {"least_width_us": 3_000, "least_samples": 1}, False),
    ],
)
def test_the_width_that_a_receiver_sees(width_us, receiver, wrong):
    found = rules(plan_of(receiver=receiver, session={"width_us": width_us}))
    assert found == ([("wrong", "width too short")] * 3 if wrong else [])


def test_the_worst_comes_first():
    plan = plan_of(events={"a": 1, "b": 3, "c": 0})
    levels = [level for level, _ in rules(plan)]
    assert levels == sorted(levels, key=["wrong", "risk", "note"].index)
    assert set(levels) == {"wrong", "risk", "note"}


def test_a_distance_that_was_asked_for_is_no_mere_risk():
    for wanted, level in ((1, "risk"), (2, "wrong")):
        plan = plan_of(session={"distance": wanted}, events={"a": 3, "b": 7})
        assert (level, "codes too close") in rules(plan)


def test_the_first_of_two_events_with_a_name_is_sent():
    rows = [{"name": "horn", "code": 3}, {"name": "horn", "code": 5}]
    plan = plan_of(event=rows)
    assert plan.event("horn").code == 3
    assert ("wrong", "name twice") in rules(plan)


class Box:
    """Remembers what it is asked for."""

    def __init__(self) -> None:
        self.sent: list[tuple[int, int | None, str | None]] = []

    def pulse(self, code: int, width_us: int | None = None, *, name: str | None = None) -> None:
        self.sent.append((code, width_us, name))


def test_an_event_is_sent_with_its_own_width_and_name():
    box = Box()
    plan_of(events={"horn": {"code": 9, "width_us": 20_000}, "sea": 3}).pulse(box, "horn")
    plan_of().pulse(box, "ferry left")
    assert box.sent == [(9, 20_000, "horn"), (5, 5_000, "ferry left")]


def test_the_digest_of_a_plan_is_not_that_of_keys_that_it_lacks():
    """It is in marker logs: this one must be the same in every version."""
    plan = plans.Plan("Ferry", events=(plans.Event("horn", 9, 20_000),))
    assert plan.digest == "08935c4c6373978e770b5d43735b39f0556b53be096b626ffe068ed9a803411d"


# Slips --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("receiver", "session", "message"),
    [
        ({"sampling_rate": True}, {}, "must be a number"),
        ({"sampling_rate": 0}, {}, "above 0"),
        ({"sampling_rate": float("inf")}, {}, "above 0"),
        ({"least_width_us": -1}, {}, "0 or more"),
        ({"least_width": 5}, {}, "'least_width' is not a known key"),
        ({"reserved": [256]}, {}, "0 to 255"),
        ({"reserved": [True]}, {}, "0 to 255"),
        ({}, {"widht_us": 5}, "'widht_us' is not a known key"),
        ({}, {"width_us": 0}, "1 or more"),
    ],
)
def test_slips_are_told(receiver, session, message):
    with pytest.raises(PlanError, match=message):
        plan_of(receiver, session)


def test_a_slip_in_an_event_is_told():
    with pytest.raises(PlanError, match="'colour' is not a known key"):
        plan_of(events={"horn": {"code": 3, "colour": "red"}})


def test_lines_are_numbered_from_0():
    assert plan_of({"lines": [0, 1, 7]}).receiver.lines == 0b10000011
    assert plan_of({"lines": [0]}).receiver.lines == 1


# The plan and a box -------------------------------------------------------------------------------


def fits(plan: plans.Plan, settings: Settings, **identity: int) -> list[tuple[str, str]]:
    found = fit(plan, settings, replace(IDENTITY, **identity))
    return [(finding.level, finding.rule) for finding in found]


def test_a_box_with_the_needed_settings_fits():
    for receiver in ({}, {"least_width_us": 9_000}, {"lines": [0, 1, 2]}, {"active": "low"},
                     {"least_samples": 7}):
        for session in ({"width_us": 10_000}, {"width_us": 10_000, "gap_us": 3_000}):
            plan = plan_of(receiver, session)
            settings = needed_settings(plan, Settings())
            assert fits(plan, settings) == []
            assert settings_line(plan, settings, "port") is None


def test_the_width_of_the_box_is_one_that_the_receiver_sees():
    """A pulse without a width of its own has that of the box, whatever the plan's events have."""
    plan = plan_of({"least_width_us": 9_000})
    assert needed_settings(plan, Settings()).width_us == 9_000
    assert fits(plan, Settings(width_us=8_999)) == [("risk", "width")]
    assert fits(plan, Settings(width_us=9_000)) == []
    plain = plans.Plan("Ferry", plans.Receiver(1000.0, least_samples=8), events=plan.events)
    assert needed_settings(plain, Settings()).width_us == 8_000
    assert fits(plan_of(), Settings(width_us=6_000)) == [("note", "width")]


@pytest.mark.parametrize(
    ("gap_us", "planned_us", "interval_us", "expected"),
    [
        (0, 2_000, 20_000, [("wrong", "gap")]),
        (1_999, 2_000, None, [("wrong", "gap")]),
        (2_000, 2_000, 20_000, []),
        (3_000, 2_000, 20_000, [("note", "gap")]),
        (15_000, 2_000, 20_000, [("note", "gap")]),
        (15_001, 2_000, 20_000, [("wrong", "gap")]),
        (3_000, 2_000, None, [("risk", "gap")]),
    ],
)
def test_the_gap_of_the_box(gap_us, planned_us, interval_us, expected):
    session: dict[str, Any] = {"gap_us": planned_us}
    if interval_us:
        session["least_interval_us"] = interval_us
    assert fits(plan_of(session=session), Settings(gap_us=gap_us)) == expected


def test_idle_level_and_lines_of_the_box():
    high = Settings().changed(idle="high")
    assert fits(plan_of({"active": "low"}), Settings()) == [("wrong", "idle level")]
    assert fits(plan_of(), high) == [("wrong", "idle level")]
    assert fits(plan_of({"active": "low"}), high) == []
    assert fits(plan_of({"idle": "high"}), high) == []
    assert fits(plan_of(), Settings(lines=0b011)) == [("wrong", "lines in use")]
    assert fits(plan_of(), Settings(lines=0b111)) == [("note", "lines in use")]
    assert fits(plan_of({"lines": [0, 1, 2]}), Settings()) == [("risk", "lines in use")]


def test_widths_that_the_box_can_t_do():
    for width_us in (19, 1_001):
        plan = plan_of(events={"horn": {"code": 3, "width_us": width_us}})
        found = fits(plan, Settings(), longest_width_us=1_000)
        assert ("wrong", "width out of range") in found
    for width_us in (20, 1_000):
        plan = plan_of(events={"horn": {"code": 3, "width_us": width_us}})
        found = fits(plan, Settings(), longest_width_us=1_000)
        assert ("wrong", "width out of range") not in found


def test_the_command_that_makes_a_box_fit():
    plan = plan_of({"lines": [0, 1, 2], "active": "low"}, {"width_us": 7_000, "gap_us": 300})
    assert settings_line(plan, Settings(), "COM3") == (
        "tallymark settings change width_us=7ms gap_us=300us lines=0,1,2 idle=high --box COM3"
    )


# The strobe of the box ----------------------------------------------------------------------------


def strobed(**changes: Any) -> Settings:
    """Line 7, 300 us behind the code, 200 us before its end."""
    given = {"strobe": 7, "strobe_lead_us": 300, "strobe_hold_us": 200, **changes}
    return Settings().changed(**given)


SEVEN_LINES = {"lines": [0, 1, 2, 3, 4, 5, 6]}


def test_a_strobe_that_fits():
    """Its line is in use, though the receiver has no such line to read."""
    assert fits(plan_of(SEVEN_LINES), strobed()) == []
    assert settings_line(plan_of(SEVEN_LINES), strobed(), "port") is None
    found = fits(plan_of({"lines": [0, 1, 2]}), strobed(lines=[0, 1, 2, 7]))
    assert found == []
    assert fits(plan_of({"lines": [0, 1, 2]}), strobed()) == [("risk", "lines in use")]


def test_a_strobe_that_the_receiver_may_read_as_a_line_of_a_code():
    assert fits(plan_of(), strobed()) == [("risk", "strobe")]
    assert fits(plan_of(), Settings()) == []


def test_codes_that_need_the_line_of_the_strobe():
    (finding,) = fit(plan_of(events={"horn": 0x81, "lands": 1}), strobed(), IDENTITY)
    assert (finding.level, finding.rule) == ("wrong", "strobe")
    assert "would refuse 'horn' (code 129)." in finding.text
    (finding,) = fit(plan_of(SEVEN_LINES, signature={"code": 0x90}), strobed(), IDENTITY)
    assert (finding.level, finding.rule) == ("wrong", "signature")
    assert "Line 7 is the strobe" in finding.text


def test_pulses_that_have_no_room_for_the_strobe():
    """20 us, the shortest time of that box, is what the strobe itself needs."""
    receiver = {"sampling_rate": 1_000_000, **SEVEN_LINES}
    for width_us, expected in ((519, [("wrong", "width out of range")]), (520, [])):
        plan = plan_of(receiver, events={"horn": {"code": 3, "width_us": width_us}})
        assert fits(plan, strobed()) == expected
        assert fits(plan, Settings(lines=0x7F)) == []
    plan = plan_of(receiver, events={"horn": {"code": 3, "width_us": 519}})
    (finding,) = fit(plan, strobed(), IDENTITY)
    assert "no room for the strobe" in finding.text
    assert "520" in finding.text
    plan = plan_of(receiver, events={"horn": {"code": 3, "width_us": 19}})
    assert "no room" not in fit(plan, strobed(), IDENTITY)[0].text


def test_signatures_that_have_no_room_for_the_strobe():
    plan = plan_of(SEVEN_LINES, signature={"code": 0x10})
    assert plan.signature_form is not None
    width = plan.signature_form.width_us
    long = {"strobe_lead_us": width, "strobe_hold_us": 20, "width_us": width + 40}
    found = fit(plan, strobed(**long), IDENTITY)
    assert any("signature has pulses" in finding.text for finding in found)
    long["strobe_lead_us"] -= 40
    assert "signature" not in [finding.rule for finding in fit(plan, strobed(**long), IDENTITY)]


def test_a_strobe_that_is_shorter_than_the_receiver_needs():
    """At 1,000 Hz, two samples: 2 ms."""
    receiver = {"least_samples": 2, **SEVEN_LINES}
    for width_us, expected in ((2_499, [("risk", "strobe")]), (2_500, [])):
        plan = plan_of(receiver, events={"horn": {"code": 3, "width_us": width_us}})
        assert fits(plan, strobed()) == expected


def test_the_width_that_a_plan_needs_has_room_for_the_strobe():
    plan = plan_of({"sampling_rate": 1_000_000, **SEVEN_LINES}, {"width_us": 400})
    assert needed_settings(plan, Settings()).width_us == 400
    assert needed_settings(plan, strobed()).width_us == 700
    assert needed_settings(plan_of(SEVEN_LINES), strobed(width_us=520)).width_us == 5_000
    plain = plans.Plan("Ferry", plans.Receiver(lines=0x7F), events=plan.events)
    assert needed_settings(plain, strobed(width_us=520)).width_us == 520


# Codes --------------------------------------------------------------------------------------------


def test_codes_to_be_kept_keep_their_distance_from_idle_too():
    with pytest.raises(ValueError, match="codes 0 and 1"):
        propose(3, 2, keep=[1])
    found = propose(6, 3, keep=[0b111])
    assert 0b111 in found.codes
    for at, code in enumerate(found.codes):
        for other in (0, *found.codes[:at]):
            assert distance(code, other) >= 3


def test_distances_are_counts_of_lines():
    assert [distance(0, code) for code in (0, 1, 3, 0x80, 0xFF)] == [0, 1, 2, 1, 8]
    assert distance(0b1010, 0b0110) == 2


def test_a_probe_of_the_plan_that_the_box_does_not_watch():
    plan = plan_of(events={"horn": 1, "lands": 2})
    seen = replace(plan, events=(replace(plan.events[0], probe="sound"), plan.events[1]))
    (finding,) = fit(seen, Settings(), IDENTITY)
    assert (finding.level, finding.rule) == ("risk", "probe")
    assert "tallymark probe --calibrate sound" in finding.remedy
    watched = Settings().changed(sound="level", sound_threshold=2_000)
    assert fit(seen, watched, IDENTITY) == []
