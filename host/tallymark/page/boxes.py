"""The boxes of the page: those it began with, and those that a window opens or takes off while it
runs. There may be none."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from serial.tools import list_ports

from tallymark.box.ports import discovery
from tallymark.common.errors import BadValue
from tallymark.page.box_session import Station
from tallymark.page.opened_box import open_box
from tallymark.page.preparation import Preparation
from tallymark.page.removed_box_messages import TakenOff, taken_off, what_ends
from tallymark.plan import Plan


class OnPage(NamedTuple):
    """A box that is on the page, with what is done before a session with it."""

    station: Station
    preparation: Preparation


class Boxes:
    """Stations by their numbers on the page, from 1 on. A number is never given to another box.

    log_file: the marker log of the first box; those of the others have their number before the
    ending. None: none is kept. append, may_wire: see `Station`. link, tcp_port: the byte port of
    the first box, and of one that is opened while no box has it; where that is on TCP, all others
    are, at any free port. progress: hears what opening a box waits for.
    """

    def __init__(
        self,
        plan: Plan | None,
        log_file: Path | None,
        *,
        append: bool = False,
        may_wire: bool = True,
        link: Path | None = None,
        tcp_port: int | None = None,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        self.plan = plan
        self.waiting: Mapping[str | None, str] = {}
        """Boxes that the page was started for and that were not there: how each was named (None:
        not at all), and what was looked for, until it is opened."""
        self._log_file = log_file
        self._append = append
        self._may_wire = may_wire
        self._link, self._tcp_port = link, tcp_port
        self._progress = progress
        self._opening = threading.Lock()
        self._on_page: Mapping[int, OnPage] = {}
        self._last = self._port_of = 0
        self._taken_off: Mapping[int, TakenOff] = {}
        self._closed = False

    def open(self, where: str | None) -> Station:
        """Opens one more box. where: as for `Box.open`.

        Raises BadValue for a box that is on the page already, and what `Station` raises."""
        with self._opening:
            if self._closed:
                raise BadValue("The page is ending. No box was opened.")
            for number, (station, _) in self._on_page.items():
                if where is not None and where == station.port_name:
                    raise BadValue(_on_the_page(number))
            opened = open_box(where, self._progress)
            number = self._last + 1
            first = self._port_of not in self._on_page
            try:
                if opened.device is None:
                    self._refuse_second(opened.box.identity.serial)
                station = Station(
                    number, opened, self.plan, log_path=self._log_path(number),
                    append=self._append, link=self._link if first else None,
                    tcp_port=self._tcp_port if first or self._tcp_port is None else 0,
                    may_wire=self._may_wire,
                )
            except BaseException:
                opened.box.close()
                raise
            names = (None, where, station.identity.serial, station.identity.name)
            self.waiting = {one: why for one, why in self.waiting.items() if one not in names}
            self._last = number
            self._port_of = number if first else self._port_of
            # A new mapping: other threads may be going through this one.
            self._on_page = {**self._on_page, number: OnPage(station, Preparation(station))}
            return station

    def wait_for(self, where: str | None, why: str) -> None:
        """Box that was not found, by `where`, is offered to windows once it is there. why: what was
        looked for, in a sentence."""
        self.waiting = {**self.waiting, where: why}

    def _refuse_second(self, serial: str) -> None:
        for number, (station, _) in self._on_page.items():
            if station.identity.serial == serial:
                raise BadValue(_on_the_page(number))

    def _log_path(self, number: int) -> Path | None:
        file = self._log_file
        if file is None or number == 1:
            return file
        return file.with_name(f"{file.stem}-{number}{file.suffix}")

    def take_off(self, number: int, sure: bool) -> list[str]:
        """Takes a box off the page: its lines go to idle, its byte port and its marker log end.

        sure: the person knows what ends. Otherwise, where something would end that can't be taken
        up again, nothing is done, and the answer says what would end; it is empty if the box was
        taken off. Raises BadValue if there is no such box, or while a window drives its lines.
        """
        with self._opening:
            if number not in self._on_page:
                raise BadValue(f"Box {number} is not on this page. Nothing was changed.")
            station = self._on_page[number].station
            with station.alone():
                if not sure and (ends := what_ends(station)):
                    return ends
                # Off the page first: nothing new is asked of it while it ends.
                self._on_page = {n: one for n, one in self._on_page.items() if n != number}
                idle = station.close()
            self._taken_off = {**self._taken_off, number: taken_off(station, idle)}
            return []

    @property
    def taken_off(self) -> Mapping[int, TakenOff]:
        """Boxes that were taken off the page, by the numbers they had."""
        return self._taken_off

    def plugged_in(self) -> list[dict[str, Any]]:
        """Boxes that the system tells of, and that are not on the page, for JSON. Opens nothing."""
        here = {station.identity.serial for station in self}
        at = {station.port_name for station in self if station.connected}
        found = [
            {"port": found.port, "serial": found.serial, "name": found.name,
             "description": found.description, "certain": found.certain}
            for found in discovery.find_boxes()
            if found.port not in at and (not found.serial or found.serial not in here)
        ]
        known = {station.port_name for station in self} | {one["port"] for one in found}
        found += [
            {"port": named, "serial": "", "name": "", "certain": True,
             "description": "the port that the page was started for"}
            for named in self.waiting if named is not None and named not in known
            and discovery.is_port(named) and _is_there(named)
        ]
        return found

    def __iter__(self) -> Iterator[Station]:
        """Stations in the order of their numbers."""
        return iter([one.station for one in self._on_page.values()])

    @property
    def now(self) -> Mapping[int, OnPage]:
        """The boxes that are on the page now, by number; it does not change when the page does."""
        return self._on_page

    @property
    def numbers(self) -> tuple[int, ...]:
        """Of all boxes on the page, the first one first."""
        return tuple(self._on_page)

    @property
    def logs_lack_records(self) -> bool:
        """Whether the marker log of a box lacks records, of those that were taken off as well."""
        return any(station.sent.log_failed for station in self) or any(
            one.log_failed for one in self._taken_off.values()
        )

    def close(self) -> None:
        """Takes the lines of all boxes to idle, and ends their ports and logs."""
        with self._opening:
            self._closed = True
            for station in self:
                station.close()


def _is_there(port: str) -> bool:
    """Whether a port is plugged in; what is at an address is known once it is opened."""
    return "://" in port or os.path.exists(port) or any(
        info.device == port for info in list_ports.comports()
    )


def _on_the_page(number: int) -> str:
    return (f"This box is on the page already, as box {number}. If it is gone, plug it in: the "
            "page follows by itself.")
