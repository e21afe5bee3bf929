"""Output in code pages that lack our letters, and into pipes whose reader has gone away."""

from __future__ import annotations

import errno
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from command_result import STEPPED

from tallymark.cli import exit_codes
from tallymark.cli import output_encoding_and_closed_pipes as output_stream

PROGRAM = (sys.executable, "-c", "from tallymark.cli import main; main()")
ROOT = Path(__file__).parents[2]
PLAN = ROOT / "host/examples/ferry/plan.toml"
PAGES = ("cp1252", "cp437", "cp850", "cp932", "ascii")


def said(page: str, *args: object) -> bytes:
    return subprocess.run(
        [*PROGRAM, *map(str, args)], capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": page, "PYTHONUTF8": "0", "COLUMNS": "200"},
    ).stdout


def test_every_letter_has_one_that_survives_everywhere() -> None:
    for page in PAGES:
        for instead in output_stream.LETTERS.values():
            assert instead.encode(page).decode(page) == instead
    assert output_stream.LETTERS["✗"] != output_stream.LETTERS["✓"]


def test_no_letter_of_a_command_is_forgotten() -> None:
    """Whatever stands in a text of the command line, of errors, of the self-test or the monitor."""
    rooms = ("cli", "verification/selftest", "monitor", "bridge", "plan")
    files = [file for room in rooms for file in (ROOT / "host/tallymark" / room).glob("*.py")]
    files += [ROOT / "host/tallymark/common" / name for name in ("errors.py", "formatting.py")]
    lacking = {
        letter for file in files for line in file.read_text(encoding="utf-8").splitlines()
        for letter in re.sub("#.*", "", line)
        if ord(letter) > 127 and letter not in output_stream.LETTERS
    }
    assert lacking <= set("─│┌┐└┘├┤┬┴┼═█▁▂▃▄▅▆▇▒░"), lacking  # a library draws with them


@pytest.mark.parametrize("page", PAGES)
def test_good_and_bad_look_different(page: str) -> None:
    bad = said(page, "selftest", "--box", f"{STEPPED}&fault=swapped:0,1").decode(page)
    good = said(page, "selftest", "--box", STEPPED).decode(page)
    assert "x 1 fault found." in bad
    assert "?" not in (bad + good).replace(STEPPED, "")
    assert re.search(r"^ +7  \+  follows line 7", good, re.MULTILINE)
    assert re.search(r"^ +1  x  follows line 0", bad, re.MULTILINE)
    assert not re.search(r"^ +\d  x ", good, re.MULTILINE)


@pytest.mark.parametrize("page", ["cp1252", "cp437"])
def test_json_is_utf_8_whatever_the_code_page(page: str, tmp_path: Path) -> None:
    plan = tmp_path / "Fähre.toml"
    plan.write_text('name = "Fähre → Łódź"\n[[event]]\nname = "Überfahrt"\ncode = 5\ncount = 20\n'
                    "width_us = 5000\n", encoding="utf-8")
    recording, log = tmp_path / "Fähre.edf", tmp_path / "Fähre.jsonl"
    for args in (
        ("plan", "check", plan), ("practice", plan, recording, log),
        ("check", recording, log, "--plan", plan), ("log", "show", log),
        ("log", "compare", log, plan), ("show", "--box", "/dev/Fähre"),
    ):
        out = json.loads(said(page, *args, "--json").decode("utf-8"))
        text = json.dumps(out, ensure_ascii=False)
        assert "F?hre" not in text, args
        assert "Fähre" in text or "Überfahrt" in text, args
    found = said(page, "check", recording, log, "--plan", plan, "--json").decode("utf-8")
    assert json.loads(found)["markers"][0]["name"] == "Überfahrt"


@pytest.mark.skipif(os.name != "posix", reason="pipes of POSIX")
@pytest.mark.parametrize(
    "args", [("show", "--box", STEPPED), ("show", "--json", "--box", STEPPED),
             ("plan", "check", str(PLAN)), ("plan", "keys")], ids=" ".join,
)
def test_a_reader_that_is_gone_has_an_exit_code_of_its_own(args: tuple[str, ...]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ran = subprocess.run([*PROGRAM, *args], stdout=writing, stderr=subprocess.PIPE, text=True,
                             check=False)
    finally:
        os.close(writing)
    assert ran.returncode == exit_codes.OUTPUT_CLOSED, ran.stderr
    assert ran.stderr == ""


def test_what_windows_says_of_a_closed_pipe(monkeypatch: pytest.MonkeyPatch) -> None:
    said = OSError(errno.EINVAL, "Invalid argument")
    of_a_file = OSError(errno.EINVAL, "Invalid argument", "a:b")
    assert output_stream.is_closed(BrokenPipeError())
    monkeypatch.setattr(sys, "platform", "win32")
    assert output_stream.is_closed(said)
    assert not output_stream.is_closed(of_a_file)
    monkeypatch.setattr(sys, "platform", "linux")
    assert not output_stream.is_closed(said)
