"""Each view by keyboard alone: Tab, Enter, Space and letters."""

from __future__ import annotations

import subprocess
from contextlib import suppress
from typing import Any

from page_rig import FERRY, TALLYMARK, Running
from playwright.sync_api import TimeoutError

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
    """The dialog of the files. At times none opens at the first press (the cause is not known)."""
    for _ in range(2):
        with suppress(TimeoutError):
            return pressed_for_dialog(page, 5_000)
    return pressed_for_dialog(page, 30_000)


def pressed_for_dialog(page: Any, patience_ms: int) -> Any:
    tab_to(page, "files")
    with page.expect_file_chooser(timeout=patience_ms) as chosen:
        page.keyboard.press("Space")
    return chosen.value


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
