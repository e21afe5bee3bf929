"""`tallymark log keep` and `log compare` beside a served box, with real bytes from a shell."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from simulated_program import STEPPED

from tallymark import Box, markerlog
from tallymark.common.errors import BadValue
from tallymark.monitor.byte_input_log import check_board
from tallymark.virtual import Server, VirtualBox

PLAN = """
name = "Ferry"
[session]
width_us = 5000
[[event]]
name = "empty sea"
code = 9
count = 2
[[event]]
name = "horn"
code = 36
count = 1
"""
TOOL = (sys.executable, "-c", "from tallymark.cli import main; main()")

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are of POSIX")


@pytest.fixture
def served() -> Iterator[Server]:
    with Server(VirtualBox(), tcp=False, byte_input=True) as server:
        yield server


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    return path


def tool(*args: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*TOOL, *map(str, args)], capture_output=True, text=True, timeout=30)


class Kept:
    """A `log keep` in a process of its own, which is there when its log has begun."""

    def __init__(self, file: Path, *args: object) -> None:
        before = file.stat().st_size if file.exists() else 0
        command = [*TOOL, "log", "keep", str(file), *map(str, args)]
        self.process = subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )
        wait_for(lambda: file.exists() and file.stat().st_size > before)
        time.sleep(0.2)

    def end(self, how: int | None = signal.SIGINT) -> tuple[int, str, str]:
        if how is not None:
            self.process.send_signal(how)
        out, err = self.process.communicate(timeout=30)
        return self.process.returncode, out, err


def wait_for(ready: Callable[[], bool]) -> None:
    end = time.monotonic() + 15
    while not ready():
        assert time.monotonic() < end
        time.sleep(0.02)


def shell(where: str | None, *codes: int) -> None:
    """What people do: printf into the port."""
    for code in codes:
        subprocess.run(["sh", "-c", f"printf '\\{code:03o}' > {where}"], check=True)
        time.sleep(0.03)


def test_a_session_as_planned(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--plan", plan)
    shell(served.byte_where, 9, 36, 9)
    code, out, err = kept.end()
    assert code == 0, out + err
    assert "····1··1  empty sea" in out
    assert "3 markers written to" in out
    assert "✓ As planned. 3 markers" in out
    assert [marker.code for marker in markerlog.read(file).markers] == [9, 36, 9]
    again = tool("log", "compare", file, plan)
    assert again.returncode == 0
    assert again.stdout in out


def test_a_session_that_is_not_as_planned_as_json_lines(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--plan", plan, "--json")
    shell(served.byte_where, 9, 37)
    code, out, _ = kept.end(signal.SIGTERM)
    assert code == 1
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["code"] for line in lines if "code" in line] == [9, 37]
    summary = lines[-1]["summary"]
    assert summary["not_in_plan"] == 1
    kinds = [finding["kind"] for finding in summary["comparison"]["wrong"]]
    assert kinds == ["missing", "missing", "not in the plan"]
    again = tool("log", "compare", file, plan, "--json")
    assert again.returncode == 1
    assert json.loads(again.stdout) == summary["comparison"]


def test_appending(served, tmp_path):
    file = tmp_path / "log.jsonl"
    assert tool("log", "keep", file, "--box", served.where, "--for", "100ms").returncode == 0
    second = tool("log", "keep", file, "--box", served.where, "--for", "100ms")
    assert second.returncode == 2
    assert "--append" in second.stderr
    kept = Kept(file, "--box", served.where, "--append")
    shell(served.byte_where, 9)
    code, out, _ = kept.end()
    assert (code, "1 marker written to" in out) == (0, True)
    data = markerlog.read(file)
    assert len(data.headers) == 2
    assert data.notes() == []


def test_a_box_that_goes_away(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--plan", plan)
    shell(served.byte_where, 9)
    served.stop()
    code, out, err = kept.end(None)
    assert code == 4
    assert "✗ The log ends here:" in out
    assert "'empty sea' (code 9) came once instead of twice." in " ".join(out.split())
    assert served.where in err
    assert markerlog.read(file).ended


def test_a_byte_input_that_is_off_is_said_at_once(served, tmp_path):
    assert tool("settings", "change", "byte_mode=off", "--box", served.where).returncode == 0
    result = tool("log", "keep", tmp_path / "log", "--box", served.where, "--for", "100ms")
    assert result.returncode == 0
    assert result.stdout.splitlines()[1].startswith("✗ The byte input is off")
    assert "settings change byte_mode=pulse" in result.stdout


def test_a_program_that_drives_lines(served, plan, tmp_path):
    """The lines of the box, moved by its byte input, stand for those of the program."""
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--lines", "--plan", plan)
    shell(served.byte_where, 9, 36, 9)
    time.sleep(0.8)
    code, out, err = kept.end()
    assert code == 0, out + err
    assert "on the readback inputs" in out
    assert "3 codes" in out.splitlines()
    assert "3 markers written to" in out
    assert "✓ As planned. 3 markers" in out
    assert [m.code for m in markerlog.read(file).markers] == [9, 0, 36, 0, 9, 0]


def test_a_nano_has_no_byte_input_beside_its_port():
    with Box.open(STEPPED) as box:
        check_board(box)
        box.identity = replace(box.identity, board="nano")
        with pytest.raises(BadValue, match="tallymark bridge"):
            check_board(box)


def test_help_speaks_of_the_nano_and_of_byte_modes():
    help_text = " ".join(tool("log", "keep", "--help").stdout.split())
    assert "On a Nano with the jumper the only port takes the bytes" in help_text
    modes = tool("settings", "change", "--help").stdout
    for mode in ("off", "pulse", "set", "limited"):
        assert f"  {mode}" in modes


def test_files_that_cannot_be_used(plan, tmp_path):
    assert tool("log", "compare", tmp_path / "none", plan).returncode == 2
    other = tmp_path / "notes.txt"
    other.write_text("my notes\n")
    assert tool("log", "compare", other, plan).returncode == 2
    bad_plan = tool("log", "keep", tmp_path / "log", "--plan", other, "--box", "virtual")
    assert bad_plan.returncode == 2


def test_a_virtual_box_that_nobody_can_reach_is_refused_at_once(tmp_path):
    result = tool("log", "keep", tmp_path / "log", "--box", "virtual")
    assert result.returncode == 2
    assert "tallymark serve --byte-input" in result.stderr
    assert not (tmp_path / "log").exists()


def test_where_bytes_come_from_is_said_at_once_and_if_none_came(served, tmp_path):
    result = tool("log", "keep", tmp_path / "log", "--box", served.where, "--for", "100ms")
    assert result.returncode == 0
    assert "have to come to the box's byte input" in result.stdout
    assert "✗ No byte was received." in result.stdout
    assert "tallymark bridge" in result.stdout


def test_arguments_that_were_swapped_are_noticed(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    tool("log", "keep", file, "--box", served.where, "--for", "100ms")
    result = tool("log", "compare", plan, file)
    assert result.returncode == 2
    assert f"tallymark log compare {file} {plan}" in " ".join(result.stderr.split())
    assert "TOML" not in result.stderr


def test_the_verdict_comes_last_with_how_to_see_it_again(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--plan", plan)
    shell(served.byte_where, 9)
    _, out, _ = kept.end()
    *_, verdict, again = out.splitlines()
    assert verdict == "✗ 2 problems found."
    assert again == f"With all details: tallymark log compare {file} {plan}"


def test_what_a_log_holds(served, plan, tmp_path):
    file = tmp_path / "log.jsonl"
    kept = Kept(file, "--box", served.where, "--plan", plan)
    shell(served.byte_where, 9, 0, 36)
    kept.end()
    shown = " ".join(tool("log", "show", file).stdout.split())
    assert "plan Ferry" in shown
    assert "markers 3: 2 confirmed, 0 unconfirmed, 1 refused" in shown
    found = json.loads(tool("log", "show", file, "--json").stdout)
    assert (found["plan"], found["markers"], found["on_byte_input"]) == ("Ferry", 3, 3)
    assert 0.1 < found["lasts_s"] < 30
    exported = tool("log", "events", file, tmp_path / "events.tsv", "--json")
    assert json.loads(exported.stdout)["sidecar"] == str(tmp_path / "events.json")
