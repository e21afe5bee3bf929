"""`tallymark delay`: sentences, JSON, plot, exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from command_result import Run

from tallymark import markerlog
from tallymark.markerlog.delay import measure
from tallymark.markerlog.delay.sentences import headline

pytestmark = pytest.mark.logs_by_hand

PLAN = """
[session]
width_us = 2000
[[event]]
name = "ferry in sight"
code = 12
probe = "light"
[[event]]
name = "horn"
code = 36
probe = "sound"
"""


def write_log(path: Path, delays: list[float | None], settings: str = "level") -> Path:
    """A log with a marker a second, and the onset of each so many ms later; None: without one."""
    records: list[dict] = [{
        "marker_log": 1, "start": "2026-03-01T10:00:00.000000+01:00", "host": 0,
        "box": {"serial": "7669727475616C01", "name": "ferry", "board": "pico", "firmware": "0.4.0",
                "protocol": "2.0"},
        "settings": {"light": settings, "width_us": 2000, "lines": 255, "idle": "low"},
    }]
    for n, delay in enumerate(delays):
        at = 1_000_000 * (n + 1)
        records.append({"sent": n + 1, "code": 12, "name": "ferry in sight", "width": 2000,
                        "host": at - 300})
        records.append({"done": n + 1, "box": at, "host": at, "error": 50})
        if delay is not None:
            onset = at + round(delay * 1000)
            for on, when in ((True, onset), (False, onset + 100_000)):
                records.append({"probe": "light", "on": on, "box": when, "host": when, "error": 50})
    records.append({"end": 1_000_000 * (len(delays) + 1)})
    path.write_text("".join(json.dumps(record, separators=(",", ":")) + "\n" for record in records))
    return path


@pytest.fixture
def plan_file(tmp_path: Path) -> Path:
    path = tmp_path / "ferry.toml"
    path.write_text(PLAN)
    return path


def jittered(count: int) -> list[float | None]:
    return [41.7 + 0.05 * ((n * 7) % 5 - 2) for n in range(count)]


def test_a_steady_session_is_good(run: Run, tmp_path, plan_file) -> None:
    log = write_log(tmp_path / "s.jsonl", jittered(60))
    ran = run("delay", log, "--plan", plan_file)
    assert ran.code == 0, ran.err
    assert "✓ The light came 41.7 ms (SD 0.07) after the marker." in ran.out


def test_late_ones_in_frames_or_ms(run: Run, tmp_path, plan_file) -> None:
    delays = jittered(480)
    for place in (30, 200, 411):
        delays[place] += 1000 / 60
    delays[99] = None
    log = write_log(tmp_path / "s.jsonl", delays)
    ran = run("delay", log, "--plan", plan_file, "--refresh", "60")
    assert ran.code == 1
    assert "after the marker; 3 of 479 came one frame later." in ran.out
    assert "1 marker of 480 without an onset from -100 to 400 ms" in ran.out
    assert "came 16.6 ms later" in run("delay", log, "--plan", plan_file).out
    data = run("delay", log, "--probe", "light", "--json").json
    (probe,) = data["probes"]
    assert not data["good"]
    assert probe["all"]["off"] == 3
    assert probe["all"]["missing"] == 1
    assert probe["all"]["mean_us"] == pytest.approx(41_700, abs=5)
    assert [row["marker"] for row in probe["markers"] if row["off_us"]] == [30, 200, 411]
    assert probe["markers"][99] == {"marker": 99, "box_us": 100_000_000, "event": "ferry in sight",
                                    "fate": "missing", "delay_us": None, "double": False,
                                    "off_us": 0.0}


def test_a_step_and_a_drift(run: Run, tmp_path, plan_file) -> None:
    delays = [each + (16.7 if n >= 120 else 0) for n, each in enumerate(jittered(240))]
    text = run("delay", write_log(tmp_path / "a", delays), "--plan", plan_file).out
    assert "From 0:02:00.000 after the first marker, the delay is 16.7 ms longer." in text
    delays = [each + n * 0.01 for n, each in enumerate(jittered(240))]
    text = run("delay", write_log(tmp_path / "b", delays), "--plan", plan_file).out
    assert "The delay grows by 2.4 ms in 3 min 59 s (36.0 ms an hour)." in " ".join(text.split())


def test_a_log_without_onsets(run: Run, tmp_path, plan_file) -> None:
    log = write_log(tmp_path / "s.jsonl", [None] * 20, "off")
    ran = run("delay", log, "--plan", plan_file)
    assert ran.code == 1
    assert "No delay can be told for the light." in ran.out
    assert "The log has no onset of the light." in ran.out


def test_lines_that_cannot_be_read_make_nothing_missing(tmp_path) -> None:
    log = write_log(tmp_path / "s.jsonl", [*jittered(10), None, *jittered(10)])
    log.write_text(log.read_text().replace('{"end"', '{"probe":"li\n{"end"', 1))
    (probe,) = measure(markerlog.read(log), "light").probes
    assert probe.all_events.unknown == 1
    assert probe.all_events.missing == 0


def test_the_plot_is_drawn_and_not_overwritten(run: Run, tmp_path, plan_file) -> None:
    log, plot = write_log(tmp_path / "s.jsonl", jittered(30)), tmp_path / "delays.png"
    assert run("delay", log, "--plan", plan_file, "--plot", plot).code == 0
    assert plot.read_bytes()[:4] == b"\x89PNG"
    assert "exists" in run("delay", log, "--plan", plan_file, "--plot", plot).words
    assert ".png, .svg or .pdf" in run("delay", log, "--plan", plan_file, "--plot", "a.doc").words


def test_what_it_needs(run: Run, tmp_path, plan_file) -> None:
    log = write_log(tmp_path / "s.jsonl", jittered(5))
    assert "--plan PLAN, or --probe light" in run("delay", log).words
    none = tmp_path / "none.toml"
    none.write_text(PLAN.replace('probe = "light"\n', "").replace('probe = "sound"\n', ""))
    assert "No event of the plan has a probe" in run("delay", log, "--plan", none).words
    assert "is no range such as" in run("delay", log, "--probe", "light", "--range", "5").words


def test_the_sentence_for_early_and_for_one_marker(tmp_path) -> None:
    early = measure(markerlog.read(write_log(tmp_path / "a", [-12.0])), "light").probes[0]
    assert headline(early) == "The light came 12.0 ms before the marker."
