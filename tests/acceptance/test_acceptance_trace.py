"""Traces of logic analysers: as another program writes them, and files that can't be used."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tallymark.common.errors import BadValue
from tallymark.common.lines.vcd_writer import write_vcd
from tallymark.verification.acceptance.logic_analyser_trace import Analyser, read_trace

NAMES = tuple(f"line{line}" for line in range(8))
CHANGES = [(0, 0), (107, 0x81), (151, 0), (1003, 3), (1009, 1), (1_500, 0)]
TIMES = tuple(float(time) for time, _ in CHANGES)
LEVELS = tuple(levels for _, levels in CHANGES)


def by_sigrok(tmp_path: Path, *options: str) -> Path:
    """The changes as sigrok-cli, an independent program, writes them."""
    own, theirs = tmp_path / "own.vcd", tmp_path / "theirs.csv"
    with own.open("w") as file:
        write_vcd(file, CHANGES, 2_000)
    subprocess.run(
        ["sigrok-cli", "-i", str(own), *options, "-o", str(theirs)], check=True, capture_output=True
    )
    return theirs


def text_file(tmp_path: Path, text: str, name: str = "trace.csv") -> Path:
    path = tmp_path / name
    path.write_text(text)
    return path


def head(delimiter: str, time: str) -> str:
    return delimiter.join((time, *NAMES)) + "\n"


def row(delimiter: str, time: str, levels: int) -> str:
    return delimiter.join((time, *(str(levels >> line & 1) for line in range(8)))) + "\n"


def test_a_csv_file_of_another_program_without_times(tmp_path: Path) -> None:
    seen = read_trace(by_sigrok(tmp_path, "-O", "csv:label=channel"), Analyser(1e6, 50, NAMES))
    assert (seen.times_us, seen.levels) == (TIMES, LEVELS)
    assert (seen.late_us, seen.rate_bound) == pytest.approx((1.0, 50e-6))


def test_a_csv_file_of_samples_at_a_lower_rate(tmp_path: Path) -> None:
    path = by_sigrok(tmp_path, "-I", "vcd:downsample=5", "-O", "csv:label=channel")
    seen = read_trace(path, Analyser(2e5, 50, NAMES))
    assert seen.late_us == 5
    assert len(seen.times_us) == len(TIMES)
    for time, truth in zip(seen.times_us, TIMES, strict=True):
        assert abs(time - truth) <= 5


def test_the_time_column_of_another_program_that_stands_still_is_not_taken(tmp_path: Path) -> None:
    path = by_sigrok(tmp_path, "-O", "csv:label=channel:time=true")
    with pytest.raises(BadValue, match="does not tell its unit"):
        read_trace(path, Analyser(1e6, 50, NAMES))
    with pytest.raises(BadValue, match=r"Every row of .* has the same time"):
        read_trace(path, Analyser(1e6, 50, NAMES, "s"))


def test_a_vcd_file(tmp_path: Path) -> None:
    path = tmp_path / "own.vcd"
    with path.open("w") as file:
        write_vcd(file, CHANGES, 2_000)
    seen = read_trace(path, Analyser(24e6, 50))
    assert (seen.times_us, seen.levels, seen.end_us) == (TIMES, LEVELS, 2_000)
    assert seen.late_us == 1.0, "the file is coarser than the rate that was given"


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize(
    ("name", "factor"),
    [("Time [s]", 1e-6), ("time (ms)", 1e-3), ("Time_us", 1), ("Time[ns]", 1_000)],
)
def test_times_in_their_units(tmp_path: Path, delimiter: str, name: str, factor: float) -> None:
    text = head(delimiter, name) + "".join(
        row(delimiter, f"{time * factor:.9f}", levels) for time, levels in CHANGES
    )
    seen = read_trace(text_file(tmp_path, text), Analyser(1e6, 50, NAMES))
    assert seen.times_us == pytest.approx(TIMES)
    assert seen.levels == LEVELS


def test_channels_in_another_order(tmp_path: Path) -> None:
    text = head(",", "time (us)") + row(",", "0", 0) + row(",", "5", 1)
    seen = read_trace(text_file(tmp_path, text), Analyser(1e6, 50, tuple(reversed(NAMES))))
    assert seen.levels == (0, 0x80)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "0,0,0\n1,0,1\n", "should have a row that names its columns"),
        ("a.csv", "", "should have a row that names its columns"),
        ("a.csv", "time (us),a,b\n0,0,1\n", "has 2 channels (a, b), so which one is on which line"),
        ("a.csv", head(",", "time (us)") + row(",", "0", 0) + "5,0,0,2,0,0,0,0,0\n", "Row 3 of"),
        ("a.csv", head(",", "time (us)") + row(",", "7", 0) + row(",", "5", 1), "go back"),
        ("a.bin", "x", "is a .vcd or .csv file"),
        ("a.vcd", "nothing of the kind", "can't be read as a trace"),
        ("a.vcd", "$timescale 1 us $end $enddefinitions $end #0", "has 0 channels (none)"),
    ],
)
def test_a_file_that_leaves_something_open(
    tmp_path: Path, name: str, text: str, words: str
) -> None:
    with pytest.raises(BadValue, match=re.escape(words)):
        read_trace(text_file(tmp_path, text, name), Analyser(1e6, 50))


def test_an_unknown_level_of_a_vcd_file(tmp_path: Path) -> None:
    path = tmp_path / "own.vcd"
    with path.open("w") as file:
        write_vcd(file, CHANGES, 2_000)
    path.write_text(path.read_text().replace("#1500", "#1500\nx!", 1))
    with pytest.raises(BadValue, match="a line is 'x'"):
        read_trace(path, Analyser(1e6, 50))


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadValue, match=r"can't be read \(No such file"):
        read_trace(tmp_path / "no.csv", Analyser(1e6, 50))
