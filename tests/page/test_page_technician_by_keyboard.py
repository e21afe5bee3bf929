"""A technician's day without a mouse: from no box to a session, and on with the spare."""

from __future__ import annotations

from page_rig import Running, wait_for
from served_ports import SPARE, box, usb
from test_page_keyboard import press, tab_to

from tallymark.virtual import Server, VirtualBox

FIRST = "7669727475616C01"


def test_from_no_box_to_a_session_and_on_with_the_spare(start, window, ports):
    running: Running = start("", program=ports.program, has_box=False)
    page = window(running, no_box=True)
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    with box() as spare:
        with Server(VirtualBox()) as first:
            ports.plug(usb(first, serial_number=FIRST))
            page.get_by_role("button", name=f"Open the box at {first.where}").wait_for()
            press(page, f"Open the box at {first.where}")
            page.get_by_role("heading", name="✓ done: Box found").wait_for()  # 'Before' by itself

            press(page, "Settings")
            tab_to(page, "setting-gap_us")
            page.keyboard.press("Control+a")
            page.keyboard.type("2")
            page.get_by_text("With these settings, the plan").wait_for()
            press(page, "Put in force and keep")
            page.get_by_text("✓ In force and kept; read back and equal.").wait_for()

            press(page, "Before the session")
            press(page, "Run the self-test")
            page.get_by_text("256 codes were read back correctly").wait_for()
            press(page, "copy-the-byte-port")
            page.get_by_text("Copied", exact=True).wait_for()
            address = page.evaluate("navigator.clipboard.readText()")
            assert address == page.locator("#steps-before .address").inner_text()
            press(page, "test-marker")
            page.get_by_text("Does the amplifier show it?").wait_for()
            press(page, "Yes, the amplifier shows it")
            page.get_by_text("✓ Ready: all steps are done.").wait_for()

            press(page, "to-during")
            with open(address, "wb", buffering=0) as program:
                program.write(bytes([3]))
            page.locator("#counts tr", has_text="block starts").get_by_text("3 to come").wait_for()
            page.get_by_text("✓ All as it should be so far").or_(
                page.get_by_text("✗ Look here: 1 problem")  # late, on a busy computer
            ).wait_for()
        page.get_by_text("If it is broken, open a spare on 'Boxes'.").wait_for()

        press(page, "Boxes")
        ports.plug(usb(spare))
        page.get_by_role("button", name=f"Open the box at {spare.where}").wait_for()
        press(page, f"Open the box at {spare.where}")
        page.get_by_text("✓ It is box 2 on this page").wait_for()
        assert page.evaluate("document.activeElement.id") == "boxes-title"
        press(page, "Show box 2")
        page.get_by_text(f"✓ Box: virtual {SPARE}").wait_for()
        press(page, "Settings")
        wait_for(lambda: page.locator("#setting-gap_us").count()
                 and page.locator("#setting-gap_us").input_value() == "0", "the spare's settings")
        press(page, "Fill in its settings")
        page.locator("#settings-state", has_text="1 differs").wait_for()
        assert page.locator("#setting-gap_us").input_value() == "2"
        press(page, "Put in force and keep")
        page.get_by_text("✓ In force and kept; read back and equal.").wait_for()
        running.end()
        assert [edge.levels for edge in spare.device.edges()] == [0]
        log = running.log.with_name("session-2.log").read_text()
        assert '"gap_us":2000' in log.replace(" ", "")
