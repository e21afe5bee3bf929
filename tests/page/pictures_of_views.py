"""Pictures of every view as a technician meets it: four widths, light and dark, in
build/page/views.

A session of the ferry example with faults in the wiring and in what its program sends; a box with
probes beside it; recordings, one of them bad; no box; a box that is gone. Nothing is checked: look
at them. What scrolls sideways is printed.

    python tests/page/pictures_of_views.py [VIEW ...]
"""

from __future__ import annotations

import itertools
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from page_rig import FERRY, ROOT, TALLYMARK, Running, wait_for
from playwright.sync_api import sync_playwright

from tallymark import Box
from tallymark.virtual import Server, VirtualBox
from tallymark.virtual.stimuli import Display, Loudspeaker, present

SIZES = ((360, 740), (768, 1024), (1280, 900), (2560, 1300))
INTO = ROOT / "build/page/views"
SPARE = bytes.fromhex("7669727475616C05")
SIGNED = FERRY.read_text() + "\n[signature]\ncode = 255\n"
wanted = sys.argv[1:]


def shoot(page: Any, name: str) -> None:
    """Pictures of what a window shows now."""
    if wanted and name not in wanted:
        return
    for scheme, (width, height) in itertools.product(("light", "dark"), SIZES):
        page.emulate_media(color_scheme=scheme)
        page.set_viewport_size({"width": width, "height": height})
        time.sleep(0.15)
        wide = page.evaluate("document.documentElement.scrollWidth")
        if wide > width:
            print(f"{name}, {width}: the page is {wide} wide")
        for text in page.evaluate(SCROLLS):
            print(f"{name}, {width}: scrolls sideways: {text}")
        page.screenshot(path=INTO / f"{name}-{width:04}-{scheme}.png", full_page=True)


SCROLLS = """() => [...document.querySelectorAll('main *')].filter((one) => one.clientWidth > 1
  && one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).overflowX !== 'visible'
  && one.tagName !== 'INPUT').map((one) => `${one.tagName} ${one.id} ${one.className}`
  + ` ${one.getAttribute('aria-label') ?? ''} ${one.scrollWidth} of ${one.clientWidth}`)"""


def see(page: Any, view: str) -> None:
    page.locator(f"nav [data-view={view}]").click()


def write(port: str, *codes: int, every_s: float = 0.12) -> None:
    with open(port, "wb", buffering=0) as bytes_in:
        for code in codes:
            bytes_in.write(bytes([code]))
            time.sleep(every_s)


