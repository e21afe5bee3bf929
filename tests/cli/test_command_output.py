"""Results of each command without errors, as text and as JSON."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import click
import pytest
from command_result import STEPPED, Run

from tallymark import Box, Settings
from tallymark.cli import exit_codes, main
from tallymark.common.lines.readback_wiring_model import fault_forms
from tallymark.virtual import Server
from tallymark.virtual.protocol_virtual import OPTIONS

COMMANDS = [
    ("boxes",), ("show",), ("lines",), ("pulse",), ("set",), ("idle",), ("play",), ("record",),
    ("selftest",), ("settings",), ("counters",), ("restart",), ("serve",),
    *(("settings", name)
      for name in ("show", "read", "write", "compare", "change", "keep", "factory")),
]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_help(run: Run, command: tuple[str, ...]) -> None:
    ran = run(*command, "--help")
    assert ran.code == 0
    assert ran.out.startswith(f"Usage: tallymark {' '.join(command)}")


def test_help_lists_every_command_and_exit_code(run: Run) -> None:
    ran = run("--help")
    names = main.list_commands(click.Context(main))
    assert len(names) >= 19
    for name in names:
        assert f"\n  {name} " in ran.out
    assert "..." not in ran.out.partition("Commands:")[2], "a summary is cut off"
    for code, meaning in exit_codes.TABLE:
        assert f"{code} {meaning}" in " ".join(ran.out.split())


def test_boxes(run: Run) -> None:
    """No known box is connected to the machine that runs the tests, and none is reported."""
    ran = run("boxes", "--json")
    assert (ran.code, ran.json) == (0, [])
    assert "No known box is connected" in run("boxes").words


def test_show(run: Run) -> None:
    ran = run("show", "--box", STEPPED)
    assert ran.code == 0
    assert "7669727475616C01" in ran.out
    shown = run("show", "--box", STEPPED, "--json").json
    assert shown["identity"]["board"] == "virtual"
    assert shown["levels"] == {"time_us": 0, "outputs": 0, "readback": 0}
    assert shown["settings"]["lines"] == list(range(8))
    assert shown["clock"]["bound_us"] < 100


def test_a_long_port_is_not_broken(run: Run, tmp_path: Path) -> None:
    port = f"{STEPPED}&store={tmp_path / ('a-long-name-0123456789-' * 4)}&serial=00112233AABBCCDD"
    assert len(port) > 100
    assert f"port             {port}\n" in run("show", "--box", port).out


def test_help_names_faults_and_options_of_virtual_boxes(run: Run) -> None:
    for command in ("practice", "selftest", "serve"):
        said = " ".join(run(command, "--help").out.split())
        for form, meaning in fault_forms():
            assert f"{form} {meaning}" in said
    said = " ".join(run("--help").out.split())
    for name, (example, meaning) in OPTIONS.items():
        assert example.startswith(f"{name}=")
        assert f"{example} {meaning}" in said


def test_selftest_with_active_low_lines(run: Run, tmp_path: Path) -> None:
    box = f"{STEPPED}&store={tmp_path / 'store'}"
    assert run("settings", "change", "idle=high", "--box", box).code == 0
    ran = run("selftest", "--box", f"{box}&fault=stuck-low:3")
    assert "idle high (an active line is low)" in ran.out
    assert "code 1 as 9" in " ".join(ran.out.split())  # not the idle code, 0 as 8


def test_times_in_settings_may_carry_units(run: Run) -> None:
    change = ("width_us=7.5ms", "gap_us=20us", "hold_limit_us=2s")
    ran = run("settings", "change", *change, "--box", STEPPED, "--json")
    shown = ran.json
    assert (shown["width_us"], shown["gap_us"], shown["hold_limit_us"]) == (7_500, 20, 2_000_000)
    never = run("settings", "change", "hold_limit_us=never", "--box", STEPPED, "--json")
    assert never.json["hold_limit_us"] == 0


def test_pulse(run: Run) -> None:
    assert "Code 5 went out for 5 ms" in run("pulse", 5, "--box", STEPPED).out
    result = run("pulse", "0b11", "--width", "2ms", "--box", STEPPED, "--json").json
    assert result["width_us"] == 2000
    (marker,) = result["markers"]
    assert (marker["code"], marker["outcome"], marker["error"]) == (3, "done", None)


def test_many_pulses(run: Run) -> None:
    ran = run("pulse", 5, "--count", 20, "--every", "10ms", "--width", "500us", "--box", STEPPED)
    assert "Code 5 went out 20 times for 500 µs." in ran.out
    assert "By the box's clock they are 10 ms to 10 ms apart." in ran.out
    ran = run("pulse", 5, "--count", 3, "--every", "1ms", "--box", STEPPED, "--json")
    times = [marker["box_time_us"] for marker in ran.json["markers"]]
    assert [time - times[0] for time in times] == [0, 1000, 2000]
    assert [marker["cut_lasted_us"] for marker in ran.json["markers"]] == [None, 1000, 1000]


def test_set(run: Run) -> None:
    assert "Code 200 is on the lines" in run("set", 200, "--box", STEPPED).out
    assert "The lines are at idle" in run("set", 0, "--box", STEPPED).out
    assert run("set", "0xFF", "--box", STEPPED, "--json").json["code"] == 255


def test_set_stays_and_idle_ends_it(run: Run, served: Server) -> None:
    run("set", 9, "--box", served.where)
    shown = run("lines", "--box", served.where, "--json").json
    assert (shown["outputs"], shown["readback"], shown["code"]) == (9, 9, 9)
    assert run("idle", "--box", served.where).code == 0
    assert run("lines", "--box", served.where, "--json").json["code"] == 0


def test_idle_stops_a_sequence(run: Run, served: Server) -> None:
    with Box.open(served.where) as box:
        box.sequence([(1, 1000), (2, 1000)], repeats=0).start()
    ran = run("pulse", 1, "--box", served.where)
    assert ran.code == exit_codes.REFUSED
    assert "a sequence is playing" in ran.words
    assert "A sequence was stopped after" in run("idle", "--box", served.where).out
    assert "A sequence" not in run("idle", "--box", served.where).out  # it was stopped before
    assert run("idle", "--json", "--box", served.where).json["sequence"] == "none"
    assert run("pulse", 1, "--box", served.where).code == 0


def test_play(run: Run, steps: Path) -> None:
    ran = run("play", steps, "--box", STEPPED)
    assert ran.code == 0
    assert "Played 4 steps in 75 ms" in ran.out
    result = run("play", steps, "--repeats", 3, "--box", STEPPED, "--json").json
    assert result["outcome"] == "ended"
    assert (result["steps_played"], result["ended_us"] - result["started_us"]) == (12, 225_000)


@pytest.mark.parametrize(
    "text",
    ["code;hold_ms\n1;10\n0;0.5\n", "trial\thold_us\tcode\n1\t10000\t1\n2\t500\t0\n",
     "\ufeffCode, Hold_us\r\n1, 10000\r\n\r\n0, 500\r\n"],
)
def test_kinds_of_csv(run: Run, tmp_path: Path, text: str) -> None:
    path = tmp_path / "steps.csv"
    path.write_text(text, encoding="utf-8")
    result = run("play", path, "--box", STEPPED, "--json").json
    assert result["ended_us"] - result["started_us"] == 10_500


def test_selftest(run: Run) -> None:
    ran = run("selftest", "--box", STEPPED)
    assert ran.code == 0
    assert "No fault. 256 codes on all eight lines were read back" in ran.out
    ran = run("selftest", "--box", f"{STEPPED}&fault=open:3", "--json")
    assert ran.code == exit_codes.NOT_GOOD
    assert ran.json["verdict"] == "faults"
    assert ran.json["explanations"][0][0]["faults"] == ["open:3", "stuck-low:3"]
    assert ran.json["altered_example"] == [8, 0]


@pytest.mark.parametrize(
    ("faults", "words"),
    [
        (["open:3"], ["1 fault found", "Input 3 always reads low", "D-sub pin 5", "code 8 as 0"]),
        (["swapped:1,4", "slow:5,200us,300us"],
         ["2 faults found", "Lines 1 and 4 are swapped", "D-sub pins 3 and 6", "Input 5 is slow",
          "rises 200 µs and falls 300 µs"]),
        (["unplugged"], ["No line arrives", "is it plugged in at both ends", "110 other faults"]),
        (["bridged-or:0,1", "bridged-or:1,2"], ["Lines 0, 1 and 2 are bridged: each reads "
                                               "high while any is driven high", "2, 3 and 4"]),
        (["open:1", "open:2", "open:6"], ["one or two known faults do not explain",
                                        "Input 6 always reads low", "D-sub pin 8"]),
    ],
)
def test_selftest_in_words(run: Run, faults: list[str], words: list[str]) -> None:
    options = "".join(f"&fault={fault}" for fault in faults)
    ran = run("selftest", "--box", STEPPED + options)
    assert ran.code == exit_codes.NOT_GOOD
    said = " ".join(ran.out.split())
    for part in words:
        assert part in said


def test_counters(run: Run) -> None:
    counted = run("counters", "--box", STEPPED, "--json").json
    assert counted["frames_broken"] == 0
    assert counted["frames"] >= 1
    assert "complete requests received" in run("counters", "--box", STEPPED).out


def test_restart(run: Run) -> None:
    assert "has started again" in run("restart", "--box", STEPPED).out


@pytest.mark.parametrize(
    ("args", "key"),
    [
        (("restart",), "firmware"),
        (("settings", "read", "FILE"), "settings"),
        (("settings", "change", "width_us=900us"), "width_us"),
        (("settings", "keep"), "times_kept"),
        (("settings", "factory"), "origin"),
        (("idle",), "box_time_us"),
    ],
    ids=lambda args: " ".join(args) if isinstance(args, tuple) else "",
)
def test_json_where_there_is_a_result(
    run: Run, tmp_path: Path, args: tuple[str, ...], key: str
) -> None:
    paths = {"FILE": tmp_path / "file"}
    ran = run(*(paths.get(arg, arg) for arg in args), "--json", "--box", STEPPED)
    assert ran.code == 0
    assert key in ran.json


def test_box_by_environment(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TALLYMARK_BOX", STEPPED)
    assert run("set", 1).code == 0


def test_settings_go_to_a_spare_box_and_are_equal(run: Run, tmp_path: Path) -> None:
    old = f"virtual://?store={tmp_path / 'old.bin'}&serial=1111111111111111"
    spare = f"virtual://?store={tmp_path / 'spare.bin'}&serial=2222222222222222"
    file = tmp_path / "lab.toml"
    changes = ["name=Quay left", "width_us=8ms", "gap_us=200us", "lines=0-3", "idle=high",
               "overlap=refuse", "byte_mode=set", "hold_limit_us=5s", "byte_baud=9600"]
    assert run("settings", "change", *changes, "--box", old).code == 0
    assert run("settings", "read", file, "--box", old).code == 0
    assert run("settings", "compare", file, "--box", spare).code == exit_codes.NOT_GOOD
    differences = run("settings", "compare", file, "--box", spare, "--json").json["differences"]
    assert len(differences) == 9
    assert differences["lines"] == {"file": [0, 1, 2, 3], "box": list(range(8))}
    ran = run("settings", "write", file, "--box", spare)
    assert ran.code == 0
    assert "Box 2222222222222222 has the settings of" in ran.out
    assert f"all {len(fields(Settings))} were read back and are equal" in ran.out
    ran = run("settings", "compare", file, "--box", spare)
    assert (ran.code, ran.out) == (0, "Equal.\n")
    shown = run("settings", "show", "--box", spare, "--json").json
    assert shown == {**run("settings", "show", "--box", old, "--json").json, "times_kept": 1}
    assert shown["name"] == "Quay left"


def test_settings_until_restart_and_keep(run: Run, served: Server) -> None:
    where = served.where
    assert run("settings", "change", "width_us=7ms", "--until-restart", "--box", where).code == 0
    run("restart", "--box", where)
    assert run("settings", "show", "--box", where, "--json").json["width_us"] == 5000
    run("settings", "change", "width_us=7ms", "--until-restart", "--box", where)
    assert "for the 1st time" in run("settings", "keep", "--box", where).out
    run("restart", "--box", where)
    assert run("settings", "show", "--box", where, "--json").json["width_us"] == 7000
    ran = run("settings", "factory", "--box", where)
    assert "They are in force until the next start" in ran.words
    run("restart", "--box", where)
    assert run("settings", "show", "--box", where, "--json").json["width_us"] == 7000
    run("settings", "factory", "--keep", "--box", where)
    run("restart", "--box", where)
    assert run("settings", "show", "--box", where, "--json").json["width_us"] == 5000


def test_names_are_printed_as_they_are(run: Run, tmp_path: Path) -> None:
    """Brackets are markup for the library that draws the screen; they must be escaped."""
    path = tmp_path / "lab[bold].toml"
    assert "lab[bold].toml" in run("settings", "read", path, "--box", STEPPED).out
    ran = run("settings", "change", "name=[red]box[/red]", "--box", STEPPED)
    assert "[red]box[/red]" in ran.out


def test_a_settings_file_edited_by_hand(run: Run, terminal: Server, tmp_path: Path) -> None:
    box, file = ("--box", terminal.where), tmp_path / "booth.toml"
    run("settings", "read", file, *box)
    file.write_text(file.read_text().replace("width_us = 5000", "width_us = 6000"))
    assert run("settings", "write", file, *box).code == exit_codes.BAD_INPUT
    assert run("settings", "show", *box, "--json").json["width_us"] == 5000
    assert run("settings", "compare", file, "--edited", *box).code == exit_codes.NOT_GOOD
    ran = run("settings", "write", file, "--edited", *box)
    assert ran.code == 0
    assert f"tallymark settings read {file} --replace" in ran.words
    assert run("settings", "show", *box, "--json").json["width_us"] == 6000
    assert run("settings", "read", file, "--replace", *box).code == 0
    assert run("settings", "compare", file, *box).out == "Equal.\n"
