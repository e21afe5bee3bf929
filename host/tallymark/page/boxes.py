"""The boxes of the page: those it began with, and those that a window opens while it runs."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tallymark.box.ports import discovery
from tallymark.errors import BadValue
from tallymark.page.box_session import Station
from tallymark.page.opened_box import open_box
from tallymark.page.preparation import Preparation
from tallymark.plan import Plan


class Boxes:
    """Stations by their numbers on the page, from 1 on. A number is never given to another box.

    log_file: the marker log of the first box; those of the others have their number before the
    ending. None: none is kept. append, may_wire: see `Station`. progress: hears what opening a box
    waits for.
    """

    def __init__(
        self,
        plan: Plan | None,
        log_file: Path | None,
        *,
        append: bool = False,
        may_wire: bool = True,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        self.plan = plan
        self._log_file = log_file
        self._append = append
        self._may_wire = may_wire
        self._progress = progress
        self._opening = threading.Lock()
        self._stations: dict[int, Station] = {}
        self._preparations: dict[int, Preparation] = {}
        self._closed = False

    def open(
        self, where: str | None, *, link: Path | None = None, tcp_port: int | None = None
    ) -> Station:
        """Opens one more box. where: as for `Box.open`. link, tcp_port: its byte port.

        Raises BadValue for a box that is on the page already, and what `Station` raises."""
        with self._opening:
            if self._closed:
                raise BadValue("The page is ending. No box was opened.")
            for number, station in self._stations.items():
                if where is not None and where == station.port_name:
                    raise BadValue(_on_the_page(number))
            opened = open_box(where, self._progress)
            number = len(self._stations) + 1
            try:
                if opened.device is None:
                    self._refuse_second(opened.box.identity.serial)
                station = Station(
                    number, opened, self.plan, log_path=self._log_path(number),
                    append=self._append, link=link, tcp_port=tcp_port, may_wire=self._may_wire,
                )
            except BaseException:
                opened.box.close()
                raise
            # New dicts: other threads may be going through these.
            self._preparations = {**self._preparations, number: Preparation(station)}
            self._stations = {**self._stations, number: station}
            return station

    def _refuse_second(self, serial: str) -> None:
        for number, station in self._stations.items():
            if station.identity.serial == serial:
                raise BadValue(_on_the_page(number))

    def _log_path(self, number: int) -> Path | None:
        file = self._log_file
        if file is None or number == 1:
            return file
        return file.with_name(f"{file.stem}-{number}{file.suffix}")

    def plugged_in(self) -> list[dict[str, Any]]:
        """Boxes that the system tells of, and that are not on the page, for JSON. Opens nothing."""
        here = {station.identity.serial for station in self}
        at = {station.port_name for station in self if station.connected}
        return [
            {"port": found.port, "serial": found.serial, "name": found.name,
             "description": found.description, "certain": found.certain}
            for found in discovery.find_boxes()
            if found.port not in at and (not found.serial or found.serial not in here)
        ]

    def __iter__(self) -> Iterator[Station]:
        """Stations in the order of their numbers."""
        return iter(list(self._stations.values()))

    def __getitem__(self, number: int) -> Station:
        """The station of that number. KeyError if there is none."""
        return self._stations[number]

    @property
    def numbers(self) -> tuple[int, ...]:
        """Of all boxes, the first one first."""
        return tuple(self._stations)

    def preparation(self, number: int) -> Preparation:
        """What is done before a session with that box. KeyError if there is none."""
        return self._preparations[number]

    def close(self) -> None:
        """Takes the lines of all boxes to idle, and ends their ports and logs."""
        with self._opening:
            self._closed = True
            for station in self:
                station.close()


def _on_the_page(number: int) -> str:
    return (f"This box is on the page already, as box {number}. If it is gone, plug it in: the "
            "page follows by itself.")
