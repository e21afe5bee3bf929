"""The Pico image at the simulated pins and on the simulated bus: the tests in *.test.mjs.

Each of them has a time limit of its own (sim/timed_test.mjs); the one here is for a runner that
hangs.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from pico_chip import HERE, prepare

FILES = sorted(path.name for path in Path(__file__).parent.glob("*.test.mjs"))


@pytest.mark.timeout(900)  # a whole file of simulations
@pytest.mark.parametrize("name", FILES)
def test_image(name: str) -> None:
    prepare()
    run = subprocess.run(
        ["node", "--test", "--test-reporter=spec", name],
        cwd=HERE, capture_output=True, text=True, timeout=1200,
    )
    assert run.returncode == 0, run.stdout + run.stderr
