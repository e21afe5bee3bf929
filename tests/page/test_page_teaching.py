"""Teaching: faults of a virtual box's wiring, hidden until found; a class with a box each."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from page_rig import Running, wait_for

from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import Fault, Wiring, responses, single_faults
from tallymark.page.teaching_faults import Lesson, drawn
from tallymark.virtual import VirtualBox


def lesson() -> tuple[Lesson, VirtualBox]:
    device = VirtualBox()
    return Lesson(device, lambda: None), device


def test_what_is_hidden_is_told_to_nobody_before_the_answer():
    one, device = lesson()
    one.hide_these([Fault.parse("swapped:2,5")])
    assert device.wiring.faults == (Fault.parse("swapped:2,5"),)
    assert one.is_open
    told = json.dumps(one.as_data())
    assert "swapped" not in told
    assert one.as_data()["faults"] == []
    assert one.as_data(teacher=True)["faults"][0]["fault"] == "swapped:2,5"
    one.answer(["swapped:2,4"])
    assert one.is_open
    said = one.as_data()["said"]
    code, seen = map(int, re.findall(r"\d+", said))
    wrong, true = Wiring(["swapped:2,4"]).table(), Wiring(["swapped:2,5"]).table()
    assert wrong[code] == seen != true[code]
    one.answer(["swapped:5,2"])
    assert not one.is_open
    assert one.as_data()["right"]
    assert one.as_data()["answers"] == 2
    with pytest.raises(BadValue, match="No fault is hidden"):
        one.answer(["swapped:2,5"])


def test_what_can_not_be_told_apart_counts_as_right():
    one, _ = lesson()
    one.hide_these([Fault.parse("open:3")])
    one.answer(["stuck-low:3"])
    assert one.as_data()["right"]


@pytest.mark.parametrize("count", [1, 2])
def test_every_fault_that_is_drawn_shows(count):
    straight = responses([])
    for _ in range(300):
        faults = drawn(count)
        assert len(faults) == count
        assert responses(faults) != straight
        for left in faults:
            assert responses([one for one in faults if one is not left]) != responses(faults)
    with pytest.raises(BadValue):
        drawn(3)


def see(page: Any, code: int) -> str:
    """What the readback makes of a code, by the list of what was sent."""
    page.get_by_role("button", name="Lines", exact=True).click()
    before = page.locator("#sent tr").count()
    page.get_by_label("Code", exact=True).fill(str(code))
    page.get_by_role("button", name="Send pulse").click()
    wait_for(lambda: page.locator("#sent tr").count() == before + 1, "the row")
    cell = page.locator("#sent tr").first.locator("td").nth(5)
    wait_for(lambda: cell.inner_text() != "", "the readback")
    return str(cell.inner_text())


def test_a_hidden_fault_is_found_by_looking(start, window, picture):
    running: Running = start("virtual")
    page = window(running)
    page.get_by_role("button", name="Teaching").click()
    page.get_by_text("The wiring is straight: no fault.").wait_for()
    page.get_by_role("button", name="Hide one fault").click()
    page.get_by_text("1 fault is hidden in the wiring of this box").wait_for()
    picture(page, "teaching-hidden")
    page.get_by_role("button", name="Before the session").click()
    page.get_by_role("button", name="Run the self-test").click()
    page.get_by_text("the self-test would tell it").wait_for()
    page.get_by_role("button", name="Teaching").click()
    page.get_by_role("button", name="Show the answer").click()
    page.get_by_text("The answer was shown.").wait_for()
    assert page.locator("#lesson-faults li").count() == 1


def test_faults_are_set_and_seen(start, window, picture):
    page = window(start("virtual"))
    page.get_by_role("button", name="Teaching").click()
    page.get_by_label("Fault 1", exact=True).select_option("swapped")
    page.get_by_label("Fault 1, line").select_option("0")
    page.get_by_label("Fault 1, other line").select_option("1")
    page.get_by_label("Fault 2", exact=True).select_option("open")
    page.get_by_label("Fault 2, line").select_option("4")
    page.get_by_role("button", name="Set these").click()
    page.get_by_text("2 faults are set.").wait_for()
    assert see(page, 1) == "✗ code 2"
    assert see(page, 18) == "✗ code 1"
    page.get_by_role("button", name="Before the session").click()
    page.get_by_role("button", name="Run the self-test").click()
    page.get_by_text("The wiring has a fault.").wait_for()
    page.get_by_role("button", name="Teaching").click()
    picture(page, "teaching-set")
    page.get_by_role("button", name="Straight wiring").click()
    page.get_by_text("The wiring is straight: no fault.").wait_for()
    assert see(page, 1) == "✓ 5 ms"
    page.get_by_role("button", name="Before the session").click()
    page.get_by_text("anew since the last test. Test again.").wait_for()


def addresses(running: Running) -> list[str]:
    return re.findall(r"Student \d+: (\S+)", running.printed.read_text())


class Seat:
    """A student's place, as `window` opens it."""

    def __init__(self, running: Running, address: str) -> None:
        self.base, self.host = running.base, running.host
        self.address = address
        self.token = address.split("/#")[1]


