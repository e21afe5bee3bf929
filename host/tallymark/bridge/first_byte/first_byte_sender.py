"""`FirstByteSender`: the first byte that comes to a waiting bridge goes to the box without Python
in its way.

It is a partner of two locks, that of the link's window and that of the marker log, so that all
threads may go on to send markers and to write records. What it has sent is taken note of by
whichever thread has the window's lock next: the one that waits here, or the one that reads the
box's answer.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, NamedTuple

from tallymark.box.box import Box
from tallymark.box.link.link import Link
from tallymark.box.ports.timebase import RealTime
from tallymark.box.ports.transport import DescriptorTransport
from tallymark.box.wire.frames import CODE_WIDTH_WIRE
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.bridge.byte_actions import ByteAction
from tallymark.bridge.byte_outcomes import ByteOutcomes
from tallymark.bridge.byte_port import BytePort
from tallymark.markerlog.external_writer import Unwritten
from tallymark.markerlog.writer import sent_text

logger = logging.getLogger("tallymark")

try:
    from tallymark.bridge.first_byte import _first_byte
except ImportError:  # not Linux, or the package without compiled parts
    kernel: Any = None
else:
    kernel = _first_byte

_TEXT_MOST = 200


class Arrival(NamedTuple):
    """What came in. sent: how many of its first bytes are handled, 1 or 0. schedule: for
    `CpuWait.since_last`."""

    data: bytes
    sent: int
    schedule: bytes


def sender_for(
    box: Box,
    port: BytePort,
    ledger: ByteOutcomes,
    meanings: list[ByteAction],
    waited_since: Callable[[float], float],
) -> FirstByteSender | None:
    """For a box whose port and whose time are the system's; None for others, and where the system
    or the package lacks what is needed. `waited_since`: see `FirstByteSender`."""
    transport = box.link.transport
    if kernel is None or not isinstance(transport, DescriptorTransport):
        return None
    if not isinstance(box.link.pacing, RealTime):
        return None
    return FirstByteSender(box.link, transport, port, ledger, meanings, waited_since)


class FirstByteSender:
    """See the module. Made before any other thread sends markers to that box.

    waited_since: given the host time at which a byte was read, since when it may have been there.
    """

    def __init__(
        self,
        link: Link,
        transport: DescriptorTransport,
        port: BytePort,
        ledger: ByteOutcomes,
        meanings: list[ByteAction],
        waited_since: Callable[[float], float],
    ) -> None:
        self._link = link
        self._window = link.window
        self._port = port
        self._ledger = ledger
        self._meanings = meanings
        self._waited_since = waited_since
        self._width_us: int | None = None  # of the settings, as the records have it
        self._stale = True
        self._enter = kernel.lib.first_byte_enter_window
        self._leave = kernel.lib.first_byte_leave_window
        self._state = kernel.ffi.new("struct first_byte *")
        self._sent = kernel.ffi.new("struct first_byte_sent *")
        self._unwritten = kernel.ffi.new("struct first_byte_unwritten *")
        self._arrival = kernel.ffi.new("struct first_byte_arrival *")
        log = ledger.log
        kernel.lib.first_byte_begin(
            self._state, port.waker.descriptor, transport.descriptor,
            -1 if log is None else log.descriptor,
        )
        if log is not None:
            log.share(self)
        link.share_lock(self)

    def use(self, meanings: list[ByteAction]) -> None:
        """What each byte is from now on."""
        with self._link.lock:
            self._meanings = meanings
            self._stale = True

    def wait(self, schedule: int) -> Arrival | None:
        """Waits for bytes, and sends the first one if it may be sent. None: `BytePort.receive` has
        to look what there is. schedule: `CpuWait.descriptor`."""
        source = self._port.source
        if source is None:
            return None
        arrival = self._arrival
        if not kernel.lib.first_byte_wait(self._state, source, schedule, arrival):
            return None
        self._port.looked_s = arrival.looked_ns * 1e-9
        data = bytes(kernel.ffi.buffer(arrival.bytes, arrival.count))
        told = bytes(kernel.ffi.buffer(arrival.schedule, arrival.schedule_length))
        if arrival.sent:
            with self._link.lock:
                pass  # whoever takes it takes note of what was sent
        return Arrival(data, int(arrival.sent), told)

    # Partner of the window's lock ---------------------------------------------------------------

    def enter(self) -> None:
        """See `window_lock.Partner`."""
        if self._enter(self._state, self._sent):
            try:
                self._take_note()
            except Exception:  # of ours; the lock has to be given back
                logger.exception("A marker was sent, and could not be taken note of.")

    def leave(self) -> None:
        """See `window_lock.Partner`."""
        window = self._window
        width_us = window.settings.width_us
        if self._stale or width_us != self._width_us:
            self._load(width_us)
        tag = window.tags.next if window.is_free(CODE_WIDTH_WIRE) else 0
        self._leave(self._state, tag, window.marker_count + 1)

    def _take_note(self) -> None:
        sent = self._sent
        meaning = self._loaded[sent.code]
        stays = meaning.request is Request.SET
        width_us = meaning.width_us
        self._window.sent_by_partner(
            self._link, meaning.request, sent.code, width_us, sent.handed_ns * 1e-9, sent.length,
            bytes(kernel.ffi.buffer(sent.frame, sent.length))[sent.taken :],
        )
        since_us = int(self._waited_since(sent.looked_ns * 1e-9) * 1e6)
        self._ledger.handed_over(sent.number, (
            sent.code,
            self._width_us if width_us is None and not stays else width_us,
            meaning.name,
            (sent.handed_ns + 500) // 1000,
            stays,
            sent.logged_ns // 1000 - since_us,
        ))

    def _load(self, width_us: int | None) -> None:
        """Tells the C what each byte is, and how the log has it."""
        log = self._ledger.log
        for code, meaning in enumerate(self._meanings):
            stays = meaning.request is Request.SET
            width = width_us if meaning.width_us is None and not stays else meaning.width_us
            text = b"" if log is None else sent_text(code, width, meaning.name, stays)
            entry = self._state.meanings[code]
            may = not meaning.refused and len(text) <= _TEXT_MOST
            entry.request = meaning.request if may else 0
            entry.width_us = meaning.width_us or 0
            entry.text_length = len(text) if may else 0
            kernel.ffi.memmove(entry.text, text, entry.text_length)
        self._loaded = self._meanings
        self._width_us = width_us
        self._stale = False

    # Partner of the log's lock ------------------------------------------------------------------

    def enter_log(self) -> Unwritten | None:
        """See `external_writer.LogPartner`."""
        if not kernel.lib.first_byte_enter_log(self._state, self._unwritten):
            return None
        lost = self._unwritten
        return Unwritten(
            bytes(kernel.ffi.buffer(lost.line, lost.length)), lost.written, lost.error
        )

    def leave_log(self, takes: bool) -> None:
        """See `external_writer.LogPartner`."""
        kernel.lib.first_byte_leave_log(self._state, takes)
