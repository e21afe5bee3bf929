"""A box is taken off the page while it runs, and the page starts without a box. The lines are
looked at in the served boxes, and what a program notices in the byte port itself."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from page_rig import TALLYMARK, Running, wait_for
from served_ports import SPARE, box, usb
from test_page_keyboard import press

from tallymark.virtual import Server, VirtualBox


def kinds(log: Path) -> list[str]:
    """The kinds of the records of a marker log."""
    return [next(iter(json.loads(line))) for line in log.read_text().splitlines()]


def test_a_box_is_taken_off_after_a_question_and_other_windows_see_it(
    start, window, ports, picture
):
    with Server(VirtualBox()) as first, box() as spare:
        running: Running = start(first.where, "--other", spare.where, program=ports.program)
        page, other = window(running), window(running)
        other.get_by_label("Box", exact=True).select_option("2")
        other.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        other.get_by_role("button", name="During the session").click()
        ports.plug(usb(spare))
        running.post("/api/box/2/send", code=12, stays=True)
        assert spare.device.outputs == 12
        page.get_by_role("button", name="Boxes", exact=True).click()
        page.get_by_role("button", name="Take box 2 off").click()
        asked = page.get_by_role("dialog")
        asked.get_by_text("Code 12 is on the lines: it ends.").wait_for()
        assert "session-2.log ends" in asked.inner_text()
        assert Axe().run(page).response["violations"] == []
        picture(page, "boxes-take-off")
        asked.get_by_role("button", name="Leave it").click()
        asked.wait_for(state="hidden")
        assert spare.device.outputs == 12
        page.get_by_role("button", name="Take box 2 off").click()
        asked.get_by_role("button", name="Take box 2 off").click()
        page.get_by_text("✓ Box 2 is off this page.").wait_for()
        page.locator("#boxes-off li").get_by_text("Its lines are at idle.").wait_for()
        assert [edge.levels for edge in spare.device.edges()] == [0, 12, 0]
        assert kinds(running.log.with_name("session-2.log"))[-1] == "end"
        other.locator("#trouble").get_by_text("is off this page. Its lines are at idle.").wait_for()
        assert other.get_by_text("✗ No box", exact=True).is_visible()
        assert other.get_by_role("button", name="During the session").is_disabled()
        assert other.locator("#verdict").is_hidden()
        picture(other, "boxes-taken-off-elsewhere")
        assert running.post("/api/box/2/send", code=1)[0] == 400
        assert running.post("/api/box/1/send", code=5)[0] == 200
        page.get_by_role("button", name=f"Open the box at {spare.where}").click()
        page.get_by_text("✓ It is box 3 on this page").wait_for()
        other.get_by_label("Box", exact=True).select_option("3")
        other.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        running.end()
        assert running.sent == [5]


def test_a_box_is_taken_off_by_keyboard_alone(start, window):
    with Server(VirtualBox()) as first, box() as spare:
        running: Running = start(first.where, "--other", spare.where)
        page = window(running)
        press(page, "Boxes")
        press(page, "Take box 2 off")
        page.get_by_role("dialog").wait_for()
        assert page.evaluate("document.activeElement.id") == "take-off-no"
        page.keyboard.press("Escape")
        page.get_by_role("dialog").wait_for(state="hidden")
        assert page.evaluate("document.activeElement.id") == "take-off-2"
        page.keyboard.press("Enter")
        page.get_by_role("dialog").wait_for()
        page.keyboard.press("Tab")
        page.keyboard.press("Enter")
        page.get_by_text("✓ Box 2 is off this page.").wait_for()
        assert page.evaluate("document.activeElement.id") == "boxes-title"
        assert running.end() == 0


def test_nothing_is_asked_where_nothing_ends_but_a_sequence_that_began_is(start, window):
    with Server(VirtualBox()) as first, box() as spare:
        running: Running = start(first.where, "--other", spare.where, log=False)
        page = window(running)
        page.get_by_role("button", name="Boxes", exact=True).click()
        assert running.post("/api/box/2/play", steps=[[1, 60_000_000]], repeats=1)[0] == 200
        page.get_by_role("button", name="Take box 2 off").click()
        page.get_by_text("A sequence plays: it is stopped where it is.").wait_for()
        assert spare.device.outputs == 1
        page.get_by_role("dialog").get_by_role("button", name="Take box 2 off").click()
        page.get_by_text("✓ Box 2 is off this page.").wait_for()
        assert spare.device.outputs == 0
        assert running.post("/api/boxes", where=spare.where) == (200, {"number": 3})
        page.get_by_role("button", name="Take box 3 off").click()
        page.get_by_text("✓ Box 3 is off this page.").wait_for()


def test_the_last_box_is_taken_off_and_another_opened(start, window, ports, picture):
    with Server(VirtualBox()) as first, box() as spare:
        link = ports.folder / "markers"
        running: Running = start(first.where, "--link", link, log=False, program=ports.program)
        page = window(running)
        ports.plug(usb(spare))
        program = os.open(link, os.O_RDWR | os.O_NOCTTY)
        page.get_by_role("button", name="Boxes", exact=True).click()
        page.get_by_role("button", name="Take box 1 off").click()
        page.locator("#trouble", has_text="open one on 'Boxes'").wait_for()
        with pytest.raises(OSError, match="Input/output error"):
            os.write(program, b"\5")
        os.close(program)
        assert Axe().run(page).response["violations"] == []
        page.get_by_role("button", name=f"Open the box at {spare.where}").click()
        page.get_by_role("button", name="Show box 2").click()
        page.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        program = os.open(link, os.O_RDWR | os.O_NOCTTY)
        os.write(program, b"\6")
        seen = [0]
        wait_for(lambda: seen.extend(edge.levels for edge in spare.device.edges()) or 6 in seen,
                 "the marker")
        os.close(program)
        assert [edge.levels for edge in first.device.edges()] == [0]
        assert running.end() == 0


def test_a_box_that_is_gone_is_taken_off_and_its_lines_are_not_known(start, window):
    with Server(VirtualBox()) as first:
        running: Running = start(first.where, log=False)
        page = window(running)
        with box() as spare:
            assert running.post("/api/boxes", where=spare.where)[0] == 200
        page.get_by_role("button", name="Boxes", exact=True).click()
        page.get_by_text("✗ gone from").wait_for()
        page.get_by_role("button", name="Take box 2 off").click()
        page.locator("#boxes-off .bad", has_text="It is not known whether its lines are at idle"
                     ).wait_for()
        assert running.end() == 0  # nobody waits for that box any more


def test_the_page_starts_without_a_box_and_offers_what_is_plugged_in(
    start, window, ports, picture
):
    running: Running = start("", program=ports.program, has_box=False)
    assert "No box was found." in running.complained.read_text()
    page = window(running, no_box=True)
    page.locator("#trouble", has_text="Plug one in: it is offered on 'Boxes'.").wait_for()
    page.locator("#boxes-waiting", has_text="No box was found.").wait_for()
    assert Axe().run(page).response["violations"] == []
    picture(page, "no-box")
    page.get_by_role("button", name="After the session").click()
    page.get_by_text("Drop recordings and marker logs here").wait_for()
    page.get_by_role("button", name="Boxes", exact=True).click()
    with box() as spare:
        ports.plug(usb(spare))
        page.get_by_role("button", name=f"Open the box at {spare.where}").click()
        page.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        assert page.locator("#boxes-waiting").inner_text() == ""
        page.get_by_role("button", name="Lines", exact=True).click()
        page.get_by_role("button", name="horn (36)").click()
        page.get_by_text("'horn' went out.").wait_for()
        assert running.end() == 0
        assert [edge.levels for edge in spare.device.edges()] == [0, 36, 0]
    assert running.sent == [36]


def test_a_named_port_that_is_not_there_yet_is_offered_once_it_is(start, window, ports):
    late = ports.folder / "box"
    running: Running = start(str(late), program=ports.program, has_box=False)
    page = window(running, no_box=True)
    page.locator("#boxes-waiting", has_text=f"There is no port {late}.").wait_for()
    assert page.get_by_role("button", name="Open the box at").count() == 0
    with box() as spare:
        late.symlink_to(spare.where)
        page.get_by_role("button", name=f"Open the box at {late}").click()
        page.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        assert running.post("/api/box/1/send", code=7)[0] == 200
        running.end()
        assert [edge.levels for edge in spare.device.edges()] == [0, 7, 0]


def test_a_log_that_exists_is_told_before_the_page_waits(ports, tmp_path):
    log = tmp_path / "session.log"
    log.write_text("another session\n")
    with pytest.raises(AssertionError, match="never overwritten"):
        Running(tmp_path, "", program=ports.program, has_box=False)
    assert log.read_text() == "another session\n"


def test_a_student_takes_no_box_off(start):
    running: Running = start("virtual", "--class", "1", program=TALLYMARK)
    assert running.post("/api/boxes/1/take-off", sure=True)[0] == 400
    assert running.post("/api/box/1/send", code=5)[0] == 200