def test_a_class_has_a_box_each(start, window, picture):
    running: Running = start("virtual", "--class", 2)
    one, two = (Seat(running, address) for address in addresses(running))
    teacher, first, second = window(running), window(one), window(two)
    teacher.get_by_role("button", name="Teaching").click()
    teacher.get_by_role("button", name="Hide a fault in each box").click()
    teacher.locator("#class-rows tr", has_text="Student 2").get_by_text("looks for it").wait_for()
    for page in (first, second):
        page.get_by_role("button", name="Teaching").click()
        page.get_by_text("1 fault is hidden in the wiring of this box").wait_for()
        assert page.get_by_role("button", name="Hide one fault").count() == 0
        assert page.locator("#lesson-faults li").count() == 0
        assert page.locator("#class").is_hidden()
    assert see(second, 7)
    assert first.locator("#sent tr").count() == 0
    picture(teacher, "teaching-class")
    picture(first, "teaching-student")
    second.get_by_role("button", name="Teaching").click()
    second.get_by_label("Answer 1", exact=True).select_option("unplugged")
    second.get_by_label("Answer 2", exact=True).select_option("stuck-high")
    second.get_by_role("button", name="This is it").click()
    second.get_by_text("✗ Not this: with it, code").wait_for()
    teacher.locator("#class-rows", has_text="1 answer").wait_for()
    path, headers = "/api/box/2/wiring/answer", {"x-tallymark-token": two.token}
    for fault in single_faults():
        if running.get(path, {"faults": [str(fault)]}, headers)[0] != 200:
            break  # found before
    second.get_by_text("✓ Found, with").wait_for()
    assert second.locator("#lesson-faults li").count() == 1
    teacher.locator("#class-rows tr", has_text="Student 2").get_by_text("✓ found").wait_for()
    assert first.locator("#lesson-faults li").count() == 0
    teacher.get_by_role("button", name="Show the answers to all").click()
    first.get_by_text("The answer was shown.").wait_for()
    assert first.locator("#lesson-faults li").count() == 1


def test_a_student_gets_nowhere_else(start):
    running: Running = start("virtual", "--class", 2)
    seat = Seat(running, addresses(running)[1])
    headers = {"x-tallymark-token": seat.token}

    def post(path: str, **asked: object) -> int:
        asked = {"id": "a" * 16, "window": "test", **asked}
        return running.get(path, asked, headers)[0]

    assert post("/api/box/2/send", code=4) == 200
    assert post("/api/box/1/send", code=4) == 400
    assert post("/api/box/2/wiring/hide", count=1) == 400
    assert post("/api/box/2/wiring/show") == 400
    assert post("/api/box/2/wiring", faults=[]) == 400
    assert post("/api/class/hide", count=1) == 400
    assert post("/api/class/show") == 400
    assert running.sent == []


@pytest.mark.parametrize("options", [("--listen", "127.0.0.1"), ("--class", 2, "--other", "x")])
def test_what_does_not_go_together_is_refused(tmp_path, options):
    with pytest.raises(AssertionError, match="--class"):
        Running(tmp_path, "virtual", *options)
