"""Boxes in stepped time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from lossy_port import STEPPED, LossyPort

from tallymark import Box
from tallymark.virtual import VirtualBox


@pytest.fixture
def box() -> Iterator[Box]:
    """A box in stepped time, with straight wiring."""
    with Box.open(STEPPED) as box:
        yield box


@pytest.fixture
def device(box: Box) -> VirtualBox:
    """The virtual box behind `box`, whose edges begin with what happens from now on."""
    found: VirtualBox = box.port.device
    found.edges()
    return found


@pytest.fixture
def lossy() -> LossyPort:
    """A port in stepped time that can lose frames."""
    return LossyPort()


@pytest.fixture(autouse=True)
def _own_configuration(tmp_path, monkeypatch):
    """No test reads or writes the user's remembered ports."""
    path = "tallymark.box.ports.discovery.user_config_path"
    monkeypatch.setattr(path, lambda name: tmp_path / name)
