"""`Box`: one marker box, with everything that it can do."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterable
from operator import index
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from tallymark.box import opening
from tallymark.box.capture import Capture
from tallymark.box.link.clock import ClockEstimate, Drift, HostTime
from tallymark.box.link.event_dispatch import Log
from tallymark.box.link.link import Link
from tallymark.box.link.marker import Marker
from tallymark.box.ports import discovery
from tallymark.box.ports.timebase import Pacing, pacing_of
from tallymark.box.ports.transport import transport_for
from tallymark.box.probes import Probes
from tallymark.box.sequence import Sequence
from tallymark.box.settings_access import BoxSettings
from tallymark.box.signing import sign
from tallymark.box.times_ahead import BoxTimes, box_times
from tallymark.box.wire.answer_values import (
    AnyNotice,
    Counters,
    Edges,
    Identity,
    Levels,
    ProbeEdges,
)
from tallymark.box.wire.protocol_enumerations import (
    PROTOCOL_MAJOR,
    PROTOCOL_MINOR,
    Origin,
    Reason,
    Request,
)
from tallymark.common.errors import (
    BadValue,
    NoAnswer,
    NotABox,
    PortBusy,
    PortError,
    PortGone,
    Refused,
    TallymarkError,
    VersionError,
)
from tallymark.common.formatting import time_text
from tallymark.common.signature import Form, Session, Signed

if TYPE_CHECKING:
    from tallymark.markerlog import MarkerLog
    from tallymark.plan import Plan

logger = logging.getLogger("tallymark")

START_SECONDS = 6.0
"""How long a box may take to start: a board that opening resets needs up to two seconds."""
QUIET_SECONDS = 1.6
"""After a question without an answer nothing is sent for that long. Opening resets a Nano, and an
old boot loader (57,600 baud) begins its wait of one second anew with each byte that comes in."""
_REOPEN_SECONDS = 15.0
_RESTART_SECONDS = 3.0
_CLOCK_ROUNDS = 3

_pulse, _pulse_for, _set = Request.PULSE, Request.PULSE_FOR, Request.SET


def _no_numbers(code: object, width_us: object) -> str:
    if isinstance(code, str):
        return (
            f"The code of a pulse is a whole number, not {code!r}. To send an event by its name in "
            "a plan: from tallymark import plan; events = plan.load('plan.toml'); "
            f"events.pulse(box, {code!r})"
        )
    return f"Code and width are whole numbers, not {code!r} and {width_us!r}."


def _expiry(box_us: int | None) -> int | None:
    return None if box_us is None else index(box_us)


class Box:
    """A marker box. Thread-safe; a context manager.

        with Box.open() as box:
            box.pulse(5)

    port: an open port that behaves like pyserial's. `Box.open` finds and opens one.
    log: a marker log, given every marker (see `event_dispatch.Log`).
    progress: called with a sentence when opening takes longer, because the box is starting.

    `port` is the port, `port_name` its name, `pacing` the box's way to wait and tell host time (all
    host times are those of `pacing.now()`, which on Linux is not the clock of `time.perf_counter`),
    `clock` the relation of box time and host time, `identity` who the box is, `session` the number
    that `sign` sends (random for each `Box`; give it that of an earlier one to go on with it).
    """

    _link: Link | None = None
    own_log: MarkerLog | None = None

    def __init__(
        self,
        port: Any,
        *,
        log: Log | None = None,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        self._listeners: list[Callable[[AnyNotice], None]] = []
        self._capture: Capture | None = None
        self.session = Session()
        self._log = log
        self._progress = progress or (lambda _text: None)
        self.settings = BoxSettings(self)
        self.probes = Probes(self)
        self.identity: Identity
        self._connect(port)

    @classmethod
    def open(
        cls,
        where: str | None = None,
        *,
        log: Log | str | Path | None = None,
        plan: Plan | str | Path | None = None,
        append: bool = False,
        progress: Callable[[str], None] | None = None,
    ) -> Box:
        """Finds a box and opens it.

            with Box.open(log="session.jsonl", plan="plan.toml") as box:
                box.pulse(36)

        where: a port (`/dev/ttyACM0`, `COM3`), a pyserial URL (`virtual://`, `socket://...`), the
        16 hexadecimal digits of a serial number, the name from the box's settings, `virtual`, or
        None for the only box that is plugged in.

        log: the file of a marker log, which must not exist yet unless `append` adds a part to it,
        and which is closed with the box; or any other log (see `event_dispatch.Log`). plan: the
        session's plan or its file, for the names of codes in that file.

        Raises PortNotFound, PortBusy, PortDenied, NotABox, VersionError; MarkerLogError and
        PlanError for these files.
        """
        if isinstance(log, (str, Path)):
            return opening.open_with_log(cls, where, log, plan, append, progress)
        if plan is not None or append:
            raise BadValue("A plan is noted in the marker log: give its file, too, as log='...'.")
        return opening.open_box(cls, where, log, progress)

    # Markers -----------------------------------------------------------------------------------

    def pulse(
        self,
        code: int,
        width_us: int | None = None,
        *,
        name: str | None = None,
        expiry_us: int | None = None,
        at: float | None = None,
        after_s: float | None = None,
        late_s: float = 0.0,
        bound_s: float | None = None,
    ) -> Marker:
        """Puts a code on the lines, now or at a time to come; the box takes them back to idle after
        the width.

        Returns when the request was handed to the port, before the answer came; the marker can be
        waited for.

        code: 1 to 255. width_us: in microseconds, within `identity.least_width_us` and
        `longest_width_us`; None: the width of the settings. name: for the marker log. expiry_us:
        the box time (`clock.to_box`), at most 17 minutes away, after which the marker is not wanted
        any more: then the box refuses it (`Reason.LATE`) instead of putting it out late. A wait for
        the gap counts.

        A marker ahead is put out by the box's own timer. at: its host time, in seconds of
        `pacing.now()`; after_s: seconds from now; either at most 30 minutes ahead, and at least
        `identity.least_lead_us` and the way to the box. late_s: how much later it may go out if it
        comes too late; then the box refuses it (`expiry_us` is not used). bound_s: largest error
        of the box time that you can use. `Marker.host_time` tells when the edge was, and its bound.

        Raises BadValue; PortGone if the connection broke. What the box says shows in the marker.
        """
        link = self._link
        if link is None:
            raise self._closed()
        try:
            code = index(code)
            if not 0 < code < 256:
                raise BadValue(f"The code of a pulse goes from 1 to 255, not {code}.")
            if width_us is None:
                if at is not None or after_s is not None:
                    times = self._times(at, after_s, late_s, bound_s)
                    return link.put(_pulse, code, None, name, *times)
                if expiry_us is None:
                    return link.put_code(_pulse, code, name)
                return link.put(_pulse, code, None, name, index(expiry_us))
            if not self._least_width <= index(width_us) <= self._longest_width:
                raise BadValue(
                    f"This box makes pulses of {time_text(self._least_width)} to "
                    f"{time_text(self._longest_width)}, not {time_text(width_us)}."
                )
        except TypeError:
            raise BadValue(_no_numbers(code, width_us)) from None
        if at is not None or after_s is not None:
            times = self._times(at, after_s, late_s, bound_s)
            return link.put(_pulse_for, code, index(width_us), name, *times)
        return link.put(_pulse_for, code, index(width_us), name, _expiry(expiry_us))

    def set(
        self,
        code: int,
        *,
        name: str | None = None,
        expiry_us: int | None = None,
        at: float | None = None,
        after_s: float | None = None,
        late_s: float = 0.0,
        bound_s: float | None = None,
    ) -> Marker:
        """Puts a code on the lines, where it stays until the next marker or the hold limit.

        code: 0 to 255; 0 takes the lines to idle at once, whatever goes on, except a sequence.
        Otherwise as `pulse`.
        """
        link = self._link
        if link is None:
            raise self._closed()
        try:
            code = index(code)
            if not 0 <= code < 256:
                raise BadValue(f"A code goes from 0 to 255, not {code}.")
        except TypeError:
            raise BadValue(f"A code is a whole number, not {code!r}.") from None
        if at is not None or after_s is not None:
            times = self._times(at, after_s, late_s, bound_s)
            return link.put(_set, code, None, name, *times)
        if expiry_us is None:
            return link.put_code(_set, code, name)
        return link.put(_set, code, None, name, index(expiry_us))

    def _times(
        self, at: float | None, after_s: float | None, late_s: float, bound_s: float | None
    ) -> BoxTimes:
        now = self.pacing.now()
        return box_times(self.clock, self.identity, now, at, after_s, late_s, bound_s)

    def cancel(self, marker: Marker | None = None) -> list[Marker]:
        """Takes back a marker ahead, or all of them (None), unless they are out already.

        Returns those that were taken back; their `outcome` is REFUSED, with `Reason.CANCELLED`.
        Waits for the box's answer. Raises NoAnswer, PortGone.
        """
        return self.link.cancel(marker)

    @property
    def log(self) -> Log | None:
        """The marker log that gets every marker from now on; may be set at any time."""
        return self._log

    @log.setter
    def log(self, log: Log | None) -> None:
        self._log = self.link.events.log = log

    def wait(self) -> list[Marker]:
        """Waits until every marker sent so far is answered, and out if it was given ahead; returns
        those that are not done."""
        return self.link.wait_until_answered()

    @property
    def unconfirmed(self) -> list[Marker]:
        """Markers of this connection of which nobody knows whether they went out."""
        return list(self.link.unconfirmed)

    def sequence(self, steps: Iterable[tuple[int, int]], repeats: int = 1) -> Sequence:
        """Loads a sequence into the box, to be played by the box's clock with `start()`.

        steps: (code, hold time in µs), at most `identity.steps` of them. repeats: how often they
        are played; 0: until stopped.

        Raises BadValue, Refused, NoAnswer, PortGone.
        """
        return Sequence(self, list(steps), repeats)

    def sign(self, code: int = 255, unit_us: int = 8_000) -> Signed:
        """Sends a session signature, by which a recording check knows the session and the place:
        15 pulses, timed by the box. Waits until it has ended, 1.04 to 1.824 s at the shortest unit.

        Meanwhile the box refuses markers. It replaces a sequence that was loaded before. A plan
        that reserves a code knows both arguments: `Plan.sign`.

        code: 1 to 255, used for nothing else. unit_us: one of `signature.UNITS_US`; each pulse
        lasts four of them, and a receiver needs one of three samples.

        Raises BadValue; Refused if a marker is out or a sequence plays; Unconfirmed, NoAnswer,
        PortGone.
        """
        return sign(self, self.session, Form(code, unit_us))

    # Questions ---------------------------------------------------------------------------------

    def levels(self) -> Levels:
        """Levels of the lines and of the readback now. Raises NoAnswer, PortGone."""
        return Levels.parse(self.link.ask(Request.LEVELS).body)

    def counters(self) -> Counters:
        """What the box counted since its start. Raises NoAnswer, PortGone."""
        return Counters.parse(self.link.ask(Request.COUNTERS).body)

    def capture(self, *, send: bool = False) -> Capture:
        """Captures changes of the readback, with their box time. A context manager.

        send: the box sends the edges by itself; otherwise it keeps up to `identity.edges` of them
        until they are fetched.

            with box.capture() as capture:
                box.pulse(5).wait()
                box.pacing.sleep(0.01)
            edges = capture.fetch()
        """
        capture = Capture(self, send)
        self._capture = capture if send else None  # before the first edges can come
        capture.start()
        return capture

    # Clock -------------------------------------------------------------------------------------

    @property
    def clock(self) -> ClockEstimate:
        """Relation of box time and host time. Every answered marker improves it too."""
        return self.link.clock

    def sync_clock(self, rounds: int = 8, over_s: float = 0.0) -> Drift:
        """Compares the clocks by some round trips; returns what is known of the drift.

        over_s: seconds over which they are spread, 0 or more. At once, they tell of the clocks now;
        over a second, they also tell the rate between the clocks, to a round trip in a second,
        which times further away need, as those of markers ahead. Raises NoAnswer, PortGone.
        """
        for left in range(rounds - 1, -1, -1):
            self.link.ask(Request.CLOCK)
            if left and over_s > 0:
                self.pacing.sleep(over_s / (rounds - 1))
        return self.clock.drift

    def to_host_time(self, box_us: int) -> HostTime:
        """Host time (seconds of `pacing.now()`) of a box time, with its error bound.

        The bound grows with the time since the last answer; `sync_clock` makes it small again.
        """
        return self.clock.to_host(box_us)

    # Notices -----------------------------------------------------------------------------------

    def listen(self, callback: Callable[[AnyNotice], None]) -> Callable[[], None]:
        """Calls back with every notice of the box: `Started`, `SequenceEnded`, `ByteMarker`,
        `HoldEnded`, `Edges`, `ProbeEdges`; and with `NoticesLost` where some did not arrive.
        Returns a function that ends it.

        The reader thread calls, so a callback should be short; it may send markers, but it can't
        wait for them.
        """
        self._listeners.append(callback)

        def stop() -> None:
            with contextlib.suppress(ValueError):
                self._listeners.remove(callback)

        return stop

    def _hear(self, notice: AnyNotice) -> None:
        capture = self._capture
        if capture is not None and isinstance(notice, Edges):
            capture.add(notice)
        if isinstance(notice, ProbeEdges):
            self.probes.hear(notice)
        for listener in list(self._listeners):
            try:
                listener(notice)
            except Exception:
                logger.exception("A listener failed.")

    # Opening, restarting, closing --------------------------------------------------------------

    def restart(self, *, boot_loader: bool = False) -> None:
        """Restarts the box; its lines go to idle, and box time begins again at 0.

        boot_loader: restart into the boot loader, to load firmware; closes this object.
        Otherwise returns when the box answers again. Raises Refused, NoAnswer, PortGone.
        """
        link = self.link
        starts = link.starts
        link.ask(Request.RESTART, bytes((boot_loader,)), alone=True)
        if boot_loader:
            self.close()
            return
        link.wait_for(lambda: link.starts > starts or link.failure is not None, _RESTART_SECONDS)
        if link.failure is None:
            try:
                self._greet(link)
                return
            except PortError:  # the port went away, and that was noticed only now
                if link.failure is None:
                    raise
        port_name = self.port_name
        self.close()
        end = self.pacing.now() + _REOPEN_SECONDS
        while True:
            try:
                self._connect(discovery.open_port(port_name), after=link)
                return
            except PortError:
                if self.pacing.now() > end:
                    raise
                self._progress("Waiting for the box to come back after its restart.")
                self.pacing.sleep(0.25)

    def _connect(self, port: Any, after: Link | None = None) -> None:
        self.port = port
        self.pacing: Pacing = pacing_of(port)
        transport = transport_for(port)
        self.port_name = transport.name
        link = Link(transport, self.pacing, self._log, self._hear, after)
        try:
            self._greet(link)
        except BaseException:
            link.close()
            raise
        self._link = link

    def _greet(self, link: Link) -> None:
        """Finds out who the box is; waits while it starts."""
        link.close_noise()
        end = self.pacing.now() + START_SECONDS
        answer = None
        while answer is None:
            starts = link.starts_heard
            try:
                answer = link.ask(Request.IDENTIFY, bytes((PROTOCOL_MAJOR, PROTOCOL_MINOR)))
            except NoAnswer:
                if self.pacing.now() > end:
                    raise self._stranger(link) from None
                text = f"Waiting for the box at {self.port_name} to start."
                logger.info(text)
                self._progress(text)
                link.wait_for_start(starts, QUIET_SECONDS)
            except Refused as error:
                if error.reason is Reason.VERSION:
                    raise VersionError(error.detail, PROTOCOL_MAJOR) from None
                raise
            except PortGone as error:
                raise PortBusy(
                    self.port_name,
                    f"{self.port_name} closed the connection before the box identified itself "
                    f"({error}). Another program is probably connected to it; close that one, then "
                    "try again.",
                ) from error
        if answer.body[0] != PROTOCOL_MAJOR:
            raise VersionError(answer.body[0], PROTOCOL_MAJOR)
        self.identity = Identity.parse(answer.body)
        self._least_width = self.identity.least_width_us
        self._longest_width = self.identity.longest_width_us
        link.begin(self.identity)
        for _ in range(_CLOCK_ROUNDS):
            link.ask(Request.CLOCK)
        settings = link.ask(Request.SETTINGS_READ)  # so that the log can tell every pulse's width
        if settings.body[0] == Origin.OTHER_VERSION:
            text = (
                "The box started with factory values: its stored settings are of another version "
                "of the firmware. Write the settings again and store them."
            )
            logger.warning(text)
            self._progress(text)

    def _stranger(self, link: Link) -> NotABox:
        what = (
            f"{link.broken_frames} unknown messages were received"
            if link.broken_frames
            else "no bytes were received"
        )
        return NotABox(
            self.port_name,
            f"{self.port_name} was opened, but there is no box behind it: {what} in "
            f"{START_SECONDS:g} s. Only an 8-byte identity request was sent, a few times. Check "
            "the name of the port; if it is correct, load the firmware again. (A Nano with its "
            "byte-input jumper on takes plain bytes: remove the jumper and restart it.)",
        )

    def close(self) -> None:
        """Waits for open markers (a second at most), then closes the port. Markers ahead that wait
        for their time are taken back: `wait()` first if they are wanted. May be called twice.

        A code that `set` holds stays on the lines, unless a hold limit is set. Raises
        MarkerLogIncomplete if a log that `open` began lacks records.
        """
        link = self._link
        try:
            if link is not None:
                link.close()
                self._link = None
        finally:
            log, self.own_log = self.own_log, None
            if log is not None:
                log.close()

    @property
    def link(self) -> Link:
        """The conversation with the box, for tools that need more than this class offers."""
        if self._link is None:
            raise self._closed()
        return self._link

    def _closed(self) -> PortError:
        return PortError(self.port_name, "This box was closed; nothing was sent. Open it again.")

    def __enter__(self) -> Box:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Closes. Raises PortGone if the connection broke and no call has raised that yet."""
        link = self._link
        try:
            self.close()
        except TallymarkError as incomplete:
            if error is None:
                raise
            logger.error("%s", incomplete)  # it does not hide what went wrong before
        if link and link.failure and not link.failure_reported and error is None:
            raise link.failure

    def __repr__(self) -> str:
        if self._link is None:
            return f"<Box {self.port_name} closed>"
        return f"<Box {self.port_name} {self.identity.board} {self.identity.serial}>"
