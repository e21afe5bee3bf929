"""Every byte and what became of it: into the marker log, and to the screen in the order in which
the bytes came."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from threading import Condition, RLock

from tallymark.box.box import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.protocol_enumerations import Reason
from tallymark.bridge.byte_port import MessageSink
from tallymark.common.signature import Form
from tallymark.markerlog import LoggedMarker, MarkerLog, MarkerLogIncomplete, host_time_us

LATE_US = 1_000
"""A shorter wait is not reported: it is one sample of a recording at 1,000 Hz, and one frame
of full-speed USB, which a box's cable may take by itself."""

_SETTLE_S = 10.0  # the sending thread has nowhere to send to: it only refuses the rest

SentByte = tuple[int, int | None, str | None, int, bool | None, int]
"""Code, width, name, host time, whether it stays, and how long it may have waited; times in µs."""


class ByteOutcomes:
    """A marker log (see `event_dispatch.Log`) that also counts, and shows each byte once its fate
    is known. Thread-safe. What the log says when it can't be written goes to the screen.

    show: called in the order of the bytes, by one thread at a time. now_us: the clock of host times
    in microseconds.

    One thread sends and refuses. It sets `waiting_since_us` before it sends bytes, host time since
    when they may have been waiting, and calls `settle` afterwards. None stands for a marker that no
    byte asked for, which is logged, but neither counted nor shown. The box's answers come from
    another thread. On a byte's way to the box, which is `sent`, no lock is taken and little is
    done, since all that makes it late.
    """

    def __init__(
        self,
        log: MarkerLog | None,
        show: Callable[[LoggedMarker], None],
        say: MessageSink,
        now_us: Callable[[], int] = host_time_us,
    ) -> None:
        self._log: MarkerLog | None = None
        self._show = show
        self._say = say
        self._now_us = now_us
        self._lock = RLock()  # what is said of the log may be for the log
        self._settled = Condition(self._lock)
        # In their order: numbers of markers, bytes that never got as far, and what is to be said.
        self._queue: deque[int | LoggedMarker | Callable[[], None]] = deque()
        self._open: dict[int, SentByte] = {}
        self._closed: dict[int, LoggedMarker] = {}
        self._unsettled = 0  # number of the first marker since the last `settle`; 0: none
        self.waiting_since_us: int | None = None
        self.bytes = 0
        self.fates: Counter[str] = Counter()
        self.reasons: Counter[str] = Counter()
        self.cut_short = 0
        """Pulses that ended before their width, because the next code came."""
        self.merged = 0
        """Codes that came while the same code was on the lines: a receiver sees one marker."""
        self._held = 0  # the code that a `set` put on the lines
        self.log_failed = False
        self._input_reported = False
        if log is not None:
            self.begin(log)

    @property
    def log(self) -> MarkerLog | None:
        """The marker log, if there is one."""
        return self._log

    @property
    def is_good(self) -> bool:
        """Whether every byte became a marker of its own that the box confirmed, as far as bytes
        are markers at all, as wide as it should be, and all is in the log."""
        refused = self.fates["refused"] - self.reasons[Reason.NO_MARKER.label]
        changed = self.cut_short or self.merged
        return not (
            refused or changed or self.fates["unconfirmed"] or self._open or self.log_failed
        )

    # The bridge's own -------------------------------------------------------------------------

    def refuse(self, code: int, why: str) -> None:
        """A byte that did not get as far as the box."""
        host_us = self._now_us()
        entry = LoggedMarker(
            -1, code, host_us=host_us, error_us=0, fate="refused", why=why, source="byte"
        )
        with self._lock:  # so that the log is not exchanged meanwhile
            self._write(lambda log: log.byte_marker(entry))
            self.bytes += 1
            self.reasons[why] += 1
            self._queue.append(entry)
            self._show_ready()

    def settle(self, more_us: int) -> None:
        """What was sent since the last call waited for so much longer than `waiting_since_us` says,
        as has turned out now."""
        with self._lock:
            first, self._unsettled = self._unsettled, 0
            self._settled.notify_all()
            if more_us > 0:
                for number in self._queue:
                    if isinstance(number, int) and number >= first:
                        self._add_delay(number, more_us)
            self._show_ready()

    def begin(self, log: MarkerLog) -> None:
        """The log, if it was not there when this was made."""
        log.tell = self._tell
        self._log = log

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        """Says something after the bytes that came before: see `tallymark.bridge.byte_port.Say`."""
        with self._lock:
            self._queue.append(lambda: self._say(text, bad=bad, logged=logged))
            self._show_ready()

    def note(self, text: str) -> None:
        """A sentence on what went wrong, for the log."""
        with self._lock:
            self._write(lambda log: log.note(text))

    def new_part(self, box: Box, settings: Settings) -> None:
        """The box was opened again, with these settings, and its log goes on in a new part. Every
        marker of the old connection has its fate by now; their numbers begin again, so they have to
        be settled."""
        with self._lock:
            self._settled.wait_for(lambda: not self._unsettled, _SETTLE_S)
            self._write(lambda log: log.next_part(box, settings))

    def close(self) -> None:
        """Ends the log, and shows what never got a fate."""
        with self._lock:
            for number in list(self._open):
                self._end(number)
            self._show_ready()
            if self._log is not None:
                try:
                    self._log.close()
                except MarkerLogIncomplete as error:
                    self._tell(str(error))
            self._log = None

    # What the link tells ----------------------------------------------------------------------

    def sent(
        self,
        number: int,
        code: int,
        width_us: int | None = None,
        name: str | None = None,
        host_us: int | None = None,
        stays: bool | None = None,
    ) -> None:
        """See `event_dispatch.Log`."""
        host = self._now_us() if host_us is None else host_us
        log = self._log
        if log is not None:
            log.sent(number, code, width_us, name, host, stays)
        since = self.waiting_since_us
        if since is None:
            return
        waited_us = self._now_us() - since  # not `host`: a busy disk may have held up the log
        self.handed_over(number, (code, width_us, name, host, stays, waited_us))

    def handed_over(self, number: int, sent: SentByte) -> None:
        """A byte became a marker that is in the log, and at the port or about to be. With what was
        sent by `FirstByteSender`, any thread may call."""
        waited_us = sent[-1]
        if waited_us > LATE_US:
            self._write(lambda log: log.late(number, waited_us))
        self._open[number] = sent
        self._queue.append(number)
        self._unsettled = self._unsettled or number
        self.bytes += 1

    def answered(
        self,
        number: int,
        box_us: int,
        host_us: int,
        error_us: int,
        cut_us: int | None = None,
        delay_us: int | None = None,
        no_edge: bool = False,
    ) -> None:
        """See `event_dispatch.Log`."""
        self._write(
            lambda log: log.answered(
                number, box_us, host_us, error_us, cut_us, delay_us, no_edge
            )
        )
        with self._lock:
            entry = self._end(number)
            if entry is not None:
                entry.fate = "done"
                entry.box_us, entry.host_us, entry.error_us = box_us, host_us, error_us
                entry.cut_us, entry.delay_us = cut_us, delay_us or None
                entry.no_edge = no_edge
                self._count_changed(entry)
                self._show_ready()

    def refused(self, number: int, why: str, cut_us: int | None = None) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.refused(number, why, cut_us))
        with self._lock:
            entry = self._end(number)
            if entry is not None:
                entry.fate, entry.why, entry.cut_us = "refused", why, cut_us
                self.reasons[why] += 1
                self._show_ready()

    def unconfirmed(self, number: int, why: str) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.unconfirmed(number, why))
        with self._lock:
            entry = self._end(number)
            if entry is not None:
                entry.why = why
                self._show_ready()

    def byte_marker(self, entry: LoggedMarker) -> None:
        """A byte on the box's own byte input: another program uses that at the same time. It is
        logged, but neither counted nor shown."""
        if not self._input_reported:
            self._input_reported = True
            self._say(
                "Another program writes to the box's own byte input. Its codes are in the "
                "recording too, and in the log, but not on this screen.",
                bad=True,
            )
        self._write(lambda log: log.byte_marker(entry))

    def scheduled(self, number: int, box_us: int, host_us: int, error_us: int) -> None:
        """See `event_dispatch.Log`: a bridge gives no marker ahead."""

    def hold_ended(
        self, code: int, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """See `event_dispatch.Log`."""
        self._held = 0
        self._write(lambda log: log.hold_ended(code, box_us, host_us, error_us))

    def notices_lost(self, count: int) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.notices_lost(count))

    def probe_edge(
        self, probe: str, on: bool, box_us: int, host_us: int | None, error_us: int | None
    ) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.probe_edge(probe, on, box_us, host_us, error_us))

    def probe_edges_lost(self, count: int) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.probe_edges_lost(count))

    def restarted(self, cause: str) -> None:
        """See `event_dispatch.Log`."""
        self._held = 0
        self._write(lambda log: log.restarted(cause))

    def signature(self, count: int, session: int, form: Form, host_us: int) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.signature(count, session, form, host_us))

    def signed(self, count: int, box_us: int, host_us: int, error_us: int) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.signed(count, box_us, host_us, error_us))

    def signature_cut(self, count: int, pulses: int) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.signature_cut(count, pulses))

    def signature_failed(self, count: int, why: str, *, unknown: bool) -> None:
        """See `event_dispatch.Log`."""
        self._write(lambda log: log.signature_failed(count, why, unknown=unknown))

    # ------------------------------------------------------------------------------------------

    def _end(self, number: int) -> LoggedMarker | None:
        """The story of a marker ends; None for one that no byte asked for. The lock is held."""
        sent = self._open.pop(number, None)
        if sent is None:
            return None
        code, width_us, name, host_us, stays, waited_us = sent
        entry = self._closed[number] = LoggedMarker(
            number, code, width_us, name, host_us, late_us=waited_us, stays=stays
        )
        return entry

    def _count_changed(self, entry: LoggedMarker) -> None:
        """Whether it spoiled the marker before it, or itself. Answers come in the order of edges,
        whatever the order of requests. Byte 0 ends a code on purpose."""
        waited = bool(entry.delay_us)  # the lines were at idle before it
        if entry.code:
            self.cut_short += entry.cut_us is not None
            self.merged += entry.code == self._held and not waited
        self._held = entry.code if entry.stays else 0

    def _add_delay(self, number: int, more_us: int) -> None:
        sent = self._open.get(number)
        if sent is not None:
            waited_us = sent[-1] + more_us
            self._open[number] = (*sent[:-1], waited_us)
        else:
            entry = self._closed[number]
            waited_us = entry.late_us = (entry.late_us or 0) + more_us
        if waited_us > LATE_US:
            self._write(lambda log: log.late(number, waited_us))

    def _show_ready(self) -> None:
        """Shows what has its fate, up to the first that has not. The lock is held."""
        queue, closed = self._queue, self._closed
        while queue:
            first = queue[0]
            if isinstance(first, int):
                if first not in closed or 0 < self._unsettled <= first:
                    return
                entry = closed.pop(first)
                if entry.late_us is not None and entry.late_us <= LATE_US:
                    entry.late_us = None
            elif isinstance(first, LoggedMarker):
                entry = first
            else:
                queue.popleft()
                first()
                continue
            queue.popleft()
            self.fates[entry.fate] += 1
            self._show(entry)

    def _write(self, record: Callable[[MarkerLog], None]) -> None:
        log = self._log
        if log is not None:
            record(log)

    def _tell(self, text: str) -> None:
        """What the log says of itself: it lacks records, or can be written again."""
        self.log_failed = True
        self._say(text, bad=True, logged=True)
