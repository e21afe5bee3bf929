"""Options of the check that concern reading, from the command line to the verdict."""

from __future__ import annotations

import json
from pathlib import Path

import edfio
import numpy as np
import pytest
from ferry_plan_and_command import run
from xdffile import xdf_file

from tallymark.cli.exit_codes import CHECK
from tallymark.markerlog import MarkerLog

RATE = 1000
CODES = [int(c) for c in np.random.default_rng(3).permutation(np.arange(1, 100))[:60]]
TIMES = np.cumsum(np.random.default_rng(4).uniform(0.3, 1.2, 60)) + 1


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as written:
        for number, (code, time) in enumerate(zip(CODES, TIMES, strict=True), 1):
            at = round(time * 1e6)
            written.sent(number, code, 5_000, host_us=at)
            written.answered(number, at, at, 10)
    return path


def sampled() -> np.ndarray:
    values = np.zeros(int(TIMES[-1] * RATE) + 3000, int)
    for time, code in zip(TIMES, CODES, strict=True):
        at = int(np.ceil(time * RATE))
        values[at : at + 5] = code
    return values[: len(values) // RATE * RATE]


def edf(path: Path, **options: object) -> Path:
    signal = edfio.EdfSignal(sampled(), RATE, label="TRIG", **options)  # type: ignore[arg-type]
    edfio.Edf([signal]).write(path)
    return path


def checked(*arguments: object) -> dict[str, object]:
    result = run("check", *arguments, "--json")
    assert result.exit_code in CHECK.values(), result.output
    data: dict[str, object] = json.loads(result.stdout)
    return data


def arrived(data: dict[str, object]) -> int:
    return int(data["counts"]["arrived"])  # type: ignore[index]


def test_values_and_idle_and_settling(tmp_path: Path, log: Path) -> None:
    path = edf(tmp_path / "x.edf", physical_range=(0, 100))
    assert arrived(checked(path, log)) == 60
    assert arrived(checked(path, log, "--values", "physical", "--idle", 0, "--settling", 1)) == 60
    told = checked(path, log, "--idle", 0)["recording"]
    assert "idle at levels 0 (given)" in told["rule"]  # type: ignore[index]
    assert told["settling_samples"] == 1  # type: ignore[index]


def test_what_is_missing_of_a_file_is_told(tmp_path: Path, log: Path) -> None:
    path = edf(tmp_path / "x.edf", physical_range=(-32768, 32767))
    path.write_bytes(path.read_bytes()[:-30_000])
    result = run("check", path, log)
    assert "The file is cut off" in result.output
    told = checked(path, log)["recording"]
    assert "cut off" in told["incomplete"][0]  # type: ignore[index]


def test_tables(tmp_path: Path, log: Path) -> None:
    rows = "".join(
        f"{np.ceil(t * RATE) / RATE:.3f};{c:X}\n".replace(".", ",")
        for t, c in zip(TIMES, CODES, strict=True)
    )
    path = tmp_path / "events.csv"
    path.write_text("when;value\n" + rows)
    data = checked(path, log, "--hex", "--time-column", "when")
    assert arrived(data) == 60
    result = run("check", path, log, "--time-column", "when")
    assert result.exit_code == 2
    assert "--hex" in result.output


def test_xdf(tmp_path: Path, log: Path) -> None:
    path = tmp_path / "x.xdf"
    xdf_file(path, TIMES.tolist(), CODES, rate=512)
    assert arrived(checked(path, log)) == 60
    assert arrived(checked(path, log, "--channel", "amplifier/Status")) == 60
