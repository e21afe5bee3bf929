"""The plan check finds what would go wrong and says it in words."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from tallymark import plan as plans
from tallymark.common.formatting import time_text
from tallymark.common.lines.distant_code_sets import distance, most_codes, propose
from tallymark.plan import PlanError
from tallymark.plan.keys import KEYS

GOOD = """
name = "Ferry"
[receiver]
sampling_rate = 1000
least_width_us = 2000
[session]
least_interval_us = 200000
width_us = 5000
distance = 2
[[event]]
name = "boat appears"
code = 3
[[event]]
name = "ferry left"
code = 5
[[event]]
name = "ferry right"
code = 6
"""


def load(tmp_path: Path, text: str) -> plans.Plan:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return plans.load(path)


def rules(plan: plans.Plan) -> set[tuple[str, str]]:
    return {(finding.level, finding.rule) for finding in plans.check(plan)}


def test_a_good_plan_has_no_findings(tmp_path: Path) -> None:
    plan = load(tmp_path, GOOD)
    assert plans.check(plan) == []
    assert plan.event("ferry left").code == 5
    assert plan.event("ferry left").width_us == 5000
    assert plan.name_of(6) == "ferry right"
    with pytest.raises(PlanError, match="'ferry left'"):
        plan.event("ferry lost")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("width_us = 5000", "width_us = 1500", ("wrong", "width too short")),
        ("sampling_rate = 1000", "sampling_rate = 300", ("wrong", "width too short")),
        ("least_interval_us = 200000", "least_interval_us = 4000", ("wrong", "interval too short")),
        ("least_interval_us = 200000", "least_interval_us = 6000", ("risk", "idle too short")),
        ("least_width_us = 2000", "least_samples = 6", ("wrong", "width too short")),
        ("code = 6", "code = 0", ("wrong", "code 0")),
        ("code = 6", "code = 256", ("wrong", "outside lines")),
        (
            "least_width_us = 2000",
            "least_width_us = 2000\nlines = [0, 1]",
            ("wrong", "outside lines"),
        ),
        (
            "least_width_us = 2000",
            "least_width_us = 2000\nreserved = [5]",
            ("wrong", "reserved"),
        ),
        ('name = "ferry right"', 'name = "ferry left"', ("wrong", "name twice")),
        ("code = 6", "code = 5", ("wrong", "code twice")),
        ("code = 6", "code = 4", ("wrong", "codes too close")),
        ("code = 6", "code = 16", ("note", "one line")),
        ("sampling_rate = 1000", "", ("note", "no sampling rate")),
    ],
)
def test_each_mistake_is_found(
    tmp_path: Path, old: str, new: str, expected: tuple[str, str]
) -> None:
    assert old in GOOD
    assert expected in rules(load(tmp_path, GOOD.replace(old, new)))


def test_the_receiver_says_how_many_samples_it_needs(tmp_path: Path) -> None:
    text = GOOD.replace("sampling_rate = 1000", "sampling_rate = 256\nleast_samples = 2")
    plan = load(tmp_path, text)
    assert plan.receiver.needed_us == 7813  # 2 / 256 s is 7812.5 µs
    (finding, *_) = plans.check(plan)
    assert "7.813 ms (2 samples)" in finding.text
    assert finding.remedy == "Use at least 7.813 ms."
    wide = load(tmp_path, text.replace("width_us = 5000", "width_us = 7813"))
    assert plans.check(wide) == []
    one = load(tmp_path, text.replace("least_samples = 2", "least_samples = 1"))
    assert plans.check(one) == []
    longer = load(tmp_path, text.replace("least_width_us = 2000", "least_width_us = 9000.5"))
    assert longer.receiver.needed_us == 9001


def test_times_are_in_ms_from_1_ms_on() -> None:
    assert [time_text(us) for us in (0, 900, 3906.25, 5000, 1_000_000, 3_600_000_000)] == [
        "0 µs",
        "900 µs",
        "3.906 ms",
        "5 ms",
        "1,000 ms",
        "3,600 s",
    ]


def test_the_list_of_keys_is_what_the_reader_takes(tmp_path: Path) -> None:
    value = {"name": '"a"', "about": '"a"', "active": '"high"', "idle": '"low"', "code": "3"}
    value |= {"lines": "[0, 1]", "reserved": "[7]", "intervals": '"constant"', "probe": '"light"'}
    text, section = "", "(top)"
    for key in KEYS:
        if key.section != section:
            section = key.section
            text += f"{section}\n"
        text += f"{key.name} = {value.get(key.name, 2)}\n"
    plan = load(tmp_path, text)
    assert plan.receiver == plans.Receiver(2.0, 2.0, 2, 3, "high", "low", (7,), "a")
    assert plan.session == plans.Session(2.0, 2.0, 2, 2, 2, "constant")
    assert plan.signature_code == 3
    assert plan.events == (plans.Event("a", 3, 2, 2, "a", "light"),)
    with pytest.raises(PlanError, match="is not a known key"):
        load(tmp_path, text + "colour = 3\n")


def test_close_codes_are_a_risk_when_no_distance_is_wanted(tmp_path: Path) -> None:
    text = GOOD.replace("distance = 2", "").replace("code = 6", "code = 4")
    findings = [f for f in plans.check(load(tmp_path, text)) if f.rule == "codes too close"]
    assert [finding.level for finding in findings] == ["risk"]
    assert "line 0" in findings[0].text
    assert "3, 5, 6" in findings[0].remedy


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = ", "not valid TOML"),
        ("[reciever]\n", "'reciever' is not a known key"),
        ("[receiver]\nsampling_rate = 0\n", "must be above 0"),
        ("[receiver]\nlines = [8]\n", "numbered 0 to 7"),
        ('[receiver]\nactive = "up"\n', '"high" or "low"'),
        ("[[event]]\ncode = 3\n", "needs a name"),
        ("[receiver]\nidle = 1\n", "idle must be"),
        ("[receiver]\nleast_samples = 2\n", "least_samples needs sampling_rate"),
        ("[receiver]\nsampling_rate = 9\nleast_samples = 0\n", "1 or more"),
        ("[session]\ndistance = 9\n", "1 to 8 lines"),
        ('[[event]]\nname = "a"\n', "needs a code"),
        ('[[event]]\nname = "a"\ncode = 3\n', "has no width"),
        ('[[event]]\nname = "a"\ncode = "3"\nwidth_us = 4\n', "must be a whole number"),
    ],
)
def test_unreadable_plans_name_the_place(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(PlanError, match=message):
        load(tmp_path, text)
    with pytest.raises(PlanError, match="can't be opened"):
        plans.load(tmp_path / "none.toml")


def test_digest_is_of_the_meaning(tmp_path: Path) -> None:
    first = load(tmp_path, GOOD)
    assert load(tmp_path, "# a comment\n" + GOOD).digest == first.digest
    assert load(tmp_path, GOOD.replace("code = 6", "code = 7")).digest != first.digest


@pytest.mark.parametrize(
    ("count", "least", "options"),
    [
        (6, 2, {}),
        (127, 2, {}),
        (15, 3, {}),
        (19, 3, {}),
        (15, 4, {}),
        (3, 5, {}),
        (4, 2, {"lines": 0x0F, "reserved": [3, 5]}),
        (5, 2, {"keep": [0x81, 0x42]}),
    ],
)
def test_proposed_codes_keep_their_distance(
    count: int, least: int, options: dict[str, Any]
) -> None:
    found = propose(count, least, **options)
    assert len(found.codes) == count
    assert set(options.get("keep", [])) <= set(found.codes)
    assert not set(options.get("reserved", [])) & set(found.codes)
    assert all(not code & ~options.get("lines", 0xFF) for code in found.codes)
    assert all(distance(a, b) >= least for a, b in combinations([0, *found.codes], 2))


def test_impossible_distances_are_said_to_be_impossible() -> None:
    assert propose(20, 3).proven
    assert propose(20, 3).codes == ()
    assert propose(20, 3).most == 19
    blocked = propose(2, 3, lines=0x1F, reserved=[7, 11, 13, 14, 19, 21, 22, 25, 26, 28])
    assert blocked.codes == ()
    assert blocked.proven
    with pytest.raises(ValueError, match="too close already"):
        propose(5, 2, keep=[1])


def test_known_limits_hold_by_exhaustion_on_four_lines() -> None:
    for least in (2, 3, 4):
        best = 0
        for size in range(1, 9):
            if any(
                all(distance(a, b) >= least for a, b in combinations([0, *codes], 2))
                for codes in combinations(range(1, 16), size)
            ):
                best = size
        assert most_codes(4, least) == best
