"""What people try in their first hour: it works, or says what does."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_result import STEPPED, Run

from tallymark import markerlog
from tallymark.cli import COMMANDS, LIKELY, exit_codes
from tallymark.virtual import Server

PLAN = Path(__file__).parents[2] / "host/examples/ferry/plan.toml"


@pytest.mark.parametrize(
    ("word", "meant"),
    [("list", "tallymark boxes"), ("send", "tallymark pulse CODE"), ("pulsee", "tallymark pulse"),
     ("verify", "tallymark check RECORDING LOG"), ("xyzzy", "tallymark --help")],
)
def test_a_likely_word_gets_the_right_one(run: Run, word: str, meant: str) -> None:
    ran = run(word)
    assert ran.code == exit_codes.BAD_INPUT
    assert ran.words.endswith(f"Try: {meant}")


def test_likely_words_lead_to_commands_and_hide_none() -> None:
    assert not LIKELY.keys() & COMMANDS.keys()
    for meant in LIKELY.values():
        assert meant.startswith("--") or meant.split()[0] in COMMANDS


def test_an_event_of_a_plan_is_sent_by_its_name(run: Run) -> None:
    from tallymark.plan import load

    event = load(PLAN).events[0]
    sent = run("pulse", event.name, "--plan", PLAN, "--box", STEPPED, "--json").json
    assert sent["width_us"] == event.width_us
    assert sent["markers"][0]["code"] == event.code
    wider = run("pulse", event.name, "--plan", PLAN, "--width", "7ms", "--box", STEPPED, "--json")
    assert wider.json["width_us"] == 7000
    unknown = run("pulse", "no such event", "--plan", PLAN, "--box", STEPPED)
    assert unknown.code == exit_codes.BAD_INPUT
    assert f"Its events: '{event.name}'" in unknown.words
    assert "--plan FILE" in run("pulse", event.name, "--box", STEPPED).words


def test_a_change_of_settings_says_what_it_did_and_how_to_undo_it(
    run: Run, served: Server
) -> None:
    where = ("--box", served.where)
    ran = run("settings", "change", "width_us=20us", "lines=0-3", "idle=high", *where)
    said = " ".join(ran.out.split())
    assert "width_us 5 ms → 20 µs" in said
    assert "idle low → high" in said
    assert "lines 0, 1, 2, 3, 4, 5, 6, 7 → 0, 1, 2, 3" in said
    assert "Kept: in force after a restart, too." in said
    (undo,) = (line for line in ran.out.splitlines() if line.startswith("To undo it: tallymark "))
    assert run(*undo.removeprefix("To undo it: tallymark ").split()).code == 0
    shown = run("settings", "show", "--json", *where).json
    assert (shown["width_us"], shown["idle"], shown["lines"]) == (5000, "low", list(range(8)))
    again = run("settings", "change", "idle=low", *where)
    assert "Nothing was changed" in again.out
    trial = run("settings", "change", "hold_limit_us=2s", "--until-restart", *where)
    assert "In force until the next restart" in trial.out
    assert "hold_limit_us=never --until-restart" in trial.out


def test_swapped_arguments_are_noticed(run: Run, tmp_path: Path) -> None:
    log, recording = tmp_path / "a.jsonl", tmp_path / "a.edf"
    markerlog.MarkerLog(log).close()
    recording.write_bytes(b"0       ")
    ran = run("check", log, recording)
    assert ran.code == exit_codes.BAD_INPUT
    assert f"tallymark check {recording} {log}" in " ".join(ran.err.split())
    assert "is a marker log" in ran.words


def test_a_plan_and_a_log_are_told_apart(run: Run, tmp_path: Path) -> None:
    log = tmp_path / "a.jsonl"
    markerlog.MarkerLog(log).close()
    for words in (("plan", "check", log), ("pulse", "horn", "--plan", log, "--box", STEPPED)):
        ran = run(*words)
        assert ran.code == exit_codes.BAD_INPUT
        assert "is no plan: it begins as a marker log does" in ran.words
    ran = run("check", "a.edf", PLAN)
    assert ran.code == exit_codes.BAD_INPUT
    assert f"tallymark check a.edf LOG --plan {PLAN}" in ran.words
    ran = run("practice", tmp_path / "a.edf", PLAN, tmp_path / "b.jsonl")
    assert "tallymark practice PLAN RECORDING LOG" in ran.words


def test_a_report_is_html_or_pdf(run: Run, tmp_path: Path) -> None:
    report = tmp_path / "report.docx"
    ran = run("check", "a.edf", "a.jsonl", "--report", report)
    assert ran.code == exit_codes.BAD_INPUT
    assert "HTML or a PDF" in ran.words
    assert "report.html" in ran.words
    assert "report.pdf" in ran.words
    assert not report.exists()


@pytest.mark.parametrize("name", ["a.txt", "a"])
def test_a_practice_recording_is_edf_or_bdf(run: Run, tmp_path: Path, name: str) -> None:
    ran = run("practice", PLAN, tmp_path / name, tmp_path / "a.jsonl")
    assert ran.code == exit_codes.BAD_INPUT
    assert ".edf or .bdf" in ran.words
    assert list(tmp_path.iterdir()) == []
