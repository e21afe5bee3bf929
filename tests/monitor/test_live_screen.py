"""What the live screen says, at 80 columns and as JSON, and what it does in a flood."""

from __future__ import annotations

import io
import json
import re
import time

import pytest
from rich.console import Console
from simulated_program import Watched, ferry_plan

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import ByteMarker
from tallymark.markerlog import LoggedMarker
from tallymark.monitor import LiveScreen, live_screen


def marker(number: int, code: int = 9, **more: object) -> LoggedMarker:
    at_us = 10_000 * number
    values = {"fate": "done", "box_us": at_us, "host_us": at_us, "width_us": 5_000, "stays": False}
    return LoggedMarker(number, code, **(values | more))  # type: ignore[arg-type]


def rows(watched: Watched) -> list[str]:
    """The rows under the first three lines, without their times."""
    lines = watched.text.getvalue().splitlines()
    return [line[11:] for line in lines[3:-1]]


def test_a_row_a_byte_at_80_columns(tmp_path):
    with Watched(tmp_path / "log.jsonl", ferry_plan()) as watched:
        watched.send(9, pause_us=20_000)
        watched.send(17, pause_us=3_012)
        watched.send(36, pause_us=20_000)
        watched.send(0, 44)
    lines = watched.text.getvalue().splitlines()
    assert lines[0] == "since start code  line 7-0  event           ms since last"
    assert lines[1] == "• Each byte is a pulse of 5 ms; byte 0 does nothing."
    assert rows(watched) == [
        "    9  ····1··1  empty sea",
        "   17  ···1···1  ferry at left         +20.000",
        "   36  ··1··1··  horn                   +3.012  "
        "cut previous pulse after 3.012 ms: sent 1.988 ms too soon",
        "am sends too fast. 'ferry at left' (code 17) is 5 ms wide by the box's settings. Let the "
        "program wait 5 ms or more after it, or shorten the pulse: tallymark settings change "
        "width_us=TIME.",
        "    0  ········                        +20.000  byte 0: not needed",
        "   44  ··1·11··                        +20.000  "
        "not in the plan (like 'horn' except line 3)",
    ]
    assert lines[-1] == "5 bytes, 1 not needed, 1 too soon, 1 not in the plan"


@pytest.mark.parametrize(
    ("settings", "first"),
    [
        ({"byte_mode": "off"}, "✗ The byte input is off: each byte is refused, and no line moves."),
        ({"byte_mode": "set"}, "• Each byte stays on the lines until the next; byte 0 takes them"),
        ({"byte_mode": "limited"}, "• Each byte is a pulse of 5 ms at most; byte 0 ends it early."),
    ],
)
def test_what_a_byte_is_stands_on_top(tmp_path, settings, first):
    with Watched(tmp_path / "log.jsonl", settings=settings) as watched:
        watched.send(9)
    assert watched.text.getvalue().splitlines()[1].startswith(first)


def test_what_is_said_of_each_byte(tmp_path):
    settings = {"byte_mode": "limited", "gap_us": 1_000}
    with Watched(tmp_path / "log.jsonl", settings=settings) as watched:
        watched.send(9, pause_us=2_000)
        watched.send(0, pause_us=10_000)
        watched.send(9, pause_us=5_300)
        watched.send(17, pause_us=200)
        watched.send(36)
    text = watched.text.getvalue()
    assert re.search(r"\(idle\) +\+2\.000  ended previous code after 2\.000 ms\n", text)
    assert "waited 0.700 ms for the gap" in text
    assert "refused: another marker was waiting for the gap" in text
    assert text.count("Code 9 is 5 ms wide by the box's settings; the gap adds 1 ms. Let") == 1
    assert "wait 6 ms or more" in text
    assert text.splitlines()[-1] == "5 bytes, 2 too soon, 1 refused"


def test_codes_that_stay_are_told_until_the_lines_are_at_idle(tmp_path):
    settings = {"byte_mode": "set", "hold_limit_us": 100_000}
    with Watched(tmp_path / "log.jsonl", settings=settings) as watched:
        watched.send(9, 17, 17)
        watched.wait(300_000)
        watched.send(36, 0)
    text = watched.text.getvalue()
    assert text.count("previous code not ended: no 0 in between") == 2
    assert text.count("no edge: same code as before, no line moved") == 1
    assert "✗ The box took code 17 to idle: the program sent nothing for 100 ms" in text
    assert text.splitlines()[-1] == "5 bytes, 2 not ended by a 0"


