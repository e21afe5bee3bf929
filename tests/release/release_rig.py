"""Makes a release from a clone, for the tests of what is in it."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOOLS = ROOT / "build/release-tools/bin/python"
IMAGES = Path("host/tallymark/box/flash/images")


@functools.cache
def commit() -> str:
    """The last commit, the same one for all tests of a run."""
    return subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, check=True, capture_output=True,
                          text=True).stdout.strip()


def made_in(clone: Path) -> Path:
    """The folder with what a clone of the last commit makes."""
    if not (ROOT / ".git").exists():
        pytest.skip("a release is made from a clone, and this is none")
    if not TOOLS.exists():
        pytest.skip("'make build/release-tools/ready' installs what makes a release")
    subprocess.run(["git", "clone", "-q", "--no-checkout", ROOT, clone], check=True)
    subprocess.run(["git", "checkout", "-q", "--detach", commit()], cwd=clone, check=True)
    (clone / IMAGES).mkdir(parents=True, exist_ok=True)  # they are not tracked
    for image in (ROOT / IMAGES).glob("*.*"):
        shutil.copy(image, clone / IMAGES)
    cache = Path.home() / ".cache/tallymark/zig"
    subprocess.run(
        [TOOLS, "release/make_release.py", clone / "dist", "--only-wheels"], cwd=clone, check=True,
        env={**os.environ, "ZIG_GLOBAL_CACHE_DIR": str(cache)}, stdout=subprocess.DEVNULL,
    )
    return clone / "dist"
