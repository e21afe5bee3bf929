"""The page worked by clicks and keys; the lines are looked at in the box itself."""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from page_rig import FERRY, Running, wait_for

from tallymark.common.signature import in_text
from tallymark.common.signature.detector import find
from tallymark.virtual import Server, VirtualBox

VIEWS = ("lines", "before", "during", "after", "settings", "teaching")


@pytest.fixture
def served():
    with Server(VirtualBox(), tcp=True) as server:
        yield server


def sent_rows(page: Any) -> list[list[str]]:
    rows: list[list[str]] = page.eval_on_selector_all(
        "#sent tr", "rows => rows.map(row => [...row.children].map(cell => cell.textContent))"
    )
    return rows


def wait_rows(page: Any, count: int) -> list[list[str]]:
    page.locator("#sent tr").nth(count - 1).wait_for()
    return sent_rows(page)


def pulses(server: Server) -> list[tuple[int, int]]:
    """(code, µs) of what was on the lines, by the box's own edges."""
    edges = server.device.edges()
    return [
        (one.levels, two.time_us - one.time_us)
        for one, two in itertools.pairwise(edges)
        if one.levels
    ]


def test_an_event_a_code_and_lines_go_out(start, window, served):
    running = start(served.where)
    page = window(running)
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("'horn' went out.").wait_for()
    page.get_by_label("Code", exact=True).fill("5")
    page.get_by_label("Width, ms").fill("2.5")
    page.get_by_role("button", name="Send pulse").click()
    page.get_by_text("Code 5 went out.").wait_for()
    page.get_by_role("button", name="line 1", exact=True).click()
    page.get_by_label("Width, ms").fill("")
    page.get_by_role("button", name="Send pulse").click()
    page.get_by_text("Code 7 went out.").wait_for()
    rows = wait_rows(page, 3)
    assert [[*row[1:3], row[4]] for row in rows] == [
        ["7", "", "5 ms"], ["5", "block ends", "2.500 ms"], ["36", "horn", "5 ms"]
    ]
    assert all(row[6].startswith("window ") for row in rows)
    page.locator("#sent td", has_text="✓ 2.500 ms").first.wait_for()
    assert pulses(served) == [(36, 5_000), (5, 2_500), (7, 5_000)]
    assert [each["code"] for each in running.records("sent")] == [36, 5, 7]


def test_it_is_worked_by_keyboard_alone(start, window, served):
    page = window(start(served.where))
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == "horn (36)":
            break
    page.keyboard.press("Enter")
    page.get_by_text("'horn' went out.").wait_for()
    page.locator("#sent td", has_text="✓ 5 ms").wait_for()
    page.locator("#traces").focus()
    page.keyboard.press("ArrowLeft")
    page.get_by_text("Box time").wait_for()
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Enter")
    page.get_by_text("Between the marks: 5.000 ms").wait_for()
    assert pulses(served) == [(36, 5_000)]


def test_a_held_code_ends_with_idle_now(start, window, served):
    page = window(start(served.where))
    page.get_by_label("Code", exact=True).fill("12")
    page.get_by_role("button", name="Set until idle").click()
    page.get_by_text("Code 12 stays on the lines.").wait_for()
    assert served.device.outputs == 12
    page.locator("#held-state", has_text=re.compile(r"^Lines held at 12 since \d\d:\d\d:\d\d$")
                 ).wait_for()
    page.get_by_role("button", name="During the session").click()
    page.locator("#figures div", has_text="On the lines").get_by_text("12 since").wait_for()
    page.get_by_role("button", name="Lines", exact=True).click()
    page.get_by_role("button", name="Idle now").click()
    page.get_by_text("The lines are at idle.").wait_for()
    assert served.device.outputs == 0
    wait_for(lambda: page.locator("#held-state").inner_text() == "", "the end of the held code")


