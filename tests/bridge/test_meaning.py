"""What a byte is: the box's byte_mode or the option, the width, the plan, and refusals."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from bridge_rig import TALLYMARK, Running, Start, WatchedBox, wait_for

from tallymark import Box
from tallymark.cli import exit_codes

PLAN = """
name = "Ferry"
[session]
width_us = 3000
[[event]]
name = "horn"
code = 36
width_us = 20000
[[event]]
name = "ferry lands"
code = 96
count = 1
"""


def change(box: WatchedBox, **values: object) -> None:
    with Box.open(box.where) as opened:
        opened.settings.write(opened.settings.read().changed(**values))


def write(running: Running, *pieces: bytes) -> None:
    shown = len(running.bytes)
    for piece in pieces:
        Path(running.port).write_bytes(piece)
        shown += len(piece)
        running.shows(shown)


def widths(box: WatchedBox) -> list[tuple[int, int]]:
    """Code and microseconds of each stretch in which a line was active."""
    box.stop()
    return [
        (here.levels, there.time_us - here.time_us)
        for here, there in zip(box.edges, box.edges[1:], strict=False)
        if here.levels
    ]


def test_pulses_have_the_width_of_the_settings(box: WatchedBox, start: Start) -> None:
    change(box, width_us=1_234)
    running = start()
    write(running, b"\x05")
    wait_for(lambda: box.device.outputs == 0)
    assert running.end() == 0
    assert widths(box) == [(5, 1_234)]
    assert running.logged().markers[0].width_us == 1_234


def test_the_option_overrides_every_width(box: WatchedBox, start: Start, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    running = start("--width", "2ms", "--plan", plan)
    write(running, b"\x24", b"\x60")
    wait_for(lambda: box.device.outputs == 0)
    running.end()
    assert [width for _, width in widths(box)] == [2_000, 2_000]


def test_a_plan_gives_names_widths_and_a_comparison(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    running = start("--plan", plan)
    for code in (36, 96, 7):
        write(running, bytes([code]))
        wait_for(lambda: box.device.outputs == 0)
    assert running.end() == exit_codes.NOT_GOOD
    assert widths(box) == [(36, 20_000), (96, 3_000), (7, 5_000)]
    assert [marker.name for marker in running.logged().markers] == ["horn", "ferry lands", None]
    comparison = running.lines[-1]["summary"]["comparison"]
    kinds = [found["kind"] for found in comparison["wrong"]]
    assert [kind for kind in kinds if kind != "late"] == ["not in the plan"]  # a busy computer


def test_set(box: WatchedBox, start: Start) -> None:
    change(box, byte_mode="set")
    running = start()
    write(running, b"\x05")
    assert box.device.outputs == 5
    write(running, b"\x06")
    assert box.device.outputs == 6
    write(running, b"\x00")
    assert box.device.outputs == 0
    assert running.end() == 0
    markers = running.logged().markers
    assert [(m.code, m.stays) for m in markers] == [(5, True), (6, True), (0, True)]


def test_limited(box: WatchedBox, start: Start) -> None:
    running = start("--byte-mode", "limited", "--width", "10s")
    write(running, b"\x05", b"\x00", b"\x06")
    assert box.device.outputs == 6
    assert running.end() == 0
    first, second = widths(box)
    assert first[0] == 5
    assert first[1] < 10_000_000
    markers = running.logged().markers
    assert markers[1].cut_us == first[1]
    # the end of the bridge has ended the last one, and the log says so
    assert (markers[3].code, markers[3].name, markers[3].cut_us) == (0, "lines to idle", second[1])
    assert "The pulse that was out ended early" in running.notes


def test_the_option_overrides_the_mode(box: WatchedBox, start: Start) -> None:
    change(box, byte_mode="off")
    running = start("--byte-mode", "set")
    write(running, b"\x05")
    assert box.device.outputs == 5
    assert running.end() == 0
    assert box.device.outputs == 0


def test_off_is_an_error_that_says_what_to_do(box: WatchedBox) -> None:
    change(box, byte_mode="off")
    done = subprocess.run(
        [*TALLYMARK, "bridge", "--box", box.where], capture_output=True, text=True
    )
    assert done.returncode == exit_codes.BAD_INPUT
    assert "byte_mode is off" in done.stderr
    assert "--byte-mode" in done.stderr


def test_codes_on_lines_that_are_not_in_use_are_refused(box: WatchedBox, start: Start) -> None:
    change(box, lines=[0, 1, 2])
    running = start()
    write(running, b"\x09\x05")
    assert running.end() == exit_codes.NOT_GOOD
    fates = [(m.code, m.fate, m.why) for m in running.logged().markers]
    assert fates == [(9, "refused", "outside lines"), (5, "done", "")]


def test_a_program_that_is_too_fast_is_told_so(box: WatchedBox, start: Start) -> None:
    running = start("--width", "10s")
    write(running, b"\x05\x06")
    assert running.end() == exit_codes.NOT_GOOD  # code 5 was not as wide as it should be
    assert "The program sends too fast. Code 5 is 10 s wide by --width." in running.notes
    assert running.logged().markers[1].cut_us is not None


def test_the_gap(box: WatchedBox, start: Start) -> None:
    change(box, gap_us=20_000, width_us=1_000)
    running = start()
    write(running, b"\x05\x06")
    assert running.logged().markers[1].delay_us
    running.end()
    first, _ = widths(box)
    assert first[1] <= 1_000
    assert box.edges[-2].time_us - box.edges[-3].time_us == 20_000


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--width", "0"), "The width of --width is 0"),
        (("--width", "5ms", "--byte-mode", "set"), "--width can't be used"),
        (("--tcp", 0, "--serial", "/dev/null"), "a bridge has one"),
        (("--tcp", 0, "--link", "/tmp/x"), "--link is for a pseudo-terminal"),
        (("--listen", "0.0.0.0"), "--listen needs --tcp"),
        (("--tcp", 0, "--listen", "0.0.0.0"), "Give a token"),
        (("--tcp", 0, "--listen", "a..b", "--token", "x"), "can't be used (unknown host name)"),
        (("--tcp", 0, "--token", ""), "The token has to be"),
        (("--serial", "/dev/tallymark-none"), "There is no port /dev/tallymark-none"),
    ],
    ids=lambda part: part if isinstance(part, str) else " ".join(map(str, part)),
)
def test_bad_options(args: tuple[object, ...], said: str) -> None:
    command = [*TALLYMARK, "bridge", "--box", "virtual", *map(str, args)]
    wide = {**os.environ, "COLUMNS": "200"}
    done = subprocess.run(command, capture_output=True, text=True, env=wide)
    assert done.returncode in (exit_codes.BAD_INPUT, exit_codes.NOT_OPENED)
    assert said in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_advice_names_the_width_that_decides(box: WatchedBox, start: Start, tmp_path: Path) -> None:
    """That of the plan for its events, whatever the settings say."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    change(box, width_us=1_000)
    running = start("--plan", plan)
    write(running, b"\x24\x60")  # the second cuts the first, of 20 ms
    running.end()
    said = "'horn' (code 36) is 20 ms wide by the plan. Let the program wait 20 ms or more after it"
    assert said in running.notes
    assert "change width_us in the plan" in running.notes
    (cut,) = [
        found for found in running.lines[-1]["summary"]["comparison"]["wrong"]
        if found["kind"] == "cut"
    ]
    assert said in cut["remedy"]
    assert "tallymark settings change" not in cut["remedy"]


@pytest.mark.parametrize("hang_up", [False, True])
def test_who_ended_a_code_is_told(
    box: WatchedBox, start: Start, tmp_path: Path, hang_up: bool
) -> None:
    """The program sent no 0: the bridge took the lines to idle."""
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN)
    options = ("--idle-at-hang-up",) if hang_up else ()
    running = start("--plan", plan, "--byte-mode", "set", *options)
    with open(running.port, "wb", buffering=0) as port:
        port.write(b"\x60")
        wait_for(lambda: box.device.outputs)
        if not hang_up:
            running.end()
    if hang_up:
        running.says("The lines are now at idle")
    running.end()
    wrong = running.lines[-1]["summary"]["comparison"]["wrong"]
    (found,) = [found for found in wrong if found["kind"] == "left"]
    assert ("closed the port" if hang_up else "the bridge stopped") in found["text"]
    assert not [found for found in wrong if found["kind"] == "width"]
    assert "with its 0" not in str(wrong)
