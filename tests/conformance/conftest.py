"""The rigs that the conformance tests run on: each board that this machine can run."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from nano_rig import NanoRig
from pico_rig import PicoRig
from rig import Rig
from virtual_rig import VirtualRig

from tallymark import Box

RIGS: dict[str, Callable[[], Rig]] = {"virtual": VirtualRig, "nano": NanoRig, "pico": PicoRig}


@pytest.fixture(params=RIGS)
def rig(request) -> Iterator[Rig]:
    """A board that has just been given power."""
    rig = RIGS[request.param]()
    yield rig
    rig.close()


@pytest.fixture
def box(rig) -> Iterator[Box]:
    """The rig's box, opened by the library; the pins' history begins now."""
    with rig.open() as box:
        rig.edges()
        yield box