def test_a_hold_limit_ends_what_is_shown_as_held(start, window):
    running = start("virtual")
    _, text, _ = running.get("/api/box/1/settings", headers={"x-tallymark-token": running.token})
    values = {**json.loads(text)["values"], "hold_limit_us": 300_000}
    assert running.post("/api/box/1/settings/write", values=values, keep=False)[0] == 200
    page = window(running)
    page.get_by_label("Code", exact=True).fill("12")
    page.get_by_role("button", name="Set until idle").click()
    page.get_by_text("The box took code 12 to idle").wait_for()
    wait_for(lambda: page.locator("#held-state").inner_text() == "", "the end of the held code")


def test_a_refusal_of_the_box_names_the_marker(start, window, served, tmp_path):
    page = window(start(served.where))
    page.get_by_text("Sequence", exact=True).click()
    page.get_by_label("Steps").fill("1, 20000\n0, 300")
    page.get_by_role("button", name="Play").click()
    page.locator("#sequence-state", has_text="playing").wait_for()
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("The box refused 'horn' (code 36):").wait_for()


def test_counts_begin_anew_after_a_rehearsal(start, window):
    running = start("virtual")
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    running.post("/api/box/1/send", code=99)
    page.locator("#problems li", has_text=re.compile(
        r"^\d\d:\d\d:\d\d code 99: not in the plan")).wait_for()
    page.get_by_role("button", name="Count from now").click()
    page.get_by_text("✓ Waiting for the first marker").wait_for()
    page.get_by_text(re.compile(r"Counted since \d\d:\d\d:\d\d. The marker log keeps all")
                     ).wait_for()
    running.post("/api/box/1/send", code=9)
    page.get_by_text("✓ All as it should be so far").wait_for()
    assert [record["code"] for record in running.records("sent")] == [99, 9]


def test_a_refusal_is_told(start, window, served):
    page = window(start(served.where))
    page.get_by_label("Code", exact=True).fill("256")
    page.get_by_role("button", name="Send pulse").click()
    page.get_by_text("from 1 to 255. Nothing was sent.").wait_for()
    assert pulses(served) == []


def test_bytes_of_a_program_are_listed_and_compared_with_the_plan(start, window, served):
    running = start(served.where)
    page = window(running)
    with open(running.byte_port, "wb", buffering=0) as port:
        port.write(bytes([17]))
        wait_rows(page, 1)
        port.write(bytes([99]))
        rows = wait_rows(page, 2)
    assert [row[1] for row in rows] == ["99", "17"]
    assert {row[6] for row in rows} == {"byte port"}
    assert rows[1][2] == "ferry at left"
    assert "not in the plan" in rows[0][3]
    page.get_by_role("button", name="horn (36)").click()
    assert wait_rows(page, 3)[0][6].startswith("window ")
    page.get_by_role("button", name="During the session").click()
    page.locator("#verdict", has_text="with markers").wait_for()
    counts = page.locator("#counts tr", has_text="ferry at left").inner_text().split("\t")
    assert counts[1:5] == ["17", "144", "1", "1"]
    page.locator("#problems li", has_text="code 99: not in the plan").wait_for()


def test_a_reload_in_a_sequence_sends_nothing_again(start, window, served):
    running = start(served.where)
    page = window(running)
    page.get_by_text("Sequence", exact=True).click()
    page.get_by_label("Steps").fill("1, 300\n0, 300\n2, 300\n0, 300")
    page.get_by_label("Repeats").fill("2")
    page.get_by_role("button", name="Play").click()
    page.locator("#sequence-state", has_text="playing").wait_for()
    page.reload()
    page.locator("#sequence-state", has_text="complete, 8 of 8 steps").wait_for()
    assert [code for code, _ in pulses(served)] == [1, 2, 1, 2]
    assert wait_rows(page, 1)[0][2] == "sequence"


