"""Fixtures for the tests of the Nano's image in the chip simulator."""

from __future__ import annotations

import sys
from pathlib import Path

import nano_image
import pytest
from nano_chip import Chip
from nano_talk import Talk

sys.path.append(str(Path(__file__).parents[1] / "clients"))  # programs that run the clients


@pytest.fixture
def chip() -> Chip:
    """A chip with the image that ships, just powered up and idle."""
    chip = Chip(nano_image.nano())
    chip.run_us(8000)
    return chip


@pytest.fixture
def talk(chip) -> Talk:
    """Raw talk with it; what it said at the start is gone."""
    talk = Talk(chip)
    talk.listen(0)
    return talk
