"""Times: the same texts with units in commands, plans, settings files and sequences."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_result import STEPPED, Run

from tallymark import plan
from tallymark.box.settings import Settings
from tallymark.cli import exit_codes
from tallymark.cli.sequence_file import read_steps
from tallymark.common.errors import BadValue
from tallymark.common.formatting import parse_time, time_value
from tallymark.virtual import Server

GOOD = {"500us": 500, "500 µs": 500, "5ms": 5_000, "1.5s": 1_500_000, "0.5ms": 500, "0": 0}
BAD = {
    "20": "'20' has no unit. Write 20us or 20ms",
    "1.5us": "not a whole number of microseconds",
    "5min": "is not a time: write 500us, 5ms or 1.5s",
    "-5ms": "is not a time",
    "": "is not a time",
}


@pytest.mark.parametrize("text", GOOD)
def test_a_time_with_its_unit(text: str) -> None:
    assert parse_time(text) == GOOD[text]


@pytest.mark.parametrize("text", BAD)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=BAD[text]):
        parse_time(text)


@pytest.mark.parametrize("time", [0, 1, 850, 1_000, 1_001, 5_000, 3_600_000_000])
def test_what_messages_propose_can_be_typed(time: int) -> None:
    assert parse_time(time_value(time)) == time


@pytest.mark.parametrize(
    "args",
    [
        ("pulse", 5, "--width", 20),
        ("pulse", 5, "--every", "20"),
        ("record", "a.vcd", "--for", "20"),
        ("log", "keep", "a.jsonl", "--for", "20"),
        ("bridge", "--width", "20"),
        ("check", "a.edf", "a.jsonl", "--tolerance", "20"),
        ("practice", "plan.toml", "a.edf", "a.jsonl", "--drop", "20"),
        ("practice", "plan.toml", "a.edf", "a.jsonl", "--late", "20"),
        ("settings", "change", "width_us=20"),
    ],
    ids=lambda args: " ".join(map(str, args)),
)
def test_no_command_takes_a_time_without_unit(run: Run, args: tuple[object, ...]) -> None:
    where = () if args[0] in ("check", "practice") else ("--box", STEPPED)
    ran = run(*args, *where)
    assert ran.code == exit_codes.BAD_INPUT
    assert "'20' has no unit. Write 20us or 20ms." in ran.words


def test_a_plan_takes_times_with_units() -> None:
    event = {"name": "horn", "code": 36, "width_us": "20ms"}
    session = {"width_us": "5ms", "gap_us": "1ms", "least_interval_us": "0.1s"}
    read = plan.from_mapping({"session": session, "event": [event]})
    assert (read.events[0].width_us, read.session.gap_us) == (20_000, 1_000)
    assert read.session.least_interval_us == 100_000
    for value, words in (("20", "has no unit"), ("soon", "is not a time")):
        with pytest.raises(plan.PlanError, match=rf"event 'horn': width_us: .*{words}"):
            plan.from_mapping({"session": session, "event": [event | {"width_us": value}]})
    with pytest.raises(plan.PlanError, match="code must be a whole number"):
        plan.from_mapping({"session": session, "event": [event | {"code": "20ms"}]})


def test_settings_take_times_with_units(run: Run, served: Server, tmp_path: Path) -> None:
    assert Settings().changed(width_us="7.5ms", hold_limit_us="never").width_us == 7_500
    with pytest.raises(BadValue, match="'20' can't be a value of width_us: '20' has no unit"):
        Settings().changed(width_us="20")
    with pytest.raises(BadValue, match="'byte_baud' must be a whole number"):
        Settings().changed(byte_baud="20ms")
    file = tmp_path / "box.toml"
    where = ("--box", served.where)
    run("settings", "read", file, *where)
    file.write_text(file.read_text().replace("width_us = 5000", 'width_us = "9ms"'))
    assert "was altered" in run("settings", "write", file, *where).words
    written = run("settings", "write", file, "--edited", *where)
    assert "width_us 9 ms" in " ".join(written.out.split())  # told with its unit
    assert run("settings", "show", "--json", *where).json["width_us"] == 9_000


def test_a_sequence_takes_times_with_units(tmp_path: Path) -> None:
    file = tmp_path / "a.csv"
    file.write_text("code,hold\n5,5ms\n0,250us\n")
    assert read_steps(file) == [(5, 5_000), (0, 250)]
    file.write_text("code,hold\n5,20\n")
    with pytest.raises(BadValue, match=r"line 2: .* with its unit, such as 500us or 5ms"):
        read_steps(file)
