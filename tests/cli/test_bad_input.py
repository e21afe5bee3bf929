"""Bad input on every command: words that a technician can use, an exit code, no traceback."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest
from command_result import STEPPED, Run, meanwhile

from tallymark import Box
from tallymark.cli import exit_codes
from tallymark.virtual import Server

NEEDS_BOX = [
    ("show",), ("lines",), ("pulse", "1"), ("set", "1"), ("idle",), ("counters",), ("restart",),
    ("selftest",), ("settings", "show"), ("settings", "keep"), ("settings", "factory"),
    ("settings", "change", "width_us=9ms"),
]


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("pulse", 256), "The code of a pulse goes from 1 to 255, not 256"),
        (("pulse", 0), "The code of a pulse goes from 1 to 255, not 0"),
        (("pulse", "five"), "'five' is not a code"),
        (("pulse",), "Missing argument 'CODE"),
        (("pulse", 1, "--width", 0), "makes pulses of 1 µs to 3,600 s, not 0 µs"),
        (("pulse", 1, "--width", "2h"), "'2h' is not a time"),
        (("pulse", 1, "--width", "3601s"), "makes pulses of 1 µs to 3,600 s, not 3,601 s"),
        (("pulse", 1, "--count", 0), "--count goes from 1 to"),
        (("pulse", 1, "--every", "-5ms"), "'-5ms' is not a time"),
        (("set", 256), "A code goes from 0 to 255, not 256"),
        (("set", "0x"), "'0x' is not a code"),
        (("settings", "change", "width_us=0"), "width_us goes from 1 to"),
        (
            ("settings", "change", "width_us=soon"),
            "'soon' can't be a value of width_us: 'soon' is not a time: write 500us, 5ms or "
            "1.5s. Nothing was changed.",
        ),
        (("settings", "change", "width_us=1.5us"), "not a whole number of microseconds"),
        (("settings", "change", "byte_baud=9600ms"), "can't be a value of byte_baud. Nothing"),
        (("settings", "change", "colour=red"), "'colour' is not a setting. Settings: name,"),
        (("settings", "change", "width=5ms"), "Did you mean width_us? Nothing was changed."),
        (("settings", "change", "idle=medium"), "'idle' must be one of low, high"),
        (("settings", "change", "lines=8"), "value of lines: the highest number is 7"),
        (("settings", "change", "lines="), "lines goes from 1 to 255"),
        (("settings", "change", "name=a name that is far too long"), "at most 16"),
        (("settings", "change", "gap_us=1000001us"), "gap_us goes from 0 to 1000000"),
        (("settings", "change", "hold_limit_us=5us"), "hold_limit_us (if not 0) goes from 1000"),
        (("settings", "change", "width_us"), "is not NAME=VALUE"),
        (("settings", "change"), "Missing argument"),
        (("lines", "--live", "--json"), "choose one"),
        (("juggle",), "No such command"),
    ],
)
def test_values(run: Run, args: tuple[object, ...], words: str) -> None:
    box = () if args[0] == "juggle" else ("--box", STEPPED)
    ran = run(*args, *box)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words
    if "--json" not in args:
        assert ran.out == ""


@pytest.mark.parametrize("command", NEEDS_BOX, ids=" ".join)
def test_unknown_port(run: Run, command: tuple[str, ...]) -> None:
    ran = run(*command, "--box", "/dev/ttyNONE")
    assert ran.code == exit_codes.NOT_OPENED
    assert "There is no port /dev/ttyNONE. Is the box plugged in?" in ran.words
    assert ran.out == ""


@pytest.mark.parametrize("command", NEEDS_BOX, ids=" ".join)
def test_no_box_plugged_in(run: Run, command: tuple[str, ...]) -> None:
    ran = run(*command)
    assert ran.code == exit_codes.NOT_OPENED
    assert "No box was found. Plug it in" in ran.words
    assert run(*command, "--box", "Quay left").code == exit_codes.NOT_OPENED


@pytest.mark.parametrize("command", NEEDS_BOX, ids=" ".join)
def test_busy_port(run: Run, terminal: Server, command: tuple[str, ...]) -> None:
    with Box.open(terminal.where) as box:
        ran = run(*command, "--box", terminal.where)
        assert ran.code == exit_codes.NOT_OPENED
        assert f"{terminal.where} is in use by" in ran.words
        assert box.levels().outputs == 0
        assert box.counters().frames_broken == 0


def test_port_that_is_something_else(run: Run) -> None:
    """A device that sends data of another protocol."""
    master, slave = os.openpty()
    stop = threading.Event()

    def chatter() -> None:
        while not stop.wait(0.05):
            os.write(master, b"$GPTXT,01\r\n\x00")

    thread = threading.Thread(target=chatter)
    thread.start()
    try:
        ran = run("pulse", 1, "--box", os.ttyname(slave))
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)
    assert ran.code == exit_codes.NOT_OPENED
    assert "there is no box behind it" in ran.words


@pytest.mark.parametrize(
    ("where", "words"),
    [
        ("virtual://?time=slow", "not 'slow'"),
        ("virtual://?fault=open:9", "Lines go from 0 to 7"),
        ("virtual://?colour=red", "'colour' is not an option"),
        ("nothing://here", "can't be opened"),
        ("socket://127.0.0.1:1", "no box is available there"),
    ],
)
def test_urls(run: Run, where: str, words: str) -> None:
    ran = run("show", "--box", where)
    assert ran.code in (exit_codes.BAD_INPUT, exit_codes.NOT_OPENED)
    assert words in ran.words


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("code,hold_us\n", "a heading and no steps"),
        ("1,1000\n", "line 1: no columns 'code' and 'hold_us', 'hold_ms' or 'hold'"),
        ("code,hold_us\n1,1000\n256,1000\n", "line 3: a code goes from 0 to 255, not 256"),
        ("code,hold_us\n1,0\n", "line 2: the hold time has to be longer than 0"),
        ("code,hold_us\n1,later\n", "line 2: '1,later' is not a code and a hold time"),
        ("code,hold_us\n1\n", "line 2: '1' is not a code and a hold time"),
        ("code,hold_us\n1,nan\n", "line 2: '1,nan' is not a code and a hold time"),
        ("code,hold_us\n1,3600000001\n", "goes from 1 µs to 3,600 s, not 3,600,000.001 ms"),
        ("code,hold_us\n" + "1,10\n" * 1025, "takes a sequence of 1 to 1024 steps, not 1025"),
    ],
)
@pytest.mark.parametrize("command", ["play", "record"])
def test_sequence_files(run: Run, tmp_path: Path, command: str, text: str, words: str) -> None:
    path = tmp_path / "steps.csv"
    path.write_text(text)
    args = ("play", path) if command == "play" else ("record", tmp_path / "a.vcd", "--play", path)
    ran = run(*args, "--box", STEPPED)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words
    if "--json" not in args:
        assert ran.out == ""
    assert not (tmp_path / "a.vcd").exists()


def test_sequence_file_that_is_no_text(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "steps.csv"
    path.write_bytes(bytes(range(128, 256)))
    assert "is not a text file" in run("play", path, "--box", STEPPED).words
    assert "can't be read" in run("play", tmp_path, "--box", STEPPED).words
    assert "can't be read" in run("play", tmp_path / "none.csv", "--box", STEPPED).words


def test_too_many_repeats(run: Run, steps: Path) -> None:
    ran = run("play", steps, "--repeats", 2**31, "--box", STEPPED)
    assert ran.code == exit_codes.REFUSED
    assert "can be repeated" in ran.words
    assert run("play", steps, "--repeats", -1, "--box", STEPPED).code == exit_codes.BAD_INPUT


@pytest.mark.parametrize("command", ["write", "compare"])
@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("format = 1", "format = 2"), "from a newer version of tallymark"),
        (("width_us = 5000", ""), "width_us missing"),
        (("width_us = 5000", "width_us = 0"), "width_us goes from 1"),
        (("width_us = 5000", "width_us = 5000\nspeed = 3"), "'speed' is not a setting"),
        (("[settings]", "[settings"), "is not a settings file"),
        (("width_us = 5000", "width_us = 6000"), "checksum does not match"),
    ],
)
def test_settings_files(
    run: Run, tmp_path: Path, command: str, change: tuple[str, str], words: str
) -> None:
    path = tmp_path / "lab.toml"
    assert run("settings", "read", path, "--box", STEPPED).code == 0
    text = path.read_text()
    assert change[0] in text
    path.write_text(text.replace(*change))
    ran = run("settings", command, path, "--box", STEPPED)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words
    assert ran.out == ""


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--for", "0"), "longer than 0"),
        (("--for", "now"), "'now' is not a time"),
        (("--for", "1ms", "--picture", "lines.gif"), "must end in .png, .svg or .pdf"),
    ],
)
def test_record_options(run: Run, tmp_path: Path, args: tuple[str, ...], words: str) -> None:
    ran = run("record", tmp_path / "a.vcd", *args, "--box", STEPPED)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words


def test_folder_that_is_not_there(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "nowhere" / "file"
    for args in (("record", path, "--for", "1ms"), ("settings", "read", path)):
        ran = run(*args, "--box", STEPPED)
        assert ran.code == exit_codes.BAD_INPUT
        assert "can't be written" in ran.words


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("--fault", "open"), "needs 1 line numbers"),
        (("--fault", "melted:3"), "is not a wiring fault"),
        (("--serial", "12"), "16 hexadecimal digits"),
        (("--tcp-port", "70000"), "70000 is not in the range"),
        (("--store", __file__), "is not a store of a virtual box"),
    ],
)
def test_serve_options(run: Run, args: tuple[str, ...], words: str) -> None:
    ran = run("serve", *args)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words


def test_serve_on_a_port_that_is_taken(run: Run, served: Server) -> None:
    ran = run("serve", "--tcp-port", served.where.rpartition(":")[2])
    assert ran.code == exit_codes.BAD_INPUT
    assert "can't be used" in ran.words


def test_boot_loader_that_a_board_does_not_have(run: Run) -> None:
    ran = run("restart", "--boot-loader", "--box", STEPPED)
    assert ran.code == exit_codes.REFUSED
    assert "this board can't do that" in ran.words


def test_refused_pulses(run: Run, served: Server) -> None:
    run("settings", "change", "overlap=refuse", "lines=0,1", "--box", served.where)
    ran = run("pulse", 4, "--box", served.where)
    assert ran.code == exit_codes.REFUSED
    assert "the code needs a line that is not in use (lines 0 and 1 are)" in ran.words
    ran = run("pulse", 1, "--count", 2, "--every", "1ms", "--width", "500ms",
              "--box", served.where)
    assert ran.code == exit_codes.REFUSED
    assert "1 were refused and are not in the recording" in ran.out
    assert "the setting 'overlap' is 'refuse'" in ran.words


@pytest.mark.parametrize(
    "args",
    [
        ("pulse", 7, "--count", 1000, "--every", "1ms"),
        ("play", "STEPS", "--repeats", 0),
        ("record", "VCD", "--for", "20s"),
        ("record", "VCD", "--play", "LONG"),
        ("selftest",),
    ],
    ids=lambda args: " ".join(map(str, args)),
)
def test_unplugged_in_the_middle(
    run: Run, served: Server, steps: Path, tmp_path: Path, args: tuple[object, ...]
) -> None:
    long = tmp_path / "long.csv"
    long.write_text("code,hold_ms\n1,20000\n")
    vcd = tmp_path / "a.vcd"
    paths = {"STEPS": steps, "VCD": vcd, "LONG": long}

    def under_way() -> bool:
        return served.device.outputs != 0 or (vcd.exists() and vcd.stat().st_size > 0)

    with meanwhile(under_way, served.stop):
        ran = run(*(paths.get(str(arg), arg) for arg in args), "--box", served.where)
    assert ran.code == exit_codes.CONNECTION
    assert "The connection to the box" in ran.words
    assert "was lost" in ran.words
    assert ran.out == ""


@pytest.mark.parametrize(
    ("args", "sends"),
    [
        (("pulse", 256, "--box", STEPPED), True),
        (("pulse", 1, "--box", "virtual://?time=slow"), True),
        (("show", "--box", "virtual://?time=slow"), False),
        (("plan", "check", "no-such-plan.toml"), False),
        (("plan", "codes", "--count", 3, "--reserved", "x"), False),
        (("check", "no-such-recording.bdf", "--plan", "no-such-plan.toml"), False),
        (("practice", "no-such-plan.toml", "a.bdf", "a.jsonl"), False),
    ],
)
def test_what_was_not_sent_is_said_where_something_might_have_been(
    run: Run, args: tuple[object, ...], sends: bool
) -> None:
    ran = run(*args)
    assert ran.code == exit_codes.BAD_INPUT
    assert ("Nothing was sent." in ran.words) == sends


def test_stores_of_virtual_boxes(run: Run, tmp_path: Path) -> None:
    short, lost = tmp_path / "short", tmp_path / "no folder" / "store"
    short.write_bytes(b"xy")
    for command, words in (
        (("show", "--box", f"virtual://?store={short}"), "it has 2 bytes instead of"),
        (("serve", "--store", short), "it has 2 bytes instead of"),
        (("show", "--box", f"virtual://?store={tmp_path}"), "can't be read"),
    ):
        ran = run(*command)
        assert ran.code == exit_codes.BAD_INPUT
        assert words in ran.words
    ran = run("settings", "change", "width_us=9ms", "--box", f"virtual://?store={lost}")
    assert ran.code == exit_codes.NOT_GOOD
    assert "could not be kept" in ran.words
    assert "they are lost" in ran.words
