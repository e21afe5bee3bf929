"""Fixtures for the core on the smallest board."""

from __future__ import annotations

import pytest
from small_box import SmallBox


@pytest.fixture
def box() -> SmallBox:
    """A box with factory settings, at box time 0."""
    return SmallBox()
