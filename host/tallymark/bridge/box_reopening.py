"""Opens the same box again after it was unplugged, wherever it is plugged in then."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from tallymark.box.box import Box
from tallymark.box.ports import discovery
from tallymark.common.errors import PortNotFound


def reopener(where: str | None, box: Box) -> Callable[[], Box]:
    """Opens the same box again after it was unplugged, wherever it is plugged in then.

    Nothing is written to a port that the system describes as another device's by now."""
    serial = box.identity.serial
    device = discovery.device_at(box.port_name)
    named = where if where == "virtual" or (where and discovery.is_port(where)) else None

    def open_again() -> Box:
        if named is not None and discovery.device_at(named) == device:
            with contextlib.suppress(PortNotFound):
                return Box.open(named)
        for found in discovery.find_boxes():
            if found.serial == serial and found.certain:
                return Box.open(found.port)
        raise PortNotFound(serial, "It is not connected.")

    return open_again
