"""The firmware core under broken and random input, with sanitizers. `make build/fuzz` builds it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FUZZ = ROOT / "build" / "fuzz"


@pytest.fixture(scope="module", autouse=True)
def _built():
    subprocess.run(["make", "-s", "-C", ROOT, "build/fuzz"], check=True)


def run(*arguments: str, frames: str | None = None) -> str:
    done = subprocess.run([FUZZ, *arguments], input=frames, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_no_single_or_double_bit_error_and_no_truncation_moves_a_line():
    listed = subprocess.run(
        [sys.executable, ROOT / "tests" / "fuzz" / "seed_frames.py"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "no line moved, every next frame was answered" in run("faults", frames=listed.stdout)


def test_ten_million_random_bytes_move_no_line():
    assert run("random", "10000000", "1") == (
        "10000000 random bytes: no line moved, the box answers\n"
    )


@pytest.mark.parametrize("seed", ["1", "2"])
def test_random_requests_move_only_lines_in_use(seed):
    told = run("requests", "1000000", seed)
    edges = int(told.split(":")[1].split()[0])
    assert edges > 10_000  # it did act on them


def test_the_watch_on_the_lines_works(tmp_path):
    """With a core that doesn't check the CRC, the fuzzer fails."""
    core = tmp_path / "core"
    shutil.copytree(ROOT / "firmware" / "core", core)
    source = (core / "frame.c").read_text(encoding="utf-8")
    broken, count = re.subn(r"\s&&\s+reader->crc == CRC_WHOLE", "", source)
    assert count == 1
    (core / "frame.c").write_text(broken, encoding="utf-8")
    virtual = ROOT / "firmware" / "boards" / "virtual"
    subprocess.run(
        ["cc", "-std=c11", "-O2", f"-I{core}", f"-I{virtual}", *core.glob("*.c"),
         *virtual.glob("*.c"), ROOT / "tests" / "fuzz" / "random_input.c", "-o", tmp_path / "fuzz"],
        check=True,
    )
    done = subprocess.run([tmp_path / "fuzz", "random", "10000000", "1"], capture_output=True)
    assert done.returncode == 1
    assert done.stdout.startswith(b"FAILED: a line moved")
