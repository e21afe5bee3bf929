"""What the command says of whole recordings: one headline and one exit code for each outcome, and
green only by the rule. Sessions come from the generator, files from other people's writers."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
from html import unescape
from pathlib import Path

import numpy as np
import pytest
from ferry_plan_and_command import run
from generator_files import (
    Made,
    add_segment,
    part,
    quiet_seconds,
    session,
    status,
    without,
    write_bdf,
    write_brainvision,
    write_log,
    write_paused_bdf,
    write_table,
)

from tallymark.cli.check import check as check_command
from tallymark.cli.exit_codes import CHECK, TABLE
from tallymark.recording import alignment
from tallymark.recording.overall_outcome import OUTCOMES

ROOT = Path(__file__).parents[2]
COMMAND = (sys.executable, "-c", "from tallymark.cli import main; main()")
SEED = 5


def user_runs(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(ROOT / "host")},
    )


class Said:
    """What the command said: its exit code, and the same result as text, JSON and HTML."""

    def __init__(self, folder: Path, *arguments: object) -> None:
        report = folder / "report.html"
        done = user_runs("check", *arguments, "--report", report, "--replace")
        self.text, self.code = done.stdout, done.returncode
        assert done.stderr == ""
        again = run("check", *arguments, "--json")
        assert again.exit_code == self.code
        self.data = json.loads(again.stdout)
        html = report.read_text(encoding="utf-8")
        self.html = " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())

    def is_(self, outcome: str) -> None:
        """The outcome is this one, in the same words everywhere."""
        assert self.data["outcome"] == outcome, self.text
        assert self.code == CHECK[outcome]
        assert self.data["clean"] == (self.code == 0)
        titles = [found["title"] for found in self.data["findings"]]
        assert self.text.splitlines()[0] == titles[0] == self.data["title"]
        for found in self.data["findings"]:
            assert found["text"] in self.text
            assert " ".join(found["text"].split()) in self.html
            assert found["title"] in self.html
        if self.code:
            assert "All markers arrived" not in self.text + self.html
            assert "each with its own code" not in self.text + self.html


def checked(
    folder: Path, made: Made, *options: object, values: np.ndarray | None = None, **settings: object
) -> Said:
    recording = write_bdf(
        folder / "made.bdf", status(made) if values is None else values, made.rate
    )
    log = write_log(folder / "made.jsonl", made.log, settings or None)
    return Said(folder, recording, log, *options)


@pytest.mark.parametrize(
    ("design", "damage", "outcome"),
    [
        ("irregular", "none", "all arrived"),
        ("blocks", "none", "all arrived"),
        ("irregular", "foreign", "another session"),
        ("one_code", "late_start", "not known"),
        ("cyclic", "none", "session not told"),
        ("cyclic", "foreign", "session not told"),
        ("irregular", "missing", "markers missing"),
        ("irregular", "pairs", "markers missing"),
        ("irregular", "altered", "wrong codes"),
        ("irregular", "loose_line", "wrong codes"),
        ("irregular", "drop_few", "samples missing"),
        ("irregular", "gap_10_s", "samples missing"),
        ("irregular", "extra", "extra events"),
        ("irregular", "late_start", "part recorded"),
        ("irregular", "early_end", "part recorded"),
    ],
)
def test_each_outcome(tmp_path: Path, design: str, damage: str, outcome: str) -> None:
    checked(tmp_path, session(design, damage, SEED)).is_(outcome)


def test_all_have_an_exit_code_that_is_told() -> None:
    names = [outcome.name for outcome in OUTCOMES]
    assert set(names) == set(CHECK)
    assert len(set(CHECK.values())) == len(CHECK)
    assert not set(CHECK.values()) & {1, 2, 3, 4, 5, 70, 130}
    helped = check_command.help or ""
    told = re.findall(r"^ *(\d+)  (.+?)[:,]? ?", helped, re.MULTILINE)
    assert [int(code) for code, _ in told] == [CHECK[name] for name in names]
    assert set(CHECK.values()) <= set(dict(TABLE))
    page = (ROOT / "host/RECORDING-CHECK.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (\d+) \| `(.+?)` \| (.+?) \|", page, re.MULTILINE)
    assert [(int(code), name, title) for code, name, title in rows] == [
        (CHECK[outcome.name], outcome.name, outcome.title) for outcome in OUTCOMES
    ]


def test_another_session_of_regular_bursts_is_a_doubt_at_least(tmp_path: Path) -> None:
    """The design gives most markers a place in it, burst by burst."""
    said = checked(tmp_path, session("bursts", "foreign", SEED))
    assert said.data["outcome"] in ("another session", "not known")
    assert said.data["faults"] == []
    if said.data["outcome"] == "not known":
        assert "The session can't be told" in said.text


def test_another_session_is_told_and_nothing_else(tmp_path: Path) -> None:
    said = checked(tmp_path, session("irregular", "foreign", SEED))
    said.is_("another session")
    assert said.data["faults"] == []
    assert set(said.data["counts"].values()) == {0, len(said.data["markers"])}
    assert "Line" not in said.text
    assert "altered" not in said.text


def test_no_fault_is_made_of_what_may_be_another_session(tmp_path: Path) -> None:
    made = session("trials", "foreign", SEED)
    said = checked(tmp_path, made)
    said.is_("session not told")
    assert said.data["counts"]["altered"] > 10
    assert said.data["faults"] == []


def test_the_user_may_vouch_for_the_session(tmp_path: Path) -> None:
    checked(tmp_path, session("cyclic", "none", SEED), "--same-session").is_("all arrived")
    said = checked(tmp_path, session("irregular", "foreign", SEED), "--same-session")
    said.is_("another session")


def test_altered_codes_of_a_session_that_is_not_told_may_be_another_ones(tmp_path: Path) -> None:
    made = session("one_code", "none", SEED)
    made.recording.code[:] = 5
    said = checked(tmp_path, made)
    said.is_("session not told")
    assert "wrong codes" in [found["outcome"] for found in said.data["findings"]]
    checked(tmp_path, made, "--same-session").is_("wrong codes")


def test_inverted_lines_are_not_green_unless_somebody_says_so(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    turned = 255 - status(made)
    said = checked(tmp_path, made, values=turned)
    said.is_("wrong level")
    assert said.data["counts"]["arrived"] == len(made.log.time)
    assert [(f["kind"], f["lines"]) for f in said.data["faults"]] == [("inverted", list(range(8)))]
    assert "not told by the log" not in said.text
    checked(tmp_path, made, "--active", "low", values=turned).is_("all arrived")
    checked(tmp_path, made, "--idle", 255, values=turned).is_("all arrived")
    checked(tmp_path, made, values=turned, idle="high").is_("all arrived")
    checked(tmp_path, made, values=turned, lines=255).is_("wrong level")  # the box's default
    checked(tmp_path, made, idle="high").is_("wrong level")
    plan = tmp_path / "plan.toml"
    plan.write_text('name = "Ferry"\n[receiver]\nactive = "low"\n')
    checked(tmp_path, made, "--plan", plan, values=turned).is_("all arrived")
    checked(tmp_path, made, "--plan", plan).is_("wrong level")


def test_a_part_is_judged_as_a_part(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    half = part(made, 30, 90)
    whole_seconds = half.recording.samples // made.rate * made.rate
    last = 30 + int((half.recording.sample < whole_seconds).sum())
    said = checked(tmp_path, half)
    said.is_("part recorded")
    assert f"30 before it began and {120 - last} after it ended" in said.text
    checked(tmp_path, half, "--part").is_("all arrived")
    for first, to, outcome in (
        (31, last, "all arrived"),
        (30, last, "part recorded"),
        (31, last + 1, "part recorded"),
        (31, 120, "part recorded"),
    ):
        checked(tmp_path, half, "--from", first, "--to", to).is_(outcome)
    checked(tmp_path, half, "--from", 31).is_("part recorded")
    checked(tmp_path, made, "--from", 31, "--to", 90).is_("all arrived")


def with_tests(log: Path, *numbers: int) -> Path:
    """A copy of a log in which the markers of these numbers are tests."""
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    for line in lines:
        if line.get("sent") in numbers:
            line["test"] = True
    path = log.with_name("tests.jsonl")
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


def test_a_marker_of_a_test_is_not_asked_for(tmp_path: Path) -> None:
    whole = session("irregular", "none", SEED)
    half = part(whole, 2, 90)
    seconds = half.recording.samples // half.rate * half.rate
    last = 2 + int((half.recording.sample < seconds).sum())
    recording = write_bdf(tmp_path / "part.bdf", status(half), half.rate)
    log = write_log(tmp_path / "log.jsonl", half.log)
    Said(tmp_path, recording, log, "--to", last).is_("part recorded")
    said = Said(tmp_path, recording, with_tests(log, 1, 2), "--to", last)
    said.is_("all arrived")
    assert "2 markers of a test before the session were not asked for." in said.text
    assert "2 markers of the log are tests before the session, and not asked for." in said.text
    one = Said(tmp_path, recording, with_tests(log, 1), "--to", last)
    one.is_("part recorded")
    assert "1 before it began" in one.text


def test_a_marker_of_a_test_that_was_recorded_is_no_extra_event(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    recording = write_bdf(tmp_path / "whole.bdf", status(made), made.rate)
    log = with_tests(write_log(tmp_path / "log.jsonl", made.log), 1)
    Said(tmp_path, recording, log).is_("all arrived")


def test_a_log_of_tests_alone_asks_for_nothing(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    recording = write_bdf(tmp_path / "whole.bdf", status(made), made.rate)
    log = with_tests(write_log(tmp_path / "log.jsonl", made.log), *range(1, 121))
    done = user_runs("check", recording, log)
    assert done.returncode not in (0, 1)
    assert "all markers of the log are tests" in done.stderr
    log = with_tests(write_log(tmp_path / "log.jsonl", made.log), 1, 2)
    done = user_runs("check", recording, log, "--to", 2)
    assert done.returncode not in (0, 1)
    assert "that are asked for are tests" in done.stderr


def test_a_part_hides_no_missing_marker(tmp_path: Path) -> None:
    damaged = part(session("irregular", "missing", SEED), 10, 90)
    checked(tmp_path, damaged, "--part").is_("markers missing")
    gap = session("irregular", "gap_10_s", SEED)
    checked(tmp_path, gap, "--part").is_("samples missing")


def test_half_a_list_of_events_is_not_green(tmp_path: Path) -> None:
    made = part(session("irregular", "none", SEED), 0, 60)
    table, log = write_table(tmp_path / "list.tsv", made), write_log(tmp_path / "l.jsonl", made.log)
    Said(tmp_path, table, log, "--rate", made.rate).is_("part recorded")
    Said(tmp_path, table, log, "--rate", made.rate, "--to", 60).is_("all arrived")


def test_a_recording_without_any_event_has_lost_all_markers(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    log = write_log(tmp_path / "made.jsonl", made.log)
    recording = write_bdf(tmp_path / "made.bdf", np.zeros_like(status(made)), made.rate)
    done = user_runs("check", recording, log, "--json")
    said = json.loads(done.stdout)
    assert done.returncode == said["exit_code"] == CHECK["markers missing"]
    assert "holds no marker" in said["error"]
    assert "cable" in said["error"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--from", 500), "holds no marker of that number"),
        (("--from", 50, "--to", 20), "No marker of the log lies from 50 to 20"),
    ],
)
def test_limits_that_are_none(tmp_path: Path, options: tuple[object, ...], said: str) -> None:
    made = session("irregular", "none", SEED)
    log = write_log(tmp_path / "made.jsonl", made.log)
    recording = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    done = user_runs("check", recording, log, *options)
    assert done.returncode == 2
    assert said in " ".join(done.stderr.split())


def test_a_file_that_is_cut_off(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    path = write_bdf(tmp_path / "whole.bdf", status(made), made.rate)
    log = write_log(tmp_path / "made.jsonl", made.log)
    cut = tmp_path / "cut.bdf"
    cut.write_bytes(path.read_bytes()[:-2_000])
    said = Said(tmp_path, cut, log)
    said.is_("file incomplete")
    assert said.data["counts"]["arrived"] == len(made.log.time)
    cut.write_bytes(path.read_bytes()[: path.stat().st_size * 2 // 3])
    Said(tmp_path, cut, log).is_("file incomplete")
    Said(tmp_path, cut, log, "--part").is_("file incomplete")


def test_a_line_of_the_log_that_can_not_be_read(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    path = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    log = write_log(tmp_path / "made.jsonl", made.log)
    lines = log.read_text().splitlines()
    log.write_text("\n".join([*lines[:100], '{"sent":50', *lines[100:]]) + "\n")
    said = Said(tmp_path, path, log)
    said.is_("partly known")
    assert "1 line of the log can't be read (the first is line 101)" in said.text


def test_a_marker_that_was_never_confirmed_and_is_not_there_is_missing(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    log = write_log(tmp_path / "made.jsonl", made.log)
    lines = [line for line in log.read_text().splitlines() if '"done": 50,' not in line]
    log.write_text("\n".join(lines) + "\n")
    values = status(made)
    Said(tmp_path, write_bdf(tmp_path / "made.bdf", values, made.rate), log).is_("all arrived")
    first = made.recording.sample[49]
    values[first : first + made.recording.width[49]] = 0
    said = Said(tmp_path, write_bdf(tmp_path / "made.bdf", values, made.rate), log)
    said.is_("markers missing")
    assert "1 never confirmed by the box" in said.text


def test_a_block_later_is_told_with_both_times(tmp_path: Path) -> None:
    """A gap as long as a block of a repeating design: which block is missing can't be known."""
    made = session("oddball", "gap_10_s", SEED)
    said = checked(tmp_path, made)
    told = [found["outcome"] for found in said.data["findings"]]
    assert told == ["samples missing", "partly known"]
    (place,) = said.data["places"]
    away_s = abs(place["at_us"] - place["or_us"]) / 1e6
    lost = sum(count for _, count in made.world.amplifier.lost) / made.rate
    assert away_s == pytest.approx(lost, abs=0.01)
    pattern = r"could be 9.998 s (later|earlier): the first at [\d:.]+ instead of [\d:.]+"
    assert re.search(pattern, said.text)
    assert re.search(pattern, said.html)
    found = re.search(r"the first at \d:\d\d:([\d:.]+) instead of \d:\d\d:([\d:.]+)", said.text)
    assert found is not None
    told_s = [float(text.rstrip(".")) for text in found.groups()]
    assert told_s == pytest.approx([place[key] / 1e6 % 60 for key in ("or_us", "at_us")], abs=0.002)


