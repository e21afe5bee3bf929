"""Each view by keyboard alone: Tab, Enter, Space and letters."""

from __future__ import annotations

import re
import subprocess
from typing import Any

from page_rig import FERRY, TALLYMARK, Running, wait_for

_TABS_MOST = 150
_WHERE = """() => {
  const at = document.activeElement;
  const text = at.tagName === 'BUTTON' ? at.textContent : '';
  return [at.id, at.getAttribute('aria-label') ?? '', text];
}"""


def tab_to(page: Any, name: str) -> None:
    """Presses Tab until the focus is on what has that id, label or text."""
    for _ in range(_TABS_MOST):
        page.keyboard.press("Tab")
        if name in page.evaluate(_WHERE):
            return
    raise AssertionError(f"'{name}' can't be reached by Tab")


def press(page: Any, name: str) -> None:
    tab_to(page, name)
    page.keyboard.press("Enter")


def choose_files(page: Any) -> Any:
    """The dialog of the files. The browser is asked to pass it on and not to open it, by another
    way than keys take; a question that takes the first way as well makes sure that it has heard."""
    tab_to(page, "files")
    with page.expect_file_chooser() as chosen:
        page.evaluate("0")
        page.keyboard.press("Space")
    return chosen.value


def hold(page: Any, running: Running, name: str, begin: Any, end: Any) -> None:
    """A press of a button on 'Before the session' that lasts while a byte comes and is counted."""
    tab_to(page, name)
    came = page.get_by_text(re.compile(r"\d+ bytes? came so far"))
    before = came.inner_text() if came.count() else ""
    begin()
    with open(running.byte_port, "wb", buffering=0) as port:
        port.write(bytes([1]))
        wait_for(lambda: came.count() and came.inner_text() != before, "the count of bytes")
    end()


def test_a_press_that_lasts_while_the_view_changes_acts(start, window):
    running: Running = start("virtual")
    page = window(running)
    press(page, "Before the session")
    hold(page, running, "test-marker", lambda: page.keyboard.down("Space"),
         lambda: page.keyboard.up("Space"))
    page.get_by_text("Does the amplifier show it?").wait_for()
    page.locator("#not-seen").hover()
    hold(page, running, "not-seen", page.mouse.down, page.mouse.up)
    page.get_by_text("The amplifier did not show").wait_for()


def test_every_view_is_worked_by_keyboard_alone(start, window, tmp_path):
    recording, log = tmp_path / "tour.edf", tmp_path / "tour.log"
    subprocess.run([*TALLYMARK, "practice", FERRY, recording, log, "--markers", "20",
                    "--seed", "1"], check=True, capture_output=True)
    running: Running = start("virtual")
    page = window(running)

    press(page, "Before the session")
    press(page, "Run the self-test")
    page.get_by_text("256 codes were read back correctly").wait_for()
    press(page, "test-marker")
    page.get_by_text("Does the amplifier show it?").wait_for()
    press(page, "Yes, the amplifier shows it")
    page.get_by_text("✓ Ready: all steps are done.").wait_for()

    press(page, "After the session")
    choose_files(page).set_files([recording, log])
    page.get_by_text("1 of 1 checked; 1 is as it should be.").wait_for()

    press(page, "Settings")
    tab_to(page, "setting-width_us")
    page.keyboard.press("Control+a")
    page.keyboard.type("9")
    press(page, "Put in force until restart")
    page.get_by_text("✓ In force until the next restart of the box").wait_for()
    assert running.records("marker_log")[-1]["settings"]["width_us"] == 9_000

    press(page, "Teaching")
    press(page, "Hide one fault")
    page.get_by_text("1 fault is hidden").wait_for()
    tab_to(page, "Answer 1")
    page.keyboard.type("cable")
    press(page, "This is it")
    page.locator("#answer-said, #lesson").get_by_text("Not this").or_(
        page.get_by_text("✓ Found, with 1 answer.")
    ).first.wait_for()

    press(page, "Lines")
    press(page, "Idle now")
    page.get_by_text("The lines are at idle.").wait_for()
