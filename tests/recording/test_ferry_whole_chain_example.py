"""The example of the whole chain does what it says."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

EXAMPLE = Path(__file__).parents[2] / "host" / "examples" / "ferry" / "whole_chain.py"


def test_the_whole_chain(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(EXAMPLE), str(tmp_path / "ferry")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "All 1256 markers are in the recording" in done.stdout
    assert "Line 3 was never active (high)" in " ".join(done.stdout.split())
    assert "lacks 500 samples (500 ms)" in done.stdout
    assert (tmp_path / "ferry" / "faulty" / "report.html").exists()
