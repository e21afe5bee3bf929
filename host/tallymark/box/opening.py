"""Internal: how a box is found and opened, with or without a marker log; see `Box.open`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from tallymark.box.link.event_dispatch import Log
from tallymark.box.ports import discovery
from tallymark.common.errors import PortNotFound, TallymarkError

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.plan import Plan

Progress = Callable[[str], None]


def open_box(
    cls: type[Box], where: str | None, log: Log | None, progress: Progress | None
) -> Box:
    """Tries the ports that may have the box, the likeliest first."""
    named = where is None or where == "virtual" or discovery.is_port(where)
    problem: TallymarkError | None = None
    others = []
    for port_name in discovery.candidates(where):
        try:
            box = cls(discovery.open_port(port_name), log=log, progress=progress)
        except TallymarkError as error:
            if named:
                raise
            problem = error
            continue
        if named or where in (box.identity.serial, box.identity.name) or (
            where is not None and where.upper() == box.identity.serial
        ):
            discovery.remember(port_name, box.identity.serial, box.identity.name)
            return box
        others.append(f"{port_name} {box.identity.serial} {box.identity.name}".strip())
        box.close()
    raise PortNotFound(
        where or "",
        f"No box with the serial number or name '{where}' was found. Plugged in: "
        f"{', '.join(others) or 'none that could be opened'}."
        + (f" {problem}" if problem else ""),
    )


def open_with_log(
    cls: type[Box],
    where: str | None,
    path: str | Path,
    plan: Plan | str | Path | None,
    append: bool,
    progress: Progress | None,
) -> Box:
    """Opens a box, and begins a marker log that is closed with it."""
    from tallymark.markerlog import MarkerLog  # both are above this room, and import it
    from tallymark.plan import load

    loaded = load(plan) if isinstance(plan, (str, Path)) else plan
    box = cls.open(where, progress=progress)
    try:
        box.own_log = MarkerLog.for_box(path, box, loaded, append)
    except BaseException:
        box.close()
        raise
    return box