def test_json_lines(tmp_path):
    with Watched(tmp_path / "log.jsonl", ferry_plan(), as_json=True) as watched:
        watched.send(9, pause_us=3_000)
        watched.send(17, 0)
        watched.screen.summary["file"] = "log.jsonl"
    lines = [json.loads(line) for line in watched.text.getvalue().splitlines()]
    assert [line["code"] for line in lines if "code" in line] == [9, 17, 0]
    cut = lines[3]
    assert (cut["name"], cut["fate"], cut["cut_us"], cut["since_us"]) == (
        "ferry at left", "done", 3_000, 3_000,
    )
    assert cut["remarks"] == ["cut previous pulse after 3.000 ms: sent 2.000 ms too soon"]
    assert [line["bad"] for line in lines if "note" in line] == [False, False, True]
    summary = lines[-1]["summary"]
    assert summary["bytes"] == 3
    assert summary["too_soon"] == summary["not_needed"] == 1
    assert summary["file"] == "log.jsonl"


def on_a_terminal(markers: list[LoggedMarker]) -> str:
    text = io.StringIO()
    console = Console(file=text, width=80, force_terminal=True, color_system=None, markup=False)
    with LiveScreen(ferry_plan(), Settings(), console=console) as shown:
        for each in markers:
            shown.show(each)
    return text.getvalue()


def test_a_remark_too_long_for_its_row_stands_under_it():
    text = on_a_terminal([marker(1), marker(2, 17, cut_us=3_012)])
    assert (
        "                 └ cut previous pulse after 3.012 ms: sent 1.988 ms too soon\n" in text
    )
    longest = max(len(line) for line in text.splitlines() if "\x1b" not in line)
    assert longest <= 80


def test_a_code_that_stays_is_kept_in_view():
    held = marker(1, 36, width_us=None, stays=True)
    assert "'horn' (code 36) is on the lines" in on_a_terminal([held])
    both = on_a_terminal([held, marker(2, 0, width_us=None, stays=True)])
    assert "is on the lines" not in both


def test_the_heading_comes_back_when_it_has_scrolled_off():
    few = on_a_terminal([marker(number) for number in range(3)])
    many = on_a_terminal([marker(number) for number in range(100)])
    assert (few.count("since start code"), many.count("since start code") > 1) == (1, True)


def test_a_flood_is_summed_up_on_a_terminal():
    """Each byte is in a row or in a sum."""
    text = on_a_terminal([marker(number, (9, 17)[number % 2]) for number in range(5_000)])
    shown = text.count("··1  empty sea") + text.count("··1  ferry at left")
    assert shown == live_screen.READABLE - 1
    assert f"… {5_000 - shown:,} bytes in " in text
    assert re.search(r"Codes: (9|17) 2,49\d×, (9|17) 2,49\d×", " ".join(text.split()))
    assert "5,000 bytes" in text.splitlines()[-1]


def test_every_byte_of_a_flood_is_a_line_elsewhere():
    text = io.StringIO()
    with LiveScreen(None, Settings(), console=Console(file=text, width=80)) as shown:
        for number in range(5_000):
            shown.show(marker(number))
    assert text.getvalue().count("····1··1") == 5_000


def test_output_that_nobody_reads_blocks_nobody(monkeypatch):
    """A pipe that is full holds up the screen's thread alone; what it drops is counted."""

    class Full(io.StringIO):
        def write(self, text: str) -> int:
            time.sleep(0.3)
            return super().write(text)

    monkeypatch.setattr(live_screen, "MOST_WAITING", 1_000)
    text = Full()
    console = Console(file=text, width=80)
    with LiveScreen(None, Settings(), as_json=True, console=console) as shown:
        begin = time.perf_counter()
        for number in range(5_000):
            shown.show(marker(number))
        took = time.perf_counter() - begin
    assert took < 0.3
    summary = json.loads(text.getvalue().splitlines()[-1])["summary"]
    assert summary["bytes"] + summary["not_shown"] == 5_000
    assert summary["not_shown"] > 0


def test_output_that_was_closed_ends_nothing():
    text = io.StringIO()
    with LiveScreen(None, Settings(), console=Console(file=text, width=80)) as shown:
        text.close()
        for number in range(10):
            shown.show(marker(number))
            shown.say("A client came.")


def test_a_byte_of_before_a_restart_has_the_time_of_then(tmp_path):
    """The box starts again before the byte is passed on, and its time begins at 0."""
    shown: list[LoggedMarker] = []
    with Watched(tmp_path / "log.jsonl") as watched:
        watched.screen.show = shown.append  # type: ignore[method-assign]
        box = watched.box
        watched.wait(200_000_000)
        box.sync_clock()
        before_us = box.pulse(1).wait().box_time_us
        host_us, _ = box.clock.to_host_us(before_us)
        with box.link.lock:
            box.link.events.note(ByteMarker(before_us, 9, None, None, 0))
        box.port.power_failure()
        watched.wait(10_000)
        watched.send(17)
        now_us = box.pacing.now() * 1e6
    assert [entry.code for entry in shown] == [9, 17]
    assert abs(shown[0].host_us - host_us) <= shown[0].error_us
    assert abs(shown[1].host_us - now_us) < 50_000