def test_before_the_session_is_green_only_when_all_is(start, window):
    running = start("virtual")
    page = window(running)
    page.get_by_role("button", name="Before the session").click()
    page.get_by_text("Not ready, 2 of 6 steps left: Self-test of the wiring, Test marker at the "
                     "amplifier.").wait_for()
    page.get_by_role("heading", name="✓ ready, not tried: Byte port for the program").wait_for()
    page.get_by_role("button", name="Run the self-test").click()
    page.get_by_text("256 codes were read back correctly").wait_for()
    page.get_by_role("button", name="Send 'block starts'").click()
    page.get_by_role("button", name="No", exact=True).click()
    page.get_by_text("The amplifier did not show code 3").wait_for()
    assert "Not ready" in page.locator("#ready").inner_text()
    page.get_by_role("button", name="Send 'block starts'").click()
    page.get_by_role("button", name="Yes, the amplifier shows it").click()
    page.get_by_text("✓ Ready: all steps are done.").wait_for()
    page.get_by_role("button", name="Lines", exact=True).click()
    page.get_by_role("button", name="block starts (3)").click()
    wait_rows(page, 3)
    assert [record.get("test") for record in running.records("sent")] == [True, True, None]
    page.get_by_role("button", name="During the session").click()
    counts = page.locator("#counts tr", has_text="block starts").inner_text().split("\t")
    assert counts[1:5] == ["3", "4", "1", "1"]


def test_the_session_signature_is_sent_before_the_session(start, window, served, tmp_path, picture):
    plan = tmp_path / "plan.toml"
    plan.write_text(FERRY.read_text() + "\n[signature]\ncode = 255\n")
    running = start(served.where, "--plan", plan, plan=False)
    page = window(running)
    page.get_by_role("button", name="Before the session").click()
    page.get_by_text("Not ready, 3 of 7 steps left").wait_for()
    page.get_by_text("Start the recording, then send it").wait_for()
    page.get_by_role("button", name="Send the session signature").click()
    page.get_by_text("signature 1 (code 255) was sent").wait_for()
    picture(page, "before-signature")
    (signature,) = running.records("signature")
    (signed,) = running.records("signed")
    page.get_by_text(f"Session {signature['session']}: signature 1").wait_for()
    times = np.array([edge.time_us for edge in served.device.edges() if edge.levels], float)
    (found,) = find(times, np.full(len(times), 255))
    assert in_text(found.signature.session) == signature["session"]
    assert found.start_us == signed["box"]
    assert running.sent == []
    page.get_by_role("button", name="Lines", exact=True).click()
    row = wait_rows(page, 1)[0]
    assert row[2] == "session signature (255)"
    assert row[3].startswith("✓ out; signature 1 of session")
    page.get_by_role("button", name="During the session").click()
    page.get_by_text("✓ Waiting for the first marker").wait_for()
    page.get_by_role("button", name="Before the session").click()
    page.get_by_role("button", name="Send the session signature").click()
    page.get_by_text("signature 2 (code 255) was sent").wait_for()
    assert {each["session"] for each in running.records("signature")} == {signature["session"]}


def test_a_signature_that_was_stopped_is_not_good(start, window, served, tmp_path):
    plan = tmp_path / "plan.toml"
    slow = FERRY.read_text().replace("sampling_rate = 1000", "sampling_rate = 20")
    plan.write_text(slow + "\n[signature]\ncode = 255\n")  # which takes half a minute
    running = start(served.where, "--plan", plan, plan=False)
    page = window(running)
    page.get_by_role("button", name="Before the session").click()
    page.get_by_role("button", name="Send the session signature").click()
    page.get_by_text("The signature plays.").wait_for()
    with open(running.byte_port, "wb", buffering=0) as port:
        port.write(bytes([17]))
        wait_for(lambda: running.records("refused"), "the refusal of the byte")
    assert running.records("refused")[0]["refused"] == "the session signature was being sent"
    page.get_by_role("button", name="Idle now").click()
    page.get_by_text("It was stopped after").wait_for()