def test_a_pause_that_the_file_tells_of(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    values = status(made)
    first, last = quiet_seconds(values, made.rate, 10)
    recording = write_paused_bdf(tmp_path / "paused.bdf", values, made.rate, first, last)
    log = write_log(tmp_path / "made.jsonl", made.log)
    said = Said(tmp_path, recording, log)
    said.is_("part recorded")
    sample = made.recording.sample
    gone = int(((sample >= first * made.rate) & (sample < last * made.rate)).sum())
    assert gone > 5
    assert said.data["counts"]["in a pause"] == gone
    assert said.data["counts"]["arrived"] == len(sample) - gone
    assert said.data["jumps"] == []
    assert f"{gone} while it was paused" in said.text
    assert len(said.data["findings"]) == 1
    Said(tmp_path, recording, log, "--part").is_("all arrived")


@pytest.mark.parametrize("dated", [True, False])
def test_segments_of_brainvision_are_pauses(tmp_path: Path, dated: bool) -> None:
    made = session("irregular", "none", SEED, rate=500.0)
    first, last = quiet_seconds(status(made), made.rate, 10)
    shown = without(made, first, last)
    gone = len(made.recording.sample) - len(shown.recording.sample)
    header = write_brainvision(tmp_path, shown)
    date = f"2026040112{30 + last // 60}{last % 60:02d}000000"
    add_segment(header, shown, first * made.rate, date if dated else None)
    log = write_log(tmp_path / "made.jsonl", made.log)
    said = Said(tmp_path, header, log)
    said.is_("part recorded")
    assert said.data["counts"]["in a pause"] == gone > 5
    assert len(said.data["findings"]) == 1
    Said(tmp_path, header, log, "--part").is_("all arrived")


def test_samples_lost_beside_a_pause_are_told(tmp_path: Path) -> None:
    made = session("irregular", "none", SEED)
    values = status(made)
    first, last = quiet_seconds(values, made.rate, 10)
    values = np.concatenate((values[: 10 * made.rate], values[10 * made.rate + 50 :]))
    first, last = quiet_seconds(values, made.rate, 10)
    recording = write_paused_bdf(tmp_path / "paused.bdf", values, made.rate, first, last)
    said = Said(tmp_path, recording, write_log(tmp_path / "made.jsonl", made.log), "--part")
    said.is_("samples missing")
    assert len(said.data["jumps"]) == 1


def test_a_loss_that_slow_edges_may_hide_is_not_denied(tmp_path: Path) -> None:
    """Each edge settles up to two samples late, and three samples are lost before the last codes:
    all markers are there, but nobody can say that the recording is whole."""
    made = session("irregular", "none", SEED)
    values = status(made).copy()
    chance = np.random.default_rng(4)
    for at in np.flatnonzero(np.diff(values)) + 1:
        values[at : at + chance.integers(0, 3)] = values[at - 1]
    log = write_log(tmp_path / "made.jsonl", made.log)
    onsets = made.recording.sample
    cut = int(onsets[-8]) - 40
    assert not values[cut - 3 : cut].any()
    whole = np.delete(values, slice(cut - 3, cut))
    said = Said(tmp_path, write_bdf(tmp_path / "slow.bdf", whole, made.rate), log)
    said.is_("samples not known")
    assert said.data["doubtful_jumps"]
    assert said.data["jumps"] == []
    assert said.data["counts"]["arrived"] == len(onsets)


def test_what_takes_too_long_is_not_known(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A refusal to compare has the same headline and exit code, and says why."""
    monkeypatch.setattr(alignment, "MOST_WORK", 1.0)
    made = session("one_code", "late_start", SEED)
    recording = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    log, report = write_log(tmp_path / "made.jsonl", made.log), tmp_path / "report.html"
    result = run("check", recording, log, "--report", report)
    assert result.exit_code == CHECK["not known"], result.output
    assert "too many to compare" in result.output
    assert "too many to compare" in report.read_text(encoding="utf-8")
    data = json.loads(run("check", recording, log, "--json").stdout)
    assert data["counts"]["unknown"] == len(made.log.time)
    assert data["faults"] == data["places"] == data["jumps"] == []


def test_right_is_said_of_what_was_seen_only(tmp_path: Path) -> None:
    """Lines by line in the report: nothing of lines of which no level was seen."""
    for design, damage in (("one_code", "late_start"), ("irregular", "foreign")):
        said = checked(tmp_path, session(design, damage, SEED))
        assert "Line by line" not in said.html
    said = checked(tmp_path, session("one_code", "none", SEED))
    seen = r"(?:\u2013|\d+ of \d+)"
    rows = re.findall(rf"\b(\d) \d {seen} {seen} (\D+?)(?= \d \d | Markers)", said.html)
    assert rows == [
        *((str(line), "right when active, never seen idle") for line in range(3)),
        *((str(line), "not used") for line in range(3, 8)),
    ]
    assert "0 of 0" not in said.html


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_progress_is_shown_on_a_terminal(tmp_path: Path) -> None:
    import pty

    made = session("irregular", "none", SEED)
    recording = write_bdf(tmp_path / "made.bdf", status(made), made.rate)
    log = write_log(tmp_path / "made.jsonl", made.log)
    ours, theirs = pty.openpty()
    done = subprocess.Popen(
        [*COMMAND, "check", str(recording), str(log)],
        stdout=subprocess.PIPE,
        stderr=theirs,
        env=os.environ | {"PYTHONPATH": str(ROOT / "host"), "TERM": "xterm"},
    )
    os.close(theirs)
    shown = b""
    with contextlib.suppress(OSError):  # how Linux tells the end of a pseudo-terminal
        while piece := os.read(ours, 4096):
            shown += piece
    os.close(ours)
    assert b"All markers arrived" in done.communicate()[0]
    assert done.returncode == 0
    for job in (b"reading the marker log", b"reading the recording", b"aligning"):
        assert job in shown
