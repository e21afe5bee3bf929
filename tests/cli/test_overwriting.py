"""The one rule of overwriting, for each command that writes files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click
import pytest
from command_result import STEPPED, Run

from tallymark import cli, markerlog
from tallymark.cli import exit_codes

PLAN = Path(__file__).parents[2] / "host/examples/ferry/plan.toml"
Words = tuple[object, ...]
BOX = ("--box", STEPPED)

WRITERS: dict[str, Callable[[Path, Path, Path], Words]] = {
    "settings read": lambda _r, _l, to: ("settings", "read", to, *BOX),
    "record": lambda _r, _l, to: ("record", to, "--for", "1ms", *BOX),
    "record --picture": lambda _r, _l, to: (
        "record", to.parent / "a.vcd", "--for", "1ms", "--picture", to, *BOX),
    "check --report": lambda r, log, to: ("check", r, log, "--report", to),
    "check --events": lambda r, log, to: ("check", r, log, "--events", to),
    "delay --plot": lambda _r, log, to: ("delay", log, "--probe", "light", "--plot", to),
    "log events": lambda _r, log, to: ("log", "events", log, to),
    "plan new": lambda _r, log, to: ("plan", "new", to, "--from", log.with_suffix(".csv")),
    "probe --save": lambda _r, _l, to: ("probe", "--waveform", "light", "--save", to, *BOX),
}  # fmt: skip
"""What writes a file, given a recording, its log, and where to."""
ENDINGS = {"settings read": ".toml", "record": ".vcd", "record --picture": ".svg",
           "check --report": ".html", "check --events": ".tsv", "delay --plot": ".svg",
           "log events": ".tsv",
           "plan new": ".toml", "probe --save": ".csv"}
CODES = {"delay --plot": exit_codes.NOT_GOOD}  # no probe was watched


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A recording and its marker log."""
    from click.testing import CliRunner

    folder = tmp_path_factory.mktemp("made")
    recording, log = folder / "a.edf", folder / "a.jsonl"
    (folder / "a.csv").write_text("name,code\nhorn,3\n")
    words = ["practice", PLAN, recording, log, "--markers", 60]
    done = CliRunner().invoke(cli.main, list(map(str, words)))
    assert done.exit_code == 0, done.output
    return recording, log


def commands(group: click.Group, before: str = "") -> dict[str, click.Command]:
    """All commands and commands of groups, by their words."""
    found = {}
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            found |= commands(command, f"{before}{name} ")
        else:
            found[before + name] = command
    return found


def test_every_command_that_can_replace_is_tested_here() -> None:
    able = {name for name, command in commands(cli.main).items()
            if any("--replace" in param.opts for param in command.params)}
    folders = {"study check"}  # tests/study/test_interrupted_studies.py
    assert able - folders == {name.split(" --")[0] for name in WRITERS}


@pytest.mark.parametrize("name", WRITERS)
def test_what_exists_is_kept_unless_it_is_to_be_replaced(
    run: Run, tmp_path: Path, made: tuple[Path, Path], name: str
) -> None:
    target = tmp_path / f"old{ENDINGS[name]}"
    words = WRITERS[name](*made, target)
    target.write_text("precious")
    ran = run(*words)
    assert ran.code == exit_codes.BAD_INPUT
    assert f"{target} exists. Nothing was written; --replace overwrites it" in ran.words
    assert target.read_text() == "precious"
    assert [path.name for path in tmp_path.iterdir()] == [target.name]
    assert run(*words, "--replace").code == CODES.get(name, exit_codes.DONE)
    assert "precious" not in target.read_text()


@pytest.mark.parametrize("name", ["check --events", "log events"])
def test_the_file_beside_a_table_is_kept_too(
    run: Run, tmp_path: Path, made: tuple[Path, Path], name: str
) -> None:
    target, beside = tmp_path / "a.tsv", tmp_path / "a.json"
    beside.write_text("precious")
    ran = run(*WRITERS[name](*made, target))
    assert ran.code == exit_codes.BAD_INPUT
    assert f"{beside} exists" in ran.words
    assert not target.exists()
    assert beside.read_text() == "precious"


@pytest.mark.parametrize("name", WRITERS)
@pytest.mark.parametrize("kind", ["marker log", "recording", "folder"])
def test_evidence_is_never_replaced(
    run: Run, tmp_path: Path, made: tuple[Path, Path], name: str, kind: str
) -> None:
    target = tmp_path / f"old{'.bdf' if kind == 'recording' else ENDINGS[name]}"
    if kind == "folder":
        target.mkdir()
    elif kind == "marker log":
        markerlog.MarkerLog(target).close()
    else:
        target.write_bytes(b"\xffBIOSEMI")
    before = None if kind == "folder" else target.read_bytes()
    ran = run(*WRITERS[name](*made, target), "--replace")
    assert ran.code == exit_codes.BAD_INPUT
    assert ("directory" if kind == "folder" else "never overwritten") in ran.words
    assert kind == "folder" or target.read_bytes() == before


def test_what_a_command_reads_is_not_written_to(
    run: Run, tmp_path: Path, made: tuple[Path, Path]
) -> None:
    plan = tmp_path / "plan.html"
    plan.write_bytes(PLAN.read_bytes())
    ran = run("check", *made, "--plan", plan, "--report", plan, "--replace")
    assert ran.code == exit_codes.BAD_INPUT
    assert "is a file that this command reads" in ran.words
    assert plan.read_bytes() == PLAN.read_bytes()
    steps = tmp_path / "steps.csv"
    steps.write_text("code,hold\n5,5ms\n")
    ran = run("record", steps, "--play", steps, "--replace", *BOX)
    assert ran.code == exit_codes.BAD_INPUT
    assert steps.read_text() == "code,hold\n5,5ms\n"


@pytest.mark.parametrize(
    "words",
    [
        lambda old, new: ("practice", PLAN, old, new),
        lambda old, new: ("practice", PLAN, new, old),
        lambda old, _: ("bridge", old, *BOX),
    ],
    ids=["practice, recording", "practice, log", "bridge"],
)
def test_recordings_and_logs_are_only_made_anew(
    run: Run, tmp_path: Path, words: Callable[[Path, Path], Words]
) -> None:
    old, new = tmp_path / "old.edf", tmp_path / "new.edf"
    old.write_text("precious")
    ran = run(*words(old, new))
    assert ran.code == exit_codes.BAD_INPUT
    assert "never overwritten" in ran.words
    assert old.read_text() == "precious"
    assert not new.exists()