def test_a_self_test_is_not_in_the_log_and_names_pins(start, window, picture):
    running = start("virtual://?fault=swapped:0,1")
    page = window(running)
    page.get_by_role("button", name="Before the session").click()
    page.get_by_role("button", name="Run the self-test").click()
    page.locator("#steps-before").get_by_text("D-sub pins 2 and 3").wait_for()
    page.get_by_role("img", name="Connector: look at pin 2, 3").wait_for()
    assert page.locator("svg.plug .fault").count() == 2
    assert running.records("sent") == []
    picture(page, "before-fault")
    page.get_by_role("button", name="Lines", exact=True).click()
    page.get_by_role("button", name="ferry at left (17)").click()
    page.locator("#sent td.bad", has_text="✗ code 18").first.wait_for()
    page.locator("#sent td.bad", has_text="! out").first.wait_for()


def test_a_marker_right_after_the_self_test_is_seen(start, window):
    running = start("virtual")
    page = window(running)
    for count in (1, 2, 3):
        assert running.post("/api/box/1/selftest")[0] == 200
        assert running.post("/api/box/1/send", code=3)[0] == 200
        wait_for(lambda count=count: [row[5] for row in wait_rows(page, count)]
                 == ["✓ 5 ms"] * count, "the readback")


def test_a_broken_wire_is_not_green_during_the_session(start, window, picture):
    running = start("virtual://?fault=open:1")
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    page.get_by_text("✓ Waiting for the first marker").wait_for()
    running.post("/api/box/1/send", code=3)
    page.get_by_text("✗ Look here: 1 problem with markers").wait_for()
    page.locator("#problems li", has_text="block starts (3): readback saw code 1: line 1 did not "
                                          "move. Run the self-test.").wait_for()
    told = page.locator("#figures div", has_text="Other code at the readback").inner_text()
    assert "✗ 1" in told
    assert "line 1 did not move. Run the self-test." in page.locator("#what-to-do").inner_text()
    picture(page, "during-broken-wire")


def test_a_readback_that_sees_nothing_is_not_green(start, window):
    running = start("virtual://?fault=unplugged")
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    running.post("/api/box/1/send", code=3)
    page.get_by_text("? The box confirmed all so far, but its readback saw nothing of 1 marker"
                     ).wait_for()


def test_a_session_without_log_or_plan_is_not_ready(start, window):
    page = window(start("virtual", plan=False, log=False))
    page.get_by_text("✗ No marker log is kept").wait_for()
    page.get_by_role("button", name="Before the session").click()
    page.get_by_text("No plan was given, so nothing can be compared.").wait_for()
    page.get_by_text("without it, nobody can check the recording").wait_for()


def test_a_box_that_goes_and_comes_back_is_followed(start, window, served):
    running = start(served.where)
    page = window(running)
    port = int(served.where.rpartition(":")[2])
    served.stop()
    page.get_by_text("The box is not connected. Nothing can be sent").wait_for()
    assert page.get_by_role("button", name="horn (36)").is_disabled()
    status, answer = running.post("/api/box/1/send", code=5)
    assert status == 409
    assert "Nothing was sent" in answer["error"]
    with Server(VirtualBox(), tcp=True, tcp_port=port) as again:
        page.get_by_text("✓ Box:").wait_for()
        wait_for(lambda: not page.get_by_role("button", name="horn (36)").is_disabled(), "the box")
        page.get_by_role("button", name="horn (36)").click()
        page.get_by_text("'horn' went out.").wait_for()
        assert pulses(again) == [(36, 5_000)]
        running.end()


def test_a_killed_server_is_told(start, window):
    running = start()
    page = window(running)
    running.kill()
    page.get_by_text("No connection to the program 'tallymark page'").wait_for()
    assert page.get_by_role("button", name="Idle now").is_disabled()


def test_a_second_window_sees_the_same(start, window, served):
    running = start(served.where)
    one, two = window(running), window(running)
    one.get_by_role("button", name="horn (36)").click()
    assert wait_rows(two, 1)[0][1:3] == ["36", "horn"]
    assert wait_rows(one, 1) == sent_rows(two)
    assert pulses(served) == [(36, 5_000)]


