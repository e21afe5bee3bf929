"""Boxes that are plugged in and unplugged while the page runs. The boxes are served ones behind
pseudo-terminals; only the system's list of ports is a file of the test, as nothing is plugged in
here."""

from __future__ import annotations

import json

from page_rig import Running, wait_for
from served_ports import SPARE, box, usb

from tallymark.virtual import Server, VirtualBox


def test_a_box_that_is_plugged_in_later_is_opened_beside_the_other(start, window, ports, picture):
    with Server(VirtualBox()) as first, box() as spare:
        running: Running = start(first.where, program=ports.program)
        page = window(running)
        page.get_by_role("button", name="Boxes", exact=True).click()
        page.get_by_text("None. A box that you plug in appears here by itself.").wait_for()
        ports.plug(usb(spare))
        page.get_by_role("button", name=f"Open the box at {spare.where}").wait_for()
        picture(page, "boxes-plugged-in")
        page.get_by_role("button", name=f"Open the box at {spare.where}").click()
        page.get_by_text("✓ It is box 2 on this page").wait_for()
        page.get_by_text("None. A box that you plug in appears here by itself.").wait_for()
        picture(page, "boxes-two")
        page.get_by_role("button", name="Show box 2").click()
        page.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        page.get_by_role("button", name="Lines", exact=True).click()
        page.get_by_role("button", name="horn (36)").click()
        page.get_by_text("'horn' went out.").wait_for()
        assert [edge.levels for edge in spare.device.edges()] == [0, 36, 0]
        assert [edge.levels for edge in first.device.edges()] == [0]
        running.end()
        assert running.sent == []
        log = running.log.with_name("session-2.log").read_text()
        assert [json.loads(line)["code"] for line in log.splitlines()
                if "sent" in json.loads(line)] == [36]


def test_a_box_that_is_unplugged_is_told_on_every_window_and_followed(
    start, window, ports, picture
):
    with Server(VirtualBox()) as first:
        running: Running = start(first.where, program=ports.program)
        page = window(running)
        page.get_by_role("button", name="Boxes", exact=True).click()
        with box() as spare:
            page.get_by_label("Port", exact=True).fill(spare.where)
            page.get_by_role("button", name="Open", exact=True).click()
            page.get_by_text("✓ It is box 2 on this page").wait_for()
        gone = page.locator("#boxes-open tr", has_text=SPARE)
        gone.get_by_text("✗ gone from").wait_for()
        page.get_by_text("✗ Gone: box 2").wait_for()
        picture(page, "boxes-gone")
        page.get_by_role("button", name="Lines", exact=True).click()
        page.get_by_role("button", name="horn (36)").click()
        page.get_by_text("'horn' went out.").wait_for()
        status, said = running.post("/api/box/2/send", code=1)
        assert (status, "not connected" in said["error"]) == (409, True)
        page.get_by_role("button", name="Boxes", exact=True).click()
        with box() as back:
            ports.plug(usb(back))
            gone.get_by_text(f"✓ at {back.where}").wait_for()
            wait_for(lambda: not page.locator("#others-state").inner_text(), "the end of the word")
            assert page.get_by_text("None. A box that you plug in appears here").is_visible()
            assert running.post("/api/box/2/send", code=3)[0] == 200
            running.end()
            assert [edge.levels for edge in back.device.edges()] == [0, 3, 0]


def test_a_box_is_on_the_page_once(start, ports):
    with Server(VirtualBox()) as first:
        running: Running = start(first.where, program=ports.program)
        status, said = running.post("/api/boxes", where=first.where)
        assert (status, "already, as box 1" in said["error"]) == (400, True)
        assert running.post("/api/box/1/send", code=5)[0] == 200
        assert running.post("/api/boxes", where=" ")[0] == 400
        assert running.post("/api/boxes", where="/dev/null")[0] == 409
        with box() as spare:
            assert running.post("/api/boxes", where=spare.where) == (200, {"number": 2})


def test_what_may_be_another_device_is_told_and_left_alone(start, window, ports):
    with Server(VirtualBox()) as first, box() as spare:
        listed = usb(spare, manufacturer="Other", product="USB serial", serial_number=None)
        ports.plug(listed)
        running: Running = start(first.where, program=ports.program)
        assert running.post("/api/boxes", where=spare.where)[0] == 200  # remembered by its socket
        running.end()
        again = start(first.where, program=ports.program)
        token = {"x-tallymark-token": again.token}
        assert json.loads(again.get("/api/boxes", headers=token)[1]) == []
        memory = running.log.parent / "config/tallymark/ports.json"
        (again.log.parent / "config/tallymark").mkdir(parents=True)
        memory.rename(again.log.parent / "config/tallymark/ports.json")
        found = json.loads(again.get("/api/boxes", headers=token)[1])
        assert [(each["port"], each["certain"]) for each in found] == [(spare.where, False)]
        page = window(again)
        page.get_by_role("button", name="Boxes", exact=True).click()
        page.get_by_text("another device may be there by now").wait_for()


def test_a_class_opens_no_further_boxes(start):
    running: Running = start("virtual", "--class", "1")
    token = {"x-tallymark-token": running.token}
    assert running.get("/api/boxes", headers=token)[0] == 400
    assert running.post("/api/boxes", where="virtual")[0] == 400
