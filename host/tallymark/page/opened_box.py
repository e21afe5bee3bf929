"""A box that was opened, with what the page has to know to open it again."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from tallymark.box.box import Box
from tallymark.box.ports import discovery

if TYPE_CHECKING:
    from tallymark.virtual import VirtualBox


class OpenedBox(NamedTuple):
    """box: open. where: which one it is, as for `Box.open`. device: what is behind the port of a
    virtual box of this process; None for every other box."""

    box: Box
    where: str | None
    device: VirtualBox | None


def open_box(where: str | None, progress: Callable[[str], None] | None = None) -> OpenedBox:
    """Opens a box. Raises what `Box.open` raises."""
    if where is None or not discovery.is_virtual(where):
        return OpenedBox(Box.open(where, progress=progress), where, None)
    port = discovery.open_port("virtual://" if where == "virtual" else where)
    return OpenedBox(Box(port, progress=progress), where, port.device)