def session(look: Callable[..., Any], begin: Callable[..., Running], folder: Path) -> None:
    """A session with faults, on two boxes; the second has probes."""
    plan = folder / "signed.toml"
    plan.write_text(SIGNED)
    display, speaker = Display(), Loudspeaker()
    served = Server(VirtualBox(SPARE), tcp=True)
    with served, Box.open(served.where) as box:
        box.settings.write(box.settings.read().changed(
            light="level", light_threshold=display.threshold, light_hysteresis=4_000,
            sound="level", sound_threshold=speaker.threshold, sound_hysteresis=4_000, name="spare",
        ))
        box.close()
        running = begin("virtual://?fault=open:1", "--plan", plan, "--other", served.where)
        page = look(running)
        see(page, "before")
        shoot(page, "before-begin")
        page.get_by_role("button", name="Run the self-test").click()
        page.get_by_text("The wiring has a fault.").wait_for()
        page.locator("#test-marker").click()
        page.get_by_text("Does the amplifier show it?").wait_for()
        shoot(page, "before")
        page.locator("#sign").click()
        page.locator("#steps-before", has_text="signature 1 (code 255) was sent").wait_for()
        write(running.byte_port, 3, 9, 17, 36, 65, 96, 9, 18, 36, 66, 129, 9, 17)
        write(running.byte_port, 99, 9, 18, every_s=0.03)
        write(running.byte_port, 9, 17, 36, 65, 96, 5)
        see(page, "lines")
        page.get_by_label("Code", exact=True).fill("12")
        page.get_by_role("button", name="Set until idle").click()
        page.get_by_text("Code 12 stays on the lines.").wait_for()
        page.get_by_text("Sequence", exact=True).click()
        page.locator("#traces").hover(position={"x": 200, "y": 100})
        page.locator("#pause").click()
        shoot(page, "lines")
        see(page, "during")
        shoot(page, "during")
        see(page, "settings")
        page.locator("#setting-width_us").fill("1")
        page.get_by_role("button", name="Compare with it").click()
        page.get_by_text("They differ in").wait_for()
        shoot(page, "settings")
        see(page, "boxes")
        shoot(page, "boxes")
        page.get_by_role("button", name="Take box 1 off").click()
        page.locator("#take-off").wait_for()
        shoot(page, "boxes-take-off")
        page.get_by_role("button", name="Leave it").click()
        see(page, "teaching")
        shoot(page, "teaching-set")
        page.get_by_role("button", name="Hide two faults").click()
        page.get_by_text("2 faults are hidden").wait_for()
        page.get_by_label("Answer 1", exact=True).select_option("swapped")
        page.get_by_role("button", name="This is it").click()
        page.get_by_text("Not this").wait_for()
        shoot(page, "teaching")
        see(page, "lines")
        page.locator("#box-choice").select_option("2")
        page.get_by_text("✓ Box: spare").wait_for()
        wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "2", "two traces")
        page.get_by_role("button", name="horn (36)").click()
        at = served.device.life_us
        light = display.show(at)
        present(served.device, "light", light)
        present(served.device, "sound", speaker.play(at))
        wait_for(lambda: served.device.life_us > light.levels[-1][0] + 500_000, "the stimuli")
        shoot(page, "probes")
        served.stop()
        page.get_by_text("The box is not connected").wait_for()
        shoot(page, "gone-lines")
        for view in ("before", "during", "boxes", "settings"):
            see(page, view)
            shoot(page, f"gone-{view}")
        running.kill()
        page.get_by_text("No connection to the program").wait_for()
        see(page, "during")
        shoot(page, "program-gone")


def after(look: Callable[..., Any], begin: Callable[..., Running], folder: Path) -> None:
    """Recordings of three sessions: good, bad, and without its log."""
    for name, more in (("ferry-01", ()), ("ferry-02", ("--lost", "4", "--altered", "3")),
                       ("ferry-03", ())):
        files = [folder / f"{name}{ending}" for ending in (".edf", ".log")]
        subprocess.run([*TALLYMARK, "practice", FERRY, *files, "--markers", "200", "--seed", "3",
                        *more], check=True, capture_output=True)
    page = look(begin("virtual", "--plan", FERRY))
    see(page, "after")
    shoot(page, "after-begin")
    page.locator("#files").set_input_files([
        folder / name for name in ("ferry-01.edf", "ferry-01.log", "ferry-02.edf", "ferry-02.log",
                                   "ferry-03.edf")] + [FERRY])
    page.get_by_text("2 of 3 checked").or_(page.get_by_text("3 of 3 checked")).wait_for()
    shoot(page, "after")


def no_box(look: Callable[..., Any], begin: Callable[..., Running], folder: Path) -> None:
    """Started with no box."""
    running = begin(str(folder / "nowhere"), "--plan", FERRY, has_box=False)
    page = look(running, "✗ No box")
    shoot(page, "no-box")


def a_class(look: Callable[..., Any], begin: Callable[..., Running], folder: Path) -> None:
    """A teacher's page."""
    page = look(begin("", "--class", 6))
    see(page, "teaching")
    page.get_by_role("button", name="Hide a fault in each box").click()
    page.get_by_text("looks for it").first.wait_for()
    shoot(page, "class")


def main() -> None:
    INTO.mkdir(parents=True, exist_ok=True)
    with ExitStack() as stack:
        browser = stack.enter_context(sync_playwright()).chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        stack.callback(browser.close)
        for world in (session, after, no_box, a_class):
            folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))

            def begin(*args: Any, folder: Path = folder, **more: Any) -> Running:
                running = Running(folder, *args, **more)
                stack.callback(running.kill)
                return running

            def look(running: Running, ready: str = "✓ Box:") -> Any:
                page = browser.new_context().new_page()
                page.goto(running.address)
                page.get_by_text(ready).first.wait_for()
                return page

            world(look, begin, folder)


if __name__ == "__main__":
    main()
