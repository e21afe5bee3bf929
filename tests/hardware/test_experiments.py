"""The experiments: their commands work as they stand there, and the answers are what the runs give."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("tallymark", reason="needs the project's own Python package")

from click.testing import CliRunner
from tallymark.cli import main as tallymark

import write_experiments
from experiment import Experiment

ROOT = Path(__file__).resolve().parents[2]
ROOM = ROOT / "hardware/experiments"
ALL = {one.name: one for one in write_experiments.EXPERIMENTS}
NEEDS_NGSPICE = {"pull-ups", "grounds"}
FINDS = ("tallymark delay dropped", "tallymark delay flicker")
"""Commands that have to find something wrong."""


def skip_without_ngspice(name: str) -> None:
    if name in NEEDS_NGSPICE and shutil.which("ngspice") is None:
        pytest.skip("needs ngspice, which make hardware installs")


def test_there_are_nine_and_each_has_all_its_parts() -> None:
    assert len(ALL) >= 9
    for one in ALL.values():
        assert one.aim
        assert len(one.questions) == len(one.answers) >= 3
        assert (ROOM / f"wiring/{one.name}.svg").exists()
        assert (ROOM / f"figures/{one.name}.svg").exists()


def test_the_sheet_is_the_one_that_is_written() -> None:
    assert (ROOM / "EXPERIMENTS.md").read_text() == write_experiments.sheet()


def anchors(path: Path) -> set[str]:
    """The names by which the headings of a page are linked."""
    return {
        re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-")
        for heading in re.findall(r"^#+ (.+)$", path.read_text(), re.M)
    }


def test_every_link_and_picture_is_there() -> None:
    for name in (
        "experiments/EXPERIMENTS.md",
        "experiments/ANSWERS.md",
        "cables/CABLES.md",
        "breadboard/BREADBOARD.md",
        "breadboard/PICO.md",
        "breadboard/NANO.md",
        "breadboard/STRIPBOARD.md",
        "README.md",
        "ASSEMBLY.md",
        "CAUTIONS.md",
        "PINMAP.md",
    ):
        path = ROOT / "hardware" / name
        for target in re.findall(r"\]\(([^)]+)\)", path.read_text()):
            file, _, anchor = target.partition("#")
            there = path.parent / file if file else path
            assert there.exists(), f"{name}: {target}"
            assert not anchor or anchor in anchors(there), f"{name}: {target}"


def section(text: str, one: Experiment) -> str:
    return next(
        part for part in re.split(r"^## ", text, flags=re.M) if one.title in part.split("\n")[0]
    )


@pytest.mark.parametrize("name", ALL)
def test_the_answers_are_what_a_run_gives(name, tmp_path) -> None:
    skip_without_ngspice(name)
    one = ALL[name]
    facts = one.run(tmp_path / "figure.svg")
    assert (tmp_path / "figure.svg").read_text().startswith("<?xml")
    committed = section((ROOM / "ANSWERS.md").read_text(), one)
    for number, answer in enumerate(one.answers, 1):
        assert f"{number}. {answer.format(**facts)}\n" in committed


def run(command: str, folder: Path) -> tuple[int, str]:
    """Exit code, and what was said."""
    program, *rest = shlex.split(command)
    if program == "tallymark":
        with pytest.MonkeyPatch.context() as patch:
            patch.chdir(folder)
            result = CliRunner().invoke(tallymark, rest)
        return result.exit_code, result.output
    call = [sys.executable if program == "python" else program, *rest]
    done = subprocess.run(call, capture_output=True, text=True, check=False, cwd=folder)
    return done.returncode, done.stdout + (done.stderr if done.returncode else "")


@pytest.mark.parametrize("name", ALL)
def test_the_commands_work_from_the_top_of_the_project(name, tmp_path) -> None:
    skip_without_ngspice(name)
    for room in ("host", "hardware"):
        os.symlink(ROOT / room, tmp_path / room)
    for command in ALL[name].commands:
        if command.startswith("sigrok-cli"):
            continue  # below
        code, said = run(command, tmp_path)
        finds = "fault=" in command or command.startswith(FINDS)
        assert code == (1 if finds else 0), f"{command}\n{said}"
        assert said


@pytest.mark.skipif(shutil.which("sigrok-cli") is None, reason="needs sigrok-cli")
def test_an_independent_decoder_reads_the_bytes_of_the_answer(tmp_path) -> None:
    make, decode = ALL["logic-analyser"].commands
    os.symlink(ROOT / "hardware", tmp_path / "hardware")
    told = run(make, tmp_path)[1].split()
    # The exit status is not looked at: sigrok of Debian 12 may abort after everything was printed.
    heard = re.findall(r"^uart-1: ([0-9A-F]{2})$", run(decode, tmp_path)[1], re.M)
    assert heard == told
    assert f"`{' '.join(heard)}`" in (ROOM / "ANSWERS.md").read_text()


def test_a_bent_bit_makes_the_crc_wrong() -> None:
    """What the last answer of the last experiment says, by the library's own reader of frames."""
    from tallymark.box.wire.frames import Decoder, code_frame
    from tallymark.box.wire.protocol_enumerations import Request

    good = bytearray(code_frame(Request.PULSE, 7, 42))
    assert len(Decoder().feed(bytes(good))) == 1
    good[3] ^= 1
    decoder = Decoder()
    assert decoder.feed(bytes(good)) == []
    assert decoder.broken == 1


def test_false_codes_come_back_when_the_delay_is_longer_than_a_sample() -> None:
    import two_samples

    assert two_samples.false_codes(1000, 2) == 0
    assert two_samples.false_codes(10_000, 2) > 0
    assert two_samples.false_codes(1000, 1, late_us=0) == 0
