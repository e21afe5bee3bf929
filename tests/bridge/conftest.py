"""Virtual boxes and bridges for the tests of `tallymark bridge`."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from bridge_rig import Running, Start, WatchedBox


@pytest.fixture
def box() -> Iterator[WatchedBox]:
    """A virtual box on a pseudo-terminal."""
    with WatchedBox() as box:
        yield box


@pytest.fixture
def start(box: WatchedBox, tmp_path: Path) -> Iterator[Start]:
    """Starts `tallymark bridge` on that box: `start("--tcp", 0)`."""
    with ExitStack() as stack:
        yield lambda *args: stack.enter_context(Running(tmp_path, box.where, *args))
