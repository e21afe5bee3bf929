"""Probes beside the lines: a simulated display and a loudspeaker in front of a served box, what the
page draws and says of them, and the VCD that it saves."""

from __future__ import annotations

import itertools
import re
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from page_rig import Running, wait_for

from tallymark import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import ProbeEdge, ProbeEdges
from tallymark.page.live_lines import LiveLines
from tallymark.page.probe_changes import ProbeChange, ProbeChanges
from tallymark.page.sent_rows import SentRows
from tallymark.virtual import Server, VirtualBox
from tallymark.virtual.stimuli import Display, Loudspeaker, present

DISPLAY, SPEAKER = Display(), Loudspeaker()
_TOLERANCE_US = 200  # a level is looked at every 10 µs, and rises in steps


@pytest.fixture
def served():
    """A box that watches a display and a loudspeaker."""
    with Server(VirtualBox(), tcp=True) as server:
        with Box.open(server.where) as box:
            box.settings.write(box.settings.read().changed(
                light="level", light_threshold=DISPLAY.threshold, light_hysteresis=4_000,
                sound="level", sound_threshold=SPEAKER.threshold, sound_hysteresis=4_000,
            ))
        yield server


def shown_at(page: Any, share: float) -> str:
    """What the page says of a place in the traces, from 0 (left) to 1."""
    place = page.locator("#traces").bounding_box()
    page.mouse.move(place["x"] + 60 + (place["width"] - 62) * share, place["y"] + 40)
    return str(page.locator("#readout").inner_text())


def changes(text: str, name: str) -> list[tuple[int, str]]:
    """(µs of box time, value) of a wire of a VCD file, by its text alone."""
    sign = re.search(rf"\$var wire 1 (\S+) {name} \$end", text)[1]
    zero = int(re.search(r"box time (\d+) us", text)[1])
    found, at = [], 0
    for line in text.splitlines():
        if line.startswith("#"):
            at = int(line[1:])
        elif line[1:] == sign and line[0] in "01x":
            found.append((zero + at, line[0]))
    return found


def test_light_and_sound_are_traces_beside_the_lines(start, window, served, picture):
    running: Running = start(served.where)
    page = window(running)
    wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "2", "two traces")
    assert "light, sound" in page.locator("#traces").get_attribute("aria-label")
    page.get_by_role("button", name="horn (36)").click()
    device = served.device
    light = DISPLAY.show(device.life_us)
    sound = SPEAKER.play(device.life_us)
    present(device, "light", light)
    present(device, "sound", sound)
    page.get_by_text("'horn' went out.").wait_for()
    wait_for(lambda: device.life_us > light.levels[-1][0] + 500_000, "the end of the stimuli")
    page.get_by_role("button", name="Pause").click()
    picture(page, "probes")
    assert Axe().run(page).response["violations"] == []
    page.locator("#traces").focus()
    said = []
    for _ in range(20):
        page.keyboard.press("ArrowLeft")
        said.append(page.locator("#readout").inner_text())
        if "No more edges" in said[-1]:
            break
    probes = {re.search(r"light [a-z ]+; sound [a-z ]+", text)[0] for text in said[:-1]}
    assert probes >= {"light off; sound off", "light on; sound on"}
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save VCD").click()
    text = saved.value.path().read_text()
    for name, stimulus in (("light", light), ("sound", sound)):
        seen = changes(text, name)
        assert [value for _, value in seen][-3:] == ["0", "1", "0"]
        assert abs(seen[-2][0] - stimulus.onset_us) < _TOLERANCE_US
    assert "ttl" not in text
    running.end()
    logged = [each["probe"] for each in running.records("probe") if each["on"]]
    assert sorted(logged) == ["light", "sound"]


def test_the_value_under_the_pointer_is_that_of_its_time(start, window, served):
    running: Running = start(served.where)
    page = window(running)
    wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "2", "two traces")
    served.device.set_probe("light", DISPLAY.bright)
    wait_for(lambda: "light on" in shown_at(page, 0.999), "the light at the right")
    assert "sound off" in shown_at(page, 0.999)
    served.device.set_probe("light", 0)
    wait_for(lambda: "light off" in shown_at(page, 0.999), "the dark at the right")
    page.get_by_role("button", name="Pause").click()
    said = [shown_at(page, share / 200) for share in range(199, 0, -1)]
    seen = [re.search(r"light (off|on|not known)|before the start", text)[0] for text in said]
    assert [word for word, _ in itertools.groupby(seen)][:4] == [
        "light off", "light on", "light off", "light not known"]
    assert "output not known; readback not known; light not known" in said[
        seen.index("light not known") + 20]


def test_only_what_the_settings_watch_has_a_trace(start, window, served):
    running: Running = start(served.where)
    page = window(running)
    wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "2", "two traces")
    page.get_by_role("button", name="Settings").click()
    page.get_by_label("Light probe", exact=True).select_option("off")
    page.get_by_label("Sound probe", exact=True).select_option("off")
    page.get_by_label("TTL probe", exact=True).select_option("high")
    page.get_by_role("button", name="Put in force until restart").click()
    page.get_by_text("✓ In force until").wait_for()
    page.get_by_role("button", name="Lines", exact=True).click()
    wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "1", "one trace")
    served.device.set_probe("ttl", 65_535)
    wait_for(lambda: "ttl on" in shown_at(page, 0.999), "the TTL signal")
    assert "light" not in shown_at(page, 0.999)


def test_what_is_on_at_the_start_is_known_and_a_restart_begins_anew(start, window, served):
    served.device.set_probe("sound", SPEAKER.loud)
    running: Running = start(served.where)
    page = window(running)
    wait_for(lambda: "light off; sound on" in shown_at(page, 0.999), "what is on")
    served.device.start()  # the settings were not kept: no probe is watched any more
    wait_for(lambda: page.locator("#traces").get_attribute("data-probes") == "0", "no trace")
    wait_for(lambda: "sound" not in shown_at(page, 0.999), "the end of what was said")


def test_after_lost_edges_it_is_not_known_what_is_on():
    with Box.open("virtual://?time=stepped") as box:
        settings = box.settings.read().changed(ttl="high", light="level", light_threshold=20_000)
        box.settings.write(settings)
        seen = ProbeChanges()
        seen.watch(box, settings)
        assert [(change.probe, change.on) for change in seen.take_new()] == [
            ("light", False), ("ttl", False)]
        seen.watch(box, settings)
        assert seen.take_new() == []
        seen.hear(ProbeEdges(3, (ProbeEdge(50, "ttl", True),)), None)
        assert seen.take_new() == [
            ProbeChange(50, "light", None), ProbeChange(50, "ttl", None),
            ProbeChange(50, "ttl", True)]
        seen.hear(ProbeEdges(1, ()), 70.4)
        assert seen.take_new() == [ProbeChange(70, "light", None), ProbeChange(70, "ttl", None)]
        seen.miss(80)
        assert [change.time_us for change in seen.take_new()] == [80, 80]
        assert len(seen.all()) == 9
        seen.begin_box_time()
        assert (seen.all(), seen.watched) == ([], ())


def test_what_probes_saw_has_no_place_in_a_new_box_time():
    lines = LiveLines(SentRows(None, Settings()))
    lines.probes.hear(ProbeEdges(0, (ProbeEdge(50, "ttl", True),)), None)
    assert lines.snapshot(None)["probes"] == [(50, "ttl", True)]
    lines.begin_box_time()
    assert (lines.snapshot(None)["probes"], lines.news([], None)["probes"]) == ([], [])
