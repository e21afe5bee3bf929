"""A window, the program or the box goes away in the middle: it is told, nothing is repeated."""

from __future__ import annotations

import itertools
import signal
from typing import Any

import numpy as np
import pytest
from page_rig import FERRY, Running, wait_for

from tallymark.common.signature import in_text
from tallymark.common.signature.detector import find
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def served():
    with Server(VirtualBox(), tcp=True) as server:
        yield server


def play(page: Any, steps: str, repeats: int) -> None:
    page.get_by_text("Sequence", exact=True).click()
    page.get_by_label("Steps").fill(steps)
    page.get_by_label("Repeats").fill(str(repeats))
    page.get_by_role("button", name="Play").click()
    page.locator("#sequence-state", has_text="playing").wait_for()


def test_a_program_killed_before_its_answer_leaves_one_marker_at_most(start, window, served):
    running: Running = start(served.where)
    page = window(running)
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("'horn' went out.").wait_for()
    running.process.send_signal(signal.SIGSTOP)
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("Sent; waiting for the box.").wait_for()
    running.kill()
    page.get_by_text("It is not known whether this was done; it is not sent again.").wait_for()
    again = start(served.where, "--port", running.host.rpartition(":")[2])
    page.get_by_text("The token in the address is missing or wrong.").wait_for()
    assert page.get_by_role("button", name="horn (36)").is_disabled()
    assert again.end() == 0
    assert [edge.levels for edge in served.device.edges()] == [0, 36, 0]


def test_a_box_unplugged_in_a_sequence_is_told_and_plays_again_only_when_asked(
    start, window, served
):
    running: Running = start(served.where)
    page = window(running)
    play(page, "1, 100\n0, 100", 50)
    served.stop()
    page.get_by_text("The box is not connected. Nothing can be sent").wait_for()
    with Server(VirtualBox(), tcp=True, tcp_port=int(served.where.rpartition(":")[2])) as again:
        page.locator("#sequence-state", has_text="not known: the connection").wait_for()
        wait_for(lambda: page.get_by_role("button", name="Play").is_enabled(), "the box")
        page.get_by_label("Steps").fill("2, 10\n0, 10")
        page.get_by_label("Repeats").fill("1")
        page.get_by_role("button", name="Play").click()
        page.locator("#sequence-state", has_text="complete, 2 of 2 steps").wait_for()
        assert [edge.levels for edge in again.device.edges()] == [0, 2, 0]
        running.end()


def test_a_box_that_comes_back_is_to_be_signed_again(start, window, served, tmp_path, picture):
    plan = tmp_path / "plan.toml"
    plan.write_text(FERRY.read_text() + "\n[signature]\ncode = 255\n")
    running: Running = start(served.where, "--plan", plan, plan=False)
    page = window(running)
    page.get_by_role("button", name="During the session").click()
    send = page.locator("#sign-during")
    page.locator("#signature-word", has_text="○ Start the recording, then send it").wait_for()
    send.click()
    page.locator("#signature-word", has_text="✓ Session").wait_for()
    page.get_by_text("✓ Waiting for the first marker").wait_for()
    served.stop()
    page.get_by_text("✗ Look here: the box is not connected").wait_for()
    with Server(VirtualBox(), tcp=True, tcp_port=int(served.where.rpartition(":")[2])) as again:
        page.get_by_text("? The session signature is to be sent again").wait_for()
        page.locator("#signature-word", has_text="or connected anew since").wait_for()
        picture(page, "during-signature-again")
        assert len(running.records("signature")) == 1, "nobody has asked for it"
        send.click()
        page.locator("#signature-word", has_text="signature 2 (code 255) was sent").wait_for()
        page.get_by_text("✓ Waiting for the first marker").wait_for()
        running.end()
        times = np.array([edge.time_us for edge in again.device.edges() if edge.levels], float)
    (found,) = find(times, np.full(len(times), 255))
    assert {each["session"] for each in running.records("signature")} == {
        in_text(found.signature.session)
    }
    assert [each["signature"] for each in running.records("signature")] == [1, 2]


def test_idle_now_stops_a_sequence_that_an_earlier_program_started(start, window, served):
    first: Running = start(served.where)
    play(window(first), "1, 50\n0, 50", 10_000)
    first.kill()
    page = window(start(served.where))
    page.get_by_role("button", name="horn (36)").click()
    page.locator("#send-state.bad", has_text="sequence").wait_for()
    page.get_by_role("button", name="Idle now").click()
    page.get_by_text("The lines are at idle.").wait_for()
    page.get_by_role("button", name="horn (36)").click()
    page.get_by_text("'horn' went out.").wait_for()
    codes = [edge.levels for edge in served.device.edges()]
    assert set(codes) == {0, 1, 36}
    assert codes[-2:] == [36, 0]


def test_two_windows_stop_each_other_from_nothing_but_twice(start, window, served):
    running: Running = start(served.where)
    one, two = window(running), window(running)
    play(one, "1, 200\n0, 200", 4)
    two.get_by_text("Sequence", exact=True).click()
    two.get_by_role("button", name="Play").click()
    two.get_by_text("A sequence plays already. Nothing was sent.").wait_for()
    one.close()
    two.locator("#sequence-state", has_text="complete, 8 of 8 steps").wait_for()
    edges = served.device.edges()
    assert [edge.levels for edge in edges] == [0, *[1, 0] * 4]
    times = [edge.time_us for edge in edges[1:]]
    assert {two - one for one, two in itertools.pairwise(times)} == {200_000}
