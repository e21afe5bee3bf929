"""A session with faults on two boxes at every width: nothing is cut, overlaps or scrolls sideways,
and what stands on the page stays true when its program says nothing more."""

from __future__ import annotations

import signal
import time
from typing import Any

import pytest
from page_rig import Running

from tallymark.virtual import Server, VirtualBox

SPARE = bytes.fromhex("7669727475616C05")
SIZES = ((360, 740), (768, 1024), (1280, 900), (2560, 1300))
_SIDEWAYS = """() => [document.documentElement, ...document.querySelectorAll('main .scroll')]
  .filter((one) => one.scrollWidth > one.clientWidth + 1)
  .map((one) => `${one.getAttribute('aria-label')}: ${one.scrollWidth} in ${one.clientWidth}`)"""
_COVERED = """() => {
  const seen = [...document.querySelectorAll('header button, header select, header .state, nav')];
  const places = seen.filter((one) => one.textContent && one.getClientRects().length)
    .map((one) => [one, one.getBoundingClientRect()]);
  const found = [];
  for (const [one, a] of places) for (const [two, b] of places) {
    if (one === two || one.contains(two) || two.contains(one)) continue;
    const apart = a.right <= b.left + 1 || b.right <= a.left + 1
      || a.bottom <= b.top + 1 || b.bottom <= a.top + 1;
    if (!apart) found.push(`${one.id || one.textContent} and ${two.id || two.textContent}`);
  }
  return found;
}"""
_OVER_BUTTONS = """() => {
  const places = [...document.querySelectorAll('main button, main .pick')]
    .map((one) => [one.textContent, one.getBoundingClientRect()]).filter(([, a]) => a.width);
  return places.flatMap(([one, a], at) => places.slice(at + 1)
    .filter(([, b]) => a.left < b.right && b.left < a.right
      && a.top < b.bottom && b.top < a.bottom)
    .map(([two]) => `${one} and ${two}`));
}"""


def fits(page: Any, what: str) -> None:
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        for wrong in (_SIDEWAYS, _COVERED, _OVER_BUTTONS):
            assert page.evaluate(wrong) == [], (what, width)


def test_nothing_is_cut_or_covered_at_any_width(start, window):
    with Server(VirtualBox(SPARE), tcp=True) as spare:
        running: Running = start("virtual://?fault=open:1", "--other", spare.where)
        page = window(running)
        for code in (3, 18, 99, 36):
            running.post("/api/box/1/send", code=code)
        running.post("/api/box/1/send", code=12, stays=True)
        page.locator("#sent tr").nth(4).wait_for()
        for view in ("lines", "during", "settings", "boxes", "teaching", "after", "before"):
            page.locator(f"nav [data-view={view}]").click()
            if view == "settings":
                page.get_by_role("button", name="Compare with it").click()
                page.get_by_text("Both boxes are equal in all").wait_for()
            if view == "before":
                page.locator("#test-marker").click()
                page.locator("#not-seen").wait_for()
            fits(page, view)
        page.locator("#box-choice").select_option("2")
        page.get_by_text(f"✓ Box: virtual {SPARE.hex().upper()}").wait_for()
    page.get_by_text("✗ Box gone").wait_for()
    for view in ("lines", "during", "boxes"):
        page.locator(f"nav [data-view={view}]").click()
        fits(page, f"{view}, box gone")


def test_idle_now_stays_in_its_place(start, window):
    page = window(start("virtual"))
    places = set()
    for view in ("lines", "before", "during", "after", "settings", "boxes"):
        page.locator(f"nav [data-view={view}]").click()
        place = page.get_by_role("button", name="Idle now").bounding_box()
        places.add((place["x"], place["y"]))
    page.locator("nav [data-view=lines]").click()
    page.get_by_role("button", name="Set until idle").click()
    page.locator("#held-state", has_text="Lines held at 1").wait_for()
    place = page.get_by_role("button", name="Idle now").bounding_box()
    assert places == {(place["x"], place["y"])}


def test_problems_are_told_by_kind(start, window):
    running: Running = start("virtual://?fault=open:1")
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    for code in (3, 3, 18, 100):
        running.post("/api/box/1/send", code=code)
        time.sleep(0.15)  # the plan has at least 100 ms
    page.locator("#what-to-do li", has_text="3 times, last ferry at right (18): readback saw code "
                 "16: line 1 did not move. Run the self-test.").wait_for()
    page.locator("#what-to-do li", has_text="code 100: not in the plan").get_by_text(
        "Mend the program, or add the event to the plan.").wait_for()
    times = page.locator("#problems li").all_inner_texts()
    assert times == sorted(times, key=lambda text: text[:8], reverse=True)


@pytest.mark.parametrize("by", [signal.SIGKILL, signal.SIGSTOP])
def test_nothing_is_claimed_of_a_program_that_says_nothing(start, window, by):
    running: Running = start("virtual")
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    page.get_by_text("✓ Waiting for the first marker").wait_for()
    running.process.send_signal(by)
    page.locator("#verdict", has_text="? Not known: the program of this page does not answer"
                 ).wait_for()
    for name in ("Lines", "Before the session", "During the session"):
        page.get_by_role("button", name=name, exact=True).click()
        assert "What is shown is old" in page.locator("#trouble").inner_text()
        assert page.locator("#box-state").inner_text() == "? Box: not known"
        assert page.get_by_role("button", name="Idle now").is_disabled()
    assert page.get_by_text("✓ Waiting for the first marker").count() == 0
    if by == signal.SIGSTOP:
        running.process.send_signal(signal.SIGCONT)
        page.get_by_text("✓ Waiting for the first marker").wait_for()
        assert page.get_by_role("button", name="Idle now").is_enabled()
        page.get_by_role("button", name="Lines", exact=True).click()
        assert not page.locator("#trouble").is_visible()
        assert page.locator("#box-state").inner_text().startswith("✓ Box:")


def test_settings_of_a_box_that_is_gone_are_not_made_up(start, window):
    with Server(VirtualBox(SPARE), tcp=True) as spare:
        page = window(start(spare.where))
    page.get_by_text("✗ Box gone").wait_for()
    page.get_by_role("button", name="Settings").click()
    page.get_by_text("They are shown once the box is connected.").wait_for()
    for name in ("Fill in what the plan needs", "Fill in the factory values",
                 "Save the settings of the box", "Put in force and keep"):
        assert page.get_by_role("button", name=name).is_disabled()
