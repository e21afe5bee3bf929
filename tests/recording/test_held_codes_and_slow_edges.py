"""What a log tells beforehand of its recording, and the whole way of held codes and slow edges."""

from __future__ import annotations

from pathlib import Path

import edfio
import numpy as np
from ferry_plan_and_command import run

from tallymark import markerlog
from tallymark.markerlog import MarkerLog
from tallymark.recording import Design, design_of

RATE = 1000


def log(path: Path, codes: list[int], times: list[float], width: int | None) -> Path:
    with MarkerLog(path) as written:
        for number, (code, time) in enumerate(zip(codes, times, strict=True), 1):
            at = round(time * 1e6)
            written.sent(number, code, width, host_us=at, stays=width is None)
            written.answered(number, at, at, 10)
    return path


def recording(path: Path, values: np.ndarray) -> Path:
    seconds = -(-len(values) // RATE)
    values = np.pad(values, (0, seconds * RATE - len(values)), mode="edge")
    signal = edfio.EdfSignal(values, RATE, label="TRIG", physical_range=(-32768, 32767))
    edfio.Edf([signal]).write(path)
    return path


def test_held_and_pulses(tmp_path: Path) -> None:
    times = [1.0, 1.5, 1.7]
    data = markerlog.read(log(tmp_path / "held.jsonl", [1, 2, 3], times, None))
    assert design_of(data) == Design(True, 200_000)
    data = markerlog.read(log(tmp_path / "pulses.jsonl", [1, 2, 3], times, 5_000))
    assert design_of(data) == Design(False, 5_000)


def test_distances_are_not_taken_across_restarts_or_where_a_marker_may_be(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as written:
        written.sent(1, 5, 5_000, host_us=0)
        written.answered(1, 900_000, 0, 10)
        written.restarted("power")
        written.sent(2, 6, 5_000, host_us=2_000_000)
        written.answered(2, 901_000, 2_000_000, 10)
    assert design_of(markerlog.read(path)).apart_us == 5_000
    path = log(tmp_path / "whole.jsonl", [1, 2, 3, 4], [1.0, 1.5, 2.0, 2.5], 5_000)
    assert design_of(markerlog.read(path)).apart_us == 5_000
    with MarkerLog(path, append=True) as written:
        written.sent(1, 5, 5_000, host_us=3_000_000)
        written.unconfirmed(1, "the cable was pulled")
    assert design_of(markerlog.read(path)).apart_us is None


def test_a_perfect_recording_of_held_codes(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    times = np.cumsum(random.uniform(0.2, 0.9, 150)) + 1
    codes = [int(c) for c in random.choice([1, 3, 5], 150)]
    codes = [c for n, c in enumerate(codes) if n == 0 or c != codes[n - 1]]
    times = times[: len(codes)]
    values = np.zeros(int(times[-1] * RATE) + 500)
    for time, code in zip(times, codes, strict=True):
        values[int(np.ceil(time * RATE)) :] = code
    where = recording(tmp_path / "x.edf", values)
    file = log(tmp_path / "x.jsonl", codes, times.tolist(), None)
    result = run("check", where, file)
    assert result.exit_code == 0, result.output
    assert f"All {len(codes)} markers" in result.output


def test_slow_edges_are_no_extra_events(tmp_path: Path) -> None:
    random = np.random.default_rng(4)
    times = np.cumsum(random.uniform(0.2, 0.9, 100)) + 1
    codes = [int(c) for c in random.integers(1, 256, 100)]
    values = np.zeros(int(times[-1] * RATE) + 500, int)
    for time, code in zip(times, codes, strict=True):
        at = int(np.ceil(time * RATE))
        values[at] = code & -code  # one line first, then some more of them
        values[at + 1] = values[at] | (code & int(random.integers(256)))
        values[at + 2 : at + 12] = code
    where = recording(tmp_path / "x.edf", values)
    file = log(tmp_path / "x.jsonl", codes, times.tolist(), 12_000)
    result = run("check", where, file)
    assert "settle within 2 samples" in result.output
    assert "0  extra" in result.output
    result = run("check", where, file, "--settling", 1)
    assert "settle within" not in result.output
