"""Settings on the page: what they would do, put in force and kept in the box, files, a spare."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest
from page_rig import Running, wait_for

from tallymark import Box
from tallymark.box.settings import COMMENTS, Settings
from tallymark.page.settings_form import MEANINGS
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def served():
    with Server(VirtualBox(), tcp=True) as server:
        yield server


@pytest.fixture
def spare():
    with Server(VirtualBox(bytes.fromhex("7669727475616C05")), tcp=True) as server:
        yield server


def opened(page: Any) -> Any:
    page.get_by_role("button", name="Settings", exact=True).click()
    page.get_by_text("As in force in the box.").wait_for()
    return page


def after_restart(server: Server) -> Settings:
    """The settings that a box starts with."""
    server.device.start()
    with Box.open(server.where) as box:
        return box.settings.read()


def test_every_setting_has_its_meaning():
    assert list(MEANINGS) == list(COMMENTS)


def test_a_change_is_foretold_put_in_force_and_kept(start, window, served, picture):
    running: Running = start(served.where)
    page = opened(window(running))
    page.get_by_text("✓ With these settings, the plan 'Ferry").wait_for()
    page.get_by_label("Idle level").select_option("high")
    page.get_by_label("Pulse width, ms").fill("12.5")
    page.get_by_text("would suffer").wait_for()
    page.get_by_text("New: The box keeps its lines high between markers").wait_for()
    page.get_by_text("2 changed here, not in force yet.").wait_for()
    assert page.locator("#setting-width_us-note").inner_text().startswith("Now 5 ms.")
    picture(page, "settings-changed")
    assert served.device.outputs == 0
    page.get_by_role("button", name="Put in force until restart").click()
    page.get_by_text("✓ In force until the next restart of the box").wait_for()
    page.get_by_text("! Not kept").wait_for()
    assert served.device.outputs == 255
    assert running.post("/api/box/1/send", code=9)[0] == 200
    with open(running.byte_port, "wb", buffering=0) as port:
        port.write(bytes([99]))  # not in the plan: of the box's own width
        wait_for(lambda: 99 in running.sent, "the byte")
    headers = running.records("marker_log")
    assert [(each["settings"]["idle"], each["settings"]["width_us"]) for each in headers] == [
        ("low", 5_000), ("high", 12_500)
    ]
    page.get_by_role("button", name="Fill in what the plan needs").click()
    page.get_by_text("✓ With these settings").wait_for()
    page.get_by_role("button", name="Put in force and keep").click()
    page.get_by_text("✓ In force and kept").wait_for()
    wait_for(lambda: page.get_by_text("! Not kept").count() == 0, "the word that it is kept")
    page.get_by_label("Pulse width, ms").fill("7")
    page.get_by_text("1 changed here, not in force yet.").wait_for()
    assert page.get_by_text("✓ In force and kept").count() == 0
    width_us = running.records("marker_log")[-1]["settings"]["width_us"]
    assert running.end() == 0
    assert after_restart(served) == Settings(width_us=width_us)
    edges = served.device.edges()
    widths = [two.time_us - one.time_us for one, two in itertools.pairwise(edges)
              if one.levels == 255 ^ 99]
    assert widths == [12_500]


def test_until_restart_is_until_restart(start, window, served):
    running = start(served.where)
    page = opened(window(running))
    page.get_by_label("Name").fill("harbour")
    page.get_by_role("button", name="Put in force until restart").click()
    page.get_by_text("✓ Box: harbour").wait_for()
    served.device.start()
    page.get_by_text("other settings: name").wait_for()
    wait_for(lambda: page.get_by_label("Name").input_value() == "", "the box as it is now")
    running.end()
    assert after_restart(served) == Settings()


def test_what_no_box_can_have_is_told_and_changes_nothing(start, window, served):
    running = start(served.where)
    page = opened(window(running))
    page.get_by_label("Gap, ms").fill("1001")
    page.locator("#effects-title", has_text="gap_us goes from 0 to").wait_for()
    page.get_by_role("button", name="Put in force and keep").click()
    page.locator("#settings-state", has_text="gap_us goes from 0 to").wait_for()
    page.get_by_role("button", name="Back to what the box has").click()
    page.get_by_text("As in force in the box.").wait_for()
    page.get_by_label("Pulse width, ms").fill("a while")
    page.get_by_role("button", name="Put in force and keep").click()
    page.locator("#settings-state", has_text="is not a number of milliseconds").wait_for()
    assert running.post("/api/box/1/send", code=3, stays=True)[0] == 200
    page.get_by_label("Pulse width, ms").fill("7")
    page.get_by_role("button", name="Put in force and keep").click()
    page.locator("#settings-state.bad", has_text="idle").wait_for()
    assert len(running.records("marker_log")) == 1
    assert running.end() == 0
    assert after_restart(served) == Settings()


def test_settings_go_into_a_file_and_come_back(start, window, served, tmp_path: Path):
    running = start(served.where)
    page = opened(window(running))
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save the settings of the box").click()
    text = Path(saved.value.path()).read_text()
    file = tmp_path / "mine.toml"
    file.write_text(text)
    page.set_input_files("#settings-file", file)
    page.get_by_text("✓ mine.toml and the box are equal.").wait_for()
    file.write_text(text.replace("width_us = 5000", "width_us = 8000"))
    page.set_input_files("#settings-file", file)
    page.get_by_text("mine.toml differs from the box in 1 setting").wait_for()
    page.get_by_text("! Its checksum does not match").wait_for()
    assert page.get_by_label("Pulse width, ms").input_value() == "8"
    file.write_text("x = 1")
    page.set_input_files("#settings-file", file)
    page.get_by_text("This file is not a settings file of a box").wait_for()
    status, text, _ = running.get(
        "/api/box/1/settings", headers={"x-tallymark-token": running.token}
    )
    assert status == 200
    assert '"width_us":5000' in text


def test_a_spare_is_compared_and_made_equal(start, window, served, spare, picture):
    running = start(served.where, "--other", spare.where)
    page = opened(window(running))
    page.get_by_label("Name").fill("harbour")
    page.get_by_label("Gap, ms").fill("3")
    page.get_by_role("button", name="Put in force and keep").click()
    page.get_by_text("✓ In force and kept").wait_for()
    page.get_by_role("button", name="Compare with it").click()
    page.get_by_text("They differ in 2 settings:").wait_for()
    assert page.locator("#other-state tbody tr").all_inner_texts() == [
        "Name\tharbour\tnone", "Gap\t3 ms\t0 µs"
    ]
    picture(page, "settings-two-boxes")
    page.get_by_role("button", name="Put these settings into it, and keep").click()
    page.get_by_text("has the settings of this box: kept, read back and equal.").wait_for()
    page.get_by_role("button", name="Compare with it").click()
    page.get_by_text("✓ Both boxes are equal in all 19 settings.").wait_for()
    page.get_by_label("Box", exact=True).select_option("2")
    page.get_by_text("✓ Box: harbour, virtual 7669727475616C05").wait_for()
    page.get_by_role("button", name="Lines", exact=True).click()
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("'horn' went out.").wait_for()
    running.end()
    assert [edge.levels for edge in spare.device.edges()] == [0, 36, 0]
    assert [edge.levels for edge in served.device.edges()] == [0]
    assert running.sent == []
    assert after_restart(spare) == after_restart(served) == Settings(name="harbour", gap_us=3_000)
    second = running.log.with_name("session-2.log").read_text()
    assert '"code":36' in second.replace(" ", "")


def test_bytes_are_refused_while_settings_change_and_not_later(start, served):
    running = start(served.where)
    with open(running.byte_port, "wb", buffering=0) as port:
        for value in (6, 7, 8, 9):
            port.write(bytes([1]))
            status, _ = running.post(
                "/api/box/1/settings/write", values={"width_us": value * 1000}, keep=False
            )
            assert status in (200, 409)  # 409: the pulse of the byte was out
    assert running.end() == 0
    fates = [record for kind in ("done", "refused", "unconfirmed", "missing")
             for record in running.records(kind)]
    assert len(fates) == 4