def test_lines_can_be_saved(start, window, tmp_path: Path):
    page = window(start())
    page.get_by_role("button", name="horn (36)").click()
    wait_rows(page, 1)
    page.locator("#sent td", has_text="✓ 5 ms").first.wait_for()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save VCD").click()
    text = Path(saved.value.path()).read_text()
    assert "$var real 64" in text
    times = [int(found) for found in re.findall(r"^#(\d+)$", text, re.M)]
    assert 5_000 in {two - one for one, two in itertools.pairwise(times)}
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save PNG").click()
    assert Path(saved.value.path()).read_bytes().startswith(b"\x89PNG")


DRAWN = """async () => {
  const { Traces } = await import('/static/traces.js');
  const canvas = document.createElement('canvas');
  canvas.style.cssText = 'position:fixed;left:0;top:0;width:1058px;height:422px';
  document.body.append(canvas);
  const traces = new Traces(canvas, () => {});
  traces.frame = () => {};
  const edges = [];  // line 0 all the time, line 1 from 2 s to 3 s
  for (let at = 0; at < 5000; at++)
    edges.push([at * 1000, at % 2 | (at >= 2000 && at < 3000 ? 2 : 0)]);
  const blocks = edges.filter(([, levels]) => levels & 1).map(([at]) => [at, at + 1000, 1, '']);
  traces.add({ epoch: 0, now: 5e6, edges, blocks, probes: [] });
  traces.pause(true);
  traces.endUs = 5e6;
  traces.draw();
  const scale = canvas.width / 1058, paint = canvas.getContext('2d');
  const inked = (at, from, until) => {  // of a column, between two heights of a lane
    const x = (58 + at * 200) * scale, height = (until - from) * scale;
    const { data } = paint.getImageData(x, from * scale, 1, height);
    let count = 0;
    for (let pixel = 0; pixel < data.length; pixel += 4) count += data[pixel] < 250;
    return count / (data.length / 4);
  };
  return [
    inked(2.5, 7, 22), inked(2.5, 31, 44),  // line 0: output and readback are bands
    inked(1, 80, 96), inked(2.5, 80, 96),  // line 1: a thin line, low and then high
    inked(1, 79, 84), inked(2.5, 79, 84),
  ];
}"""


def test_dense_lines_are_bands_and_others_are_lines(start, window):
    page = window(start())
    output, readback, low, high, above_low, above_high = page.evaluate(DRAWN)
    assert output == readback == 1
    assert 0 < low < 0.4
    assert 0 < high < 0.4
    assert above_low == 0
    assert above_high > 0


def test_the_end_takes_the_lines_to_idle(start, served):
    running: Running = start(served.where)
    assert running.post("/api/box/1/send", code=3, stays=True)[0] == 200
    assert served.device.outputs == 3
    assert running.end() == 0
    assert served.device.outputs == 0
    assert running.records("end")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_accessible_and_fits_every_width(start, window, picture, scheme):
    running = start("virtual")
    page = window(running, scheme=scheme)
    for name in ("empty sea (9)", "horn (36)"):
        page.get_by_role("button", name=name).click()
    running.post("/api/box/1/send", code=99)
    wait_rows(page, 3)
    page.locator("#traces").hover(position={"x": 500, "y": 100})
    for view in VIEWS:
        page.locator(f"nav [data-view={view}]").click()
        for width, height in ((360, 740), (1280, 900), (2560, 1300)):
            page.set_viewport_size({"width": width, "height": height})
            assert page.evaluate("document.documentElement.scrollWidth") <= width, (view, width)
            if width == 1280 or width == (360 if scheme == "light" else 2560):
                picture(page, f"{view}-{width}-{scheme}")
            if width == 1280 or (width == 360 and scheme == "light"):
                results = Axe().run(page)
                assert results.violations_count == 0, results.generate_report()
