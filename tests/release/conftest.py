"""Wheels and source package, made twice, each from a clone of its own."""

from __future__ import annotations

from pathlib import Path

import pytest
from release_rig import made_in


@pytest.fixture(scope="session")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheels, the source package and SHA256SUMS."""
    return made_in(tmp_path_factory.mktemp("release") / "clone")


@pytest.fixture(scope="session")
def again(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same from another clone, in a folder with another name."""
    return made_in(tmp_path_factory.mktemp("again") / "a clone elsewhere")
