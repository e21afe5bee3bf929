"""The commands of CABLES.md, run in their order on a virtual box, cable by cable, and those of the cards."""

from __future__ import annotations

import re
import shlex
import shutil
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

pytest.importorskip("tallymark", reason="needs the project's own Python package")

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "hardware/cables/CABLES.md").read_text()
CABLES = dict(zip(*[iter(re.split(r"^## (.+)$", TEXT, flags=re.M)[1:])] * 2, strict=True))


def commands(section: str) -> list[list[str]]:
    return [shlex.split(line)[1:] for line in re.findall(r"^    (tallymark .*)$", section, re.M)]


ONE_LINE = """
name = "one line"
[receiver]
sampling_rate = 1000
lines = [0]
[session]
least_interval_us = 100000
width_us = 5000
[[event]]
name = "ferry in sight"
code = 1
"""


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    shutil.copy(ROOT / "hardware/cables/walk.csv", tmp_path)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(arguments: list[str]) -> tuple[int, str]:
    from click.testing import CliRunner
    from tallymark.cli import main

    result = CliRunner().invoke(main, arguments)
    return result.exit_code, result.output


def record(check: list[str]) -> None:
    """A recording of such a receiver, which the check of the cable has to find good."""
    plan = str(ROOT / "host/examples/ferry/plan.toml")
    if "--lines" in check:
        plan = "one.toml"
        Path(plan).write_text(ONE_LINE)
    how = ["--fault", "inverted"] if "low" in check else []
    code, said = run(["practice", plan, "recording.bdf", "session.log", "--markers", "100", *how])
    assert code == 0, said


def test_there_are_five_cables() -> None:
    assert len(CABLES) == 5


@pytest.mark.parametrize("title", CABLES)
def test_the_commands_of_a_cable_do_what_they_say(title, folder) -> None:
    box = f"virtual://?time=stepped&store={folder / 'store'}"
    settings, selftest, walk, check, faulty = commands(CABLES[title])
    code, said = run([*settings, "--box", box])
    assert code == 0, said
    code, said = run([*selftest, "--box", box])
    assert code == 0, said
    assert ("idle high" in said) == ("idle=high" in settings)
    code, said = run([*walk, "--box", box])
    assert code == 0, said
    code, said = run(faulty)
    assert code == 1, said
    record(check)
    code, said = run(check)
    assert code == 0, said


def test_the_walk_takes_each_line_alone(folder) -> None:
    steps = (folder / "walk.csv").read_text().split()[1:]
    assert [step for step in steps if not step.startswith("0,")] == [
        f"{1 << n},500" for n in range(8)
    ]


def test_the_box_with_one_line_refuses_any_other_code(folder) -> None:
    settings = commands(CABLES["Single line to BNC"])[0]
    box = f"virtual://?time=stepped&store={folder / 'store'}"
    assert run([*settings, "--box", box])[0] == 0
    assert run(["pulse", "2", "--box", box])[0] == 5


def on_card(name: str) -> list[list[str]]:
    """The commands that stand on a card, without the program's name."""
    tree = ElementTree.parse(ROOT / f"hardware/card/{name}.svg")
    texts = [text.text or "" for text in tree.iter("{http://www.w3.org/2000/svg}text")]
    return [shlex.split(text)[1:] for text in texts if text.startswith("tallymark ")]


@pytest.mark.parametrize("name", ["quick-card", "check-list"])
def test_the_commands_on_a_card_work(name, folder) -> None:
    """On a virtual box whose settings were put into a file, with a practice recording."""
    box = f"virtual://?time=stepped&store={folder / 'store'}"
    shutil.copy(ROOT / "host/examples/ferry/plan.toml", folder)
    assert run(["settings", "read", "study.toml", "--box", box])[0] == 0
    record([])
    commands = on_card(name)
    assert len(commands) > 6
    for command in commands:
        alone = command[0] in ("boxes", "plan", "check")
        code, said = run([*command, *(() if alone else ("--box", box))])
        assert code == 0, f"{command}\n{said}"
