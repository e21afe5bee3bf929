"""Coverage-guided fuzzing of the core, for seconds; `make fuzz` does it for minutes."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GUIDED = ROOT / "build" / "guided"
CORPUS = Path(__file__).parent / "corpus"
CRASHES = Path(__file__).parent / "crashes"
RUNS = 5000


@pytest.fixture(scope="module", autouse=True)
def _built():
    subprocess.run(["make", "-s", "-C", ROOT, "build/guided"], check=True)


def run(program: Path, folder: Path, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    # No limit on the peak of the whole process: Linux counts that of the process which started it,
    # too, and pytest is large by then. A single allocation has one.
    limits = ("-rss_limit_mb=0", "-malloc_limit_mb=1024")
    return subprocess.run(
        [program, "-seed=1", "-max_len=400", *limits, *arguments],
        cwd=folder, capture_output=True, text=True,
    )


def test_inputs_that_failed_once_do_so_no_more(tmp_path):
    inputs = sorted([*CRASHES.iterdir(), *CORPUS.iterdir()])
    done = run(GUIDED, tmp_path, *inputs)
    assert done.returncode == 0, done.stderr[-3000:]


def test_no_new_input_fails(tmp_path):
    found = tmp_path / "found"  # libFuzzer adds what it finds to its first folder
    found.mkdir()
    done = run(GUIDED, tmp_path, f"-runs={RUNS}", found, CORPUS, CRASHES)
    assert done.returncode == 0, done.stderr[-3000:]
    assert f"Done {RUNS} runs" in done.stderr


PLANTED = [
    ("frame.c", "    if (reader->length == FRAME_LONGEST) {", "    if (reader->length == 255) {"),
    ("frame.c", "            code = 0;", "            code = 1;"),
]


@pytest.mark.parametrize(("name", "find", "replace"), PLANTED, ids=lambda value: value[:20])
def test_a_planted_bug_is_found(tmp_path, name, find, replace):
    core = tmp_path / "core"
    shutil.copytree(ROOT / "firmware" / "core", core)
    source = (core / name).read_text(encoding="utf-8")
    assert source.count(find) == 1
    (core / name).write_text(source.replace(find, replace), encoding="utf-8")
    virtual = ROOT / "firmware" / "boards" / "virtual"
    program = tmp_path / "guided"
    subprocess.run(
        ["clang", "-std=c11", "-g", "-O1", "-w", "-fsanitize=fuzzer,address,undefined",
         "-fno-sanitize-recover=all", f"-I{core}", f"-I{virtual}", *core.glob("*.c"),
         *virtual.glob("*.c"), Path(__file__).parent / "guided.c", "-o", program],
        check=True,
    )
    found = tmp_path / "found"
    found.mkdir()
    done = run(program, tmp_path, "-runs=100000", found, CORPUS)
    assert done.returncode != 0
    assert list(tmp_path.glob("crash-*")), done.stderr[-3000:]
