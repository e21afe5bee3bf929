"""Wine with the wheel in it, which `make build/windows/ready` installs."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from wine import Wine

FOLDER = Path(__file__).resolve().parents[2] / "build/windows"


@pytest.fixture(scope="session")
def wine() -> Iterator[Wine]:
    """A Wine in which programs for Windows start."""
    if not (FOLDER / "ready").exists() or shutil.which("wine") is None:
        pytest.skip("'make windows' installs Wine, a Python for Windows, and the wheel")
    with Wine(FOLDER) as entered:
        yield entered
