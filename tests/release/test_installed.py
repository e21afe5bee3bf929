"""The wheel of this computer, in a new environment in which nothing can be compiled."""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import venv
from collections.abc import Callable
from pathlib import Path

import pytest
from release_rig import ROOT, TOOLS

from tallymark.cli import COMMANDS

pytestmark = pytest.mark.timeout(1800)  # a compiler for five systems, without a cache
Ran = subprocess.CompletedProcess[str]
PLAN = ROOT / "host/examples/ferry/plan.toml"


@pytest.fixture(scope="module")
def tool(wheels: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Ran]:
    """The command line of a new environment; no compiler is on its path."""
    if sys.platform != "linux":
        pytest.skip("the wheel of Linux is installed")
    folder = tmp_path_factory.mktemp("new environment")
    venv.create(folder / "venv", with_pip=True)
    binaries = folder / "venv/bin"
    bare = {"PATH": str(binaries), "HOME": str(folder), "COLUMNS": "100"}
    of_pip = {**os.environ, "PATH": str(binaries)}  # where its index is
    (wheel,) = wheels.glob(f"*manylinux_2_17_{platform.machine()}.whl")
    subprocess.run(
        [binaries / "python", "-m", "pip", "install", "-q", "--prefer-binary", wheel],
        check=True, env=of_pip, cwd=folder,
    )

    def run(*args: object) -> Ran:
        return subprocess.run([binaries / "tallymark", *map(str, args)], capture_output=True,
                              text=True, check=False, env=bare, cwd=folder)

    return run


def test_every_command_is_there(tool: Callable[..., Ran]) -> None:
    for name in COMMANDS:
        ran = tool(name, "--help")
        assert ran.returncode == 0, ran.stderr
        assert ran.stdout.startswith(f"Usage: tallymark {name}")


def test_the_virtual_box_works(tool: Callable[..., Ran]) -> None:
    ran = tool("pulse", 42, "--box", "virtual", "--json")
    assert json.loads(ran.stdout)["markers"][0]["outcome"] == "done", ran.stderr
    assert tool("selftest", "--box", "virtual").returncode == 0
    assert "lines 0 and 1 are swapped" in tool(
        "selftest", "--box", "virtual://?fault=swapped:0,1").stdout.lower()


@pytest.mark.parametrize("kind", ["edf", "bdf"])
def test_a_recording_is_made_checked_and_reported(tool: Callable[..., Ran], kind: str) -> None:
    recording, log, report = f"a.{kind}", f"a-{kind}.jsonl", f"a-{kind}.html"
    made = tool("practice", PLAN, recording, log)
    assert made.returncode == 0, made.stderr
    checked = tool("check", recording, log, "--plan", PLAN, "--report", report)
    assert checked.returncode == 0, checked.stdout + checked.stderr


def test_firmware_comes_along(tool: Callable[..., Ran]) -> None:
    """It gets as far as the port of the board, which is not given."""
    ran = tool("flash", "--board", "nano")
    assert ran.returncode != 0
    assert "Firmware that came with this package: nano.hex." in ran.stderr


def test_the_source_package_builds(wheels: Path, tmp_path: Path) -> None:
    (packed,) = wheels.glob("*.tar.gz")
    subprocess.run(
        [TOOLS, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation", "-w", tmp_path,
         packed], check=True, cwd=tmp_path,
    )
    (wheel,) = tmp_path.glob("*.whl")
    assert "none-any" not in wheel.name
