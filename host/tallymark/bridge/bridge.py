"""`Bridge`: each byte from a byte port becomes a marker of a box at once, and its fate is reported.

One thread waits at the byte port and sends, and does nothing else, because all it does delays the
next marker. The main thread handles a box that is unplugged or restarts. Answers come from the
reader thread of the link, through the byte history, to the log and the screen.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from threading import Event, Thread

from tallymark.box.box import Box
from tallymark.box.ports.timebase import host_time_s
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import AnyNotice, HoldEnded, NoticesLost, Started
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.bridge.byte_actions import ByteAction
from tallymark.bridge.byte_outcomes import ByteOutcomes
from tallymark.bridge.byte_port import BytePort
from tallymark.bridge.first_byte import FirstByteSender, sender_for
from tallymark.bridge.messages_for_people import BridgeScreen
from tallymark.bridge.pause_report import ProgramPauses
from tallymark.bridge.scheduling_delay import CpuWait
from tallymark.common.errors import PortError, TallymarkError
from tallymark.common.formatting import duration, some, time_text
from tallymark.common.signature import Signed
from tallymark.markerlog.reader import IDLE_AT_END, IDLE_AT_HANG_UP

BOX_GONE = "the connection to the box was lost"
ENDED = "the bridge was stopping"
_EMPTIED = 2048
"""A read that returns fewer bytes has emptied the port: systems deliver that many in one read."""
_RETRY_S = 0.5
_LOOK_S = 0.1
_DRAIN_S = 10.0
"""For a program that writes without an end. The lines are at idle by then."""
_HOLE_S = 0.05
"""Waking up this late means that the process did not run, not that it was busy."""
_NEVER = float("inf")
_now = host_time_s


class Bridge:
    """Carries bytes from a port to a box.

    box: open; the bridge closes it. open_box: opens the same box again. meanings: of the 256 bytes.
    idle_at_hang_up: take a held code to idle when its program closes the port. sign: sends a
    session signature, at the beginning and when the box was opened again; the box refuses bytes
    until it is over. None: none is sent.
    """

    def __init__(
        self,
        box: Box,
        open_box: Callable[[], Box],
        port: BytePort,
        meanings: list[ByteAction],
        ledger: ByteOutcomes,
        screen: BridgeScreen,
        *,
        idle_at_hang_up: bool = False,
        sign: Callable[[Box], Signed] | None = None,
    ) -> None:
        self._box: Box | None = box
        self._session = box.session
        self._signs = sign
        self._serial = box.identity.serial
        self._settings = box.settings.read()
        self._open_box = open_box
        self._port = port
        self._meanings = meanings
        self._ledger = ledger
        self._screen = screen
        self._say = screen.say
        self._idle_at_hang_up = idle_at_hang_up
        self._held = 0
        self._refused_reported = 0
        self._other_box_reported = ""
        self._starts = 0
        self._seen_starts = 0
        # When the main thread was last seen to run; _NEVER while it has slow work of its own.
        self._alive_s = self._hole_from_s = self._hole_to_s = _NEVER
        # When the bytes that come next may have come, at the earliest.
        self._since = port.looked_s
        self._pauses = ProgramPauses()
        self._quick: FirstByteSender | None = None
        self._attention = Event()
        self._stopping = False
        self._thread = Thread(target=self._carry, name="bridge", daemon=True)
        self.fault: BaseException | None = None
        self.has_box = True
        self._attach(box)

    def begin(self) -> None:
        """Begins to carry, and sends the session signature if there is to be one."""
        self._thread.start()
        if self._box is not None:
            self._sign(self._box)
        self._alive_s = _now()

    def run(self) -> None:
        """Carries until interrupted or stopped, after `begin`; then use `end`."""
        while self.fault is None:
            if self._stopping:
                return
            self._sleep()
            self._check_box()
        raise self.fault

    def stop(self) -> None:
        """Lets `run` return. From any thread."""
        self._stopping = True
        self._attention.set()

    @property
    def box(self) -> Box | None:
        """The box; None while it is gone. After that it is another object."""
        return self._box

    @property
    def settings(self) -> Settings:
        """The settings of the box, as they were read last."""
        return self._settings

    def use(self, meanings: list[ByteAction]) -> None:
        """What each byte is from now on."""
        self._meanings = meanings
        if self._quick is not None:
            self._quick.use(meanings)

    def set_up(self, settings: Settings) -> None:
        """The owner of this bridge has put these settings in force."""
        self._settings = settings

    def _sleep(self) -> None:
        """Waits, and reports if that took far too long: bytes received in that time are late."""
        alive = self._alive_s = min(self._alive_s, _now())
        self._attention.wait(_LOOK_S)
        self._attention.clear()
        awake = _now()
        if awake - alive > _LOOK_S + _HOLE_S:
            self._hole_from_s, self._hole_to_s = alive, awake
            due = self._pauses.add((awake - alive) * 1e6)
            self._screen.pauses(self._pauses.text(), due)
        self._alive_s = awake

    def end(self) -> bool:
        """Stops sending, takes the lines to idle, refuses the bytes that wait at the port, closes
        port and box. Returns whether the lines are known to be at idle."""
        self._stopping = True
        self._port.wake()
        if self._thread.is_alive():
            self._thread.join()
        if self._pauses.untold:
            self._screen.pauses(self._pauses.text(), True)
        box = self._box
        idle = box is not None and self._to_idle(box, IDLE_AT_END)
        if idle:
            self._say("The lines are at idle.")
        if self.fault is None:
            self._refuse_remaining()
        self._port.close()
        if box is not None:
            box.close()
        self._ledger.close()
        return idle

    # The sending thread -----------------------------------------------------------------------

    def _carry(self) -> None:
        try:
            starved = CpuWait()
            self._forward(starved)
            starved.close()
        except BaseException as error:
            self.fault = error
            self._attention.set()

    def _forward(self, starved: CpuWait) -> None:
        port, ledger = self._port, self._ledger
        while not self._stopping:
            waits = port.is_empty()
            starved.since_last()
            quick = self._quick
            arrival = None
            if waits and quick is not None:
                arrival = quick.wait(starved.descriptor)
            data, sent, told = (port.receive(), 0, b"") if arrival is None else arrival
            looked = port.looked_s
            if data:
                if waits:
                    self._since = self._earliest(looked)
                self._send_all(data, sent)
                more_s = starved.since_last(told if len(data) == sent else b"")
                ledger.settle(round(more_s * 1e6) if waits else 0)
            elif data is None:
                self._on_hang_up()
            if not data:
                self._since = self._waited_since(looked)
            elif len(data) < _EMPTIED:
                self._since = looked

    def _earliest(self, looked: float) -> float:
        """Since when a byte may have been there that was read at the time `looked`, after the port
        was found empty."""
        return max(self._since, self._waited_since(looked))

    def _send_all(self, data: bytes, sent: int) -> None:
        """Sends what came in, of which the first bytes, so many, are sent already."""
        if sent:
            box = self._box
            stays = self._meanings[data[0]].request is Request.SET
            self._held = data[0] if stays else 0
            if box is not None and box.link.failure is not None:
                self._attention.set()
        self._ledger.waiting_since_us = int(self._since * 1e6)
        for byte in data[sent:]:
            self._send(byte)

    def _waited_since(self, looked: float) -> float:
        """Since when a byte may have been there that woke this thread at the time `looked`.

        Since then, normally; if the whole program did not run, since that began."""
        alive = self._alive_s
        if looked - alive > _LOOK_S + _HOLE_S:
            return alive
        if self._hole_from_s <= looked < self._hole_to_s + _HOLE_S:
            return self._hole_from_s
        return looked

    def _refuse_remaining(self) -> None:
        port = self._port
        end = _now() + _DRAIN_S
        while not port.is_empty():
            if _now() > end:
                self._say("The program is still writing; its last bytes were not sent to the "
                          "box.", bad=True)
                return
            for byte in port.receive() or b"":
                self._ledger.refuse(byte, ENDED)

    def _send(self, byte: int) -> None:
        meaning = self._meanings[byte]
        if meaning.refused:
            self._ledger.refuse(byte, meaning.refused)
            return
        box, ledger = self._box, self._ledger
        if box is None:
            ledger.refuse(byte, BOX_GONE)
            return
        before = ledger.bytes
        try:
            # Not by `Box.pulse`, which checks what was checked for all bytes when this began.
            if meaning.width_us is None:
                box.link.put_code(meaning.request, byte, meaning.name)
            else:
                box.link.put(meaning.request, byte, meaning.width_us, meaning.name)
            self._held = byte if meaning.request is Request.SET else 0
        except PortError:
            self._attention.set()
            if ledger.bytes == before:  # otherwise it may have gone out, and will be unconfirmed
                ledger.refuse(byte, BOX_GONE)

    def _on_hang_up(self) -> None:
        code, box = self._held, self._box
        if not code or box is None:
            return
        if self._idle_at_hang_up:
            if self._to_idle(box, IDLE_AT_HANG_UP):
                self._screen.idle(
                    f"The program closed the port with code {code} on the lines. The lines are now "
                    "at idle."
                )
            return
        limit = self._settings.hold_limit_us
        ends = "the next byte ends it"
        if limit:
            ends = f"the hold limit ends it after {duration(limit)}"
        self._say(
            f"The program closed the port with code {code} on the lines: {ends}. "
            "(--idle-at-hang-up takes the lines to idle.)",
            bad=True,
        )

    def _to_idle(self, box: Box, name: str) -> bool:
        """Takes the lines to idle, if they aren't, with an entry of that name in the log. Returns
        whether they are."""
        self._ledger.waiting_since_us = None
        try:
            settings = self._settings
            if (box.levels().outputs ^ settings.idle_levels) & settings.lines:
                marker = box.set(0, name=name).wait()
                cut_us = marker.cut_lasted_us
                if cut_us is not None:
                    self._say("The pulse that was out ended early, after "
                              f"{time_text(cut_us)}.", bad=True)
        except TallymarkError as error:
            self._say(f"The lines may not be at idle: {error}", bad=True)
            return False
        self._held = 0
        return True

    def _sign(self, box: Box) -> None:
        """A bridge without a signature is still of use, so that a failure is only reported."""
        if self._signs is None:
            return
        box.session = self._session
        try:
            signed = self._signs(box)
        except TallymarkError as error:
            self._say(f"The session signature was not sent: {error}", bad=True)
        else:
            self._say(f"Session {signed.session}: signature {signed.count} was sent.")

    # Loss of the box and reconnection ---------------------------------------------------------

    def _attach(self, box: Box) -> None:
        box.log = self._ledger
        box.listen(self._on_notice)
        self._quick = sender_for(box, self._port, self._ledger, self._meanings, self._earliest)
        self._box = box

    def _on_notice(self, notice: AnyNotice) -> None:
        if isinstance(notice, Started):
            self._starts += 1
            self._held = 0
            self._screen.idle(
                f"The box started again (cause: {notice.cause.label}). Its lines went to idle, and "
                "markers on their way are unconfirmed. Check its power and its cable.",
                logged=True,
            )
            self._attention.set()
        elif isinstance(notice, NoticesLost):
            self._screen.say(
                f"{some(notice.count, 'message')} of the box did not arrive. The end of a held "
                "code may be among them. Check the cable.",
                bad=True,
                logged=True,
            )
        elif isinstance(notice, HoldEnded):
            self._held = 0
            self._screen.hold_ended(notice, self._settings.hold_limit_us)

    def _check_box(self) -> None:
        box = self._box
        if box is None:
            return
        if box.link.failure is not None:
            self._alive_s = _NEVER
            self._reconnect(box)
        elif self._starts != self._seen_starts:
            self._alive_s = _NEVER
            self._seen_starts = self._starts
            with suppress(TallymarkError):  # the next check reports a lost box
                self._compare_settings(box.settings.read())

    def _reconnect(self, box: Box) -> None:
        self._box = None
        self.has_box = False
        self._held = 0
        self._screen.idle(f"{box.link.failure} Bytes are refused until it is connected again.")
        box.close()
        while self.fault is None and not self._stopping:
            if back := self._open_again():
                break
            self._attention.clear()  # set by bytes that were refused; otherwise this is no wait
            self._attention.wait(_RETRY_S)
        else:
            return
        found, settings = back
        self._ledger.new_part(found, settings)
        refused = self._ledger.reasons[BOX_GONE] - self._refused_reported
        self._refused_reported += refused
        self._attach(found)
        self.has_box = True
        were = "was" if refused == 1 else "were"
        self._say(f"The box is connected again, at {found.port_name}. {some(refused, 'byte')} "
                  f"{were} refused.")
        self._compare_settings(settings)
        self._sign(found)

    def _open_again(self) -> tuple[Box, Settings] | None:
        """The box and its settings now, if it is back. It may go again at any time."""
        found = None
        try:
            found = self._open_box()
            if self._is_same(found):
                return found, found.settings.read()
        except TallymarkError:
            pass
        if found is not None:
            found.close()
        return None

    def _is_same(self, found: Box) -> bool:
        serial = found.identity.serial
        if serial == self._serial:
            return True
        if serial != self._other_box_reported:
            self._other_box_reported = serial
            self._say(
                f"There is another box at {found.port_name} ({serial} instead of {self._serial}). "
                "It gets no markers.",
                bad=True,
            )
        return False

    def _compare_settings(self, now: Settings) -> None:
        """Reports changed settings: after a power failure a box has its kept settings."""
        changed = self._settings.differences(now)
        if changed:
            listed = ", ".join(
                f"{name} {_word(getattr(now, name))} instead of "
                f"{_word(getattr(self._settings, name))}"
                for name in changed
            )
            self._say(
                f"The box was connected again with other settings: {listed}. Markers differ from "
                "those before. 'tallymark settings keep' makes settings permanent.",
                bad=True,
            )
        self._settings = now


def _word(value: object) -> str:
    return str(getattr(value, "label", value))
