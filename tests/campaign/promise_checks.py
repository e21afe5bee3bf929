"""What was asked for, what was on the lines, what the host believes; and the promises that join
the three. Each `Broken` names the promise in PROMISES.md."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from ahead_checks import TO_COME, Ahead, check_done_ahead
from box_model import Byte, Law, Run
from clocks import HostClock
from log_records import Records, account
from promise_errors import Broken

from tallymark import Box, Outcome
from tallymark.box.link.marker import Marker
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.markerlog import LogData, LoggedMarker, MarkerLogError, read

STARTS = frozenset((Request.SEQUENCE_START, Request.SEQUENCE_START_AT))
ROUNDING_S = 1.1e-6
"""Times in a log are whole microseconds, and so are their bounds."""


@dataclass(eq=False)
class Asked:
    """One marker request that a host wrote to its port."""

    session: Session
    write: int
    kind: int
    tag: int
    wire: bytes
    number: int | None
    """In the log; None for a sequence, or without a log."""
    arrived: int = 0
    marker: Marker | None = None
    runs: list[Run] = field(default_factory=list)
    settled: Outcome | None = None
    ahead: Ahead | None = None
    """Of a marker that was given ahead."""
    steps: list[tuple[int, int]] = field(default_factory=list)
    """Of a sequence that was started: codes and microseconds, as often as they are played."""
    plays: list[tuple[int, int]] = field(default_factory=list)
    """The same of one whose start was sent, whatever became of it."""

    @property
    def code(self) -> int:
        return 0 if self.kind in STARTS else self.marker.code if self.marker else -1


@dataclass(eq=False)
class Session:
    """One host program, from its opening of the port to its end."""

    name: int
    log_path: Path
    logged: bool = False
    asked: list[Asked] = field(default_factory=list)
    open: list[Asked] = field(default_factory=list)
    bytes_heard: list[Byte] = field(default_factory=list)
    handed: list[bytes] | None = field(default_factory=list)
    """Records that its log was given; None: nobody keeps them."""
    log_told: int = 0
    """How often the log said that it can't be written, or can again."""
    log_fails: bool = False
    """What it said last was that it can't be written."""
    lost_at_close: int = 0
    disk_failed: bool = False
    killed: bool = False
    start: int = 0
    """Which start of the box the host has heard of."""
    start_unheard: bool = False
    """It has heard a message of that start, but no notice since."""
    last_notice: int | None = None
    counters_read: bool = False
    notices_missing: int = 0
    """Notices that the link has lost, as far as a later one shows it."""


class Ledger:
    """The books of one world."""

    def __init__(self, clock: HostClock, count: Callable[[str], None]) -> None:
        self.clock = clock
        self.count = count
        self.by_wire: dict[bytes, list[Asked]] = {}
        self.stray_runs = 0

    # What happens ------------------------------------------------------------------------------

    def wrote(self, asked: Asked) -> None:
        """A host has written a marker request."""
        number = asked.number
        if number is not None and any(each.number == number for each in asked.session.asked):
            raise Broken("at-most-once", f"marker {number} was handed to the port twice")
        asked.session.asked.append(asked)
        asked.session.open.append(asked)
        self.by_wire.setdefault(asked.wire, []).append(asked)
        self.count("markers sent")

    def find(self, wire: bytes, label: int) -> Asked | None:
        """Whose request a good frame is that the box has got."""
        for asked in reversed(self.by_wire.get(wire, [])):
            if asked.write <= label:
                asked.arrived += 1
                return asked
        return None

    def went_out(self, run: Run) -> None:
        """A marker of a host, or a byte, is on the lines."""
        asked: Asked | None = run.asked
        if asked is None:
            return
        self.count("markers on the lines")
        asked.runs.append(run)
        if len(asked.runs) > 1:
            raise Broken("at-most-once", f"marker {asked.number} (tag {asked.tag}) went out twice")
        if asked.settled is Outcome.REFUSED:
            raise Broken(
                "refused-is-true", f"marker {asked.number} went out after it was told as refused"
            )
        if asked.settled is Outcome.DONE:
            raise Broken("confirmed-is-true", f"marker {asked.number} went out after it was done")

    # What the host believes ----------------------------------------------------------------------

    def check(self, session: Session, box: Box | None) -> None:
        """After every step: what has been told since must be true."""
        still_open = []
        for asked in session.open:
            marker = asked.marker
            if marker is None or marker.outcome in TO_COME:
                still_open.append(asked)
                continue
            asked.settled = marker.outcome
            self.count(f"told: {marker.outcome.value}")
            if marker.outcome is Outcome.DONE:
                self._check_done(asked, marker, session, box)
            elif marker.outcome is Outcome.REFUSED and asked.runs:
                raise Broken("refused-is-true", f"{marker} was on the lines")
        session.open = still_open

    def _check_done(self, asked: Asked, marker: Marker, session: Session, box: Box | None) -> None:
        if len(asked.runs) != 1:
            raise Broken("confirmed-is-true", f"{marker} was on the lines {len(asked.runs)} times")
        run = asked.runs[0]
        if marker.box_time_us != run.box_us:
            raise Broken("confirmed-is-true", f"{marker} was on the lines at {run.box_us} µs")
        if asked.kind == Request.SEQUENCE_START:
            return
        if marker.code != run.code:
            raise Broken("confirmed-is-true", f"{marker} was on the lines as {run.code}")
        if marker.width_us is not None and marker.width_us != run.width_us:
            raise Broken("confirmed-is-true", f"{marker} had {run.width_us} µs")
        if box is not None and run.start == session.start and len(box.clock):
            told = box.to_host_time(run.box_us)
            self._check_time(told.seconds, told.bound_s, run.life_us, repr(marker))
        if asked.ahead is not None:
            check_done_ahead(asked.ahead, marker, run, self.clock, self.count)

    def _check_time(self, seconds: float, bound_s: float, life_us: int, what: str) -> None:
        off = abs(self.clock.at(life_us) - seconds)
        self.count("host times checked")
        if off > bound_s + ROUNDING_S:
            raise Broken(
                "time-in-bound", f"{what}: {off * 1e6:.1f} µs off, {bound_s * 1e6:.1f} µs stated"
            )

    def check_notices(self, session: Session, told: int) -> None:
        """What the link has lost of the box's notices, the library has told; more than later ones
        show where it has read the box's counters."""
        lost = session.notices_missing
        if told < lost or (told and not lost and not session.counters_read):
            raise Broken("bytes-reported", f"{lost} notices were lost, {told} are told as lost")

    # The end of a session ------------------------------------------------------------------------

    def check_end(self, session: Session) -> None:
        """A host has ended, in good order or killed: nothing is open, and its log tells all."""
        if not session.killed:
            for asked in session.asked:
                if asked.marker is not None and asked.marker.outcome in TO_COME:
                    raise Broken("nothing-stays-open", f"{asked.marker} after the end")
        if not session.logged:
            return
        try:
            data = read(session.log_path)
        except MarkerLogError as error:
            raise Broken("log-readable", str(error)) from error
        self.count("logs read back")
        if session.handed is not None:
            records = account(session.log_path.read_bytes(), session.handed)
            self._check_loss(session, data, records)
            self._check_entries(session, data, records)
        self._check_bytes(session, data)

    def _check_loss(self, session: Session, data: LogData, records: Records) -> None:
        """Every record is in the file, or counted there, or told at the end."""
        if data.bad_lines != records.torn or data.torn != records.tail:
            where = "log-loss-reported" if len(data.bad_lines) < len(records.torn) else (
                "log-readable"
            )
            raise Broken(where, f"{data.bad_lines} can't be read, {records.torn} were cut")
        if sum(lost.count for lost in data.lost) != records.told:
            raise Broken("log-loss-reported", f"{records.told} records lost, read as {data.lost}")
        self.count_many("log records lost and told", records.told)
        if session.killed:
            if records.rest > 1 and not session.log_fails:
                raise Broken("log-complete", f"the last {records.rest} records are nowhere")
        else:
            lost = records.told + records.rest + (not records.ended)
            if lost != session.lost_at_close:
                raise Broken(
                    "log-loss-reported", f"{lost} records lost, {session.lost_at_close} told at end"
                )
            if lost and not (session.log_told or records.rest + records.told == 0):
                raise Broken("log-loss-reported", "records were lost, and nothing was told then")
        if (records.told or data.torn or data.bad_lines or not data.ended) and not data.notes():
            raise Broken("log-loss-reported", "the log is damaged, and its notes don't say so")

    def _check_entries(self, session: Session, data: LogData, records: Records) -> None:
        states = _states(records)
        entries = {each.number: each for each in data.markers if each.source == "host"}
        starts: dict[int, int] = {}
        for asked in session.asked:
            if asked.number is None:
                continue
            entry = entries.get(asked.number)
            sent, end = states.get(asked.number, ("missing", "missing"))
            if sent in ("lost", "missing"):
                if sent == "missing" and session.killed and not session.log_fails:
                    raise Broken("log-complete", f"marker {asked.number} was sent without a record")
                self.count("markers that a full disk kept from the log")
                continue
            if entry is None:
                raise Broken("log-complete", f"marker {asked.number} is not in the log")
            self._check_entry(asked, entry, end, session)
            self.count("markers in logs")
            if entry.fate == "done" and asked.runs:
                start = starts.setdefault(entry.part, asked.runs[0].start)
                if start != asked.runs[0].start:
                    raise Broken("log-true", f"part {entry.part} holds two runs of the box")

    def _check_entry(self, asked: Asked, entry: LoggedMarker, end: str, session: Session) -> None:
        marker, run = asked.marker, asked.runs[0] if asked.runs else None
        if entry.fate == "refused" and run is not None:
            raise Broken("log-true", f"marker {asked.number} is refused in the log, and went out")
        if entry.fate == "done":
            if run is None:
                raise Broken("log-true", f"marker {asked.number} never went out")
            if (entry.box_us, entry.code) != (run.box_us, run.code):
                raise Broken("log-true", f"{entry}, not {run}")
            if entry.width_us is not None and entry.width_us != run.width_us:
                raise Broken("log-true", f"width {entry.width_us} in the log, {run.width_us} out")
            assert entry.host_us is not None
            assert entry.error_us is not None
            what = f"marker {asked.number} in the log"
            self._check_time(entry.host_us * 1e-6, entry.error_us * 1e-6, run.life_us, what)
        elif (
            end != "whole"
            and (marker is None or marker.outcome is not Outcome.OPEN)
            and not (session.killed or session.disk_failed)
        ):
            raise Broken("log-complete", f"how marker {asked.number} ended is not in the log")

    def _check_bytes(self, session: Session, data: LogData) -> None:
        logged = [each for each in data.markers if each.source == "byte"]
        heard = session.bytes_heard
        if session.disk_failed:
            return
        if session.killed:
            heard = heard[: len(logged)]
        if len(logged) != len(heard):
            counts = f"{len(heard)} bytes were told, {len(logged)} are logged"
            raise Broken("bytes-reported", counts)
        for entry, byte in zip(logged, heard, strict=True):
            refused = byte.reason != 0
            if (entry.code, entry.box_us, entry.fate == "refused") != (
                byte.code, byte.box_us, refused
            ):
                raise Broken("bytes-reported", f"{entry}, not {byte}")
            if entry.host_us is not None and entry.error_us is not None:
                what = f"byte {byte.code} in the log"
                self._check_time(entry.host_us * 1e-6, entry.error_us * 1e-6, byte.life_us, what)
        self.count_many("bytes in logs", len(logged))

    def count_many(self, name: str, times: int) -> None:
        """Counts an event several times."""
        for _ in range(times):
            self.count(name)


def _states(records: Records) -> dict[int, tuple[str, str]]:
    """Whether the `sent` record of each number, and the one on its end, are in the log."""
    sent: dict[int, str] = {}
    end: dict[int, str] = {}
    for number, value in enumerate(records.values):
        rest = number >= len(records.values) - records.rest
        state = "whole" if number in records.whole else "missing" if rest else "lost"
        if "sent" in value:
            sent[value["sent"]] = state
            end.pop(value["sent"], None)
        for key in ("done", "refused", "unconfirmed"):
            if next(iter(value)) == key:
                end[value[key]] = state
    return {number: (state, end.get(number, "missing")) for number, state in sent.items()}


class LineLaw:
    """The law of the lines, read off the lines alone and the settings in force: only lines in use
    move, the gap is kept, and the strobe keeps its lead behind a code's edge.

    strobe_began: whether the last change was the strobe's to active.
    """

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """The box starts: its lines are idle."""
        self._code = 0
        self._strobe = 0
        self.strobe_began = False
        self._since = 0
        self._idle_since: int | None = None

    def moved(self, at_us: int, levels: int, law: Law) -> None:
        """The lines took other levels."""
        code = levels ^ (0xFF if law.idle else 0)
        if code & ~law.lines:
            raise Broken("lines-lawful", f"levels {levels:#04x} move lines that are not in use")
        strobe, code = code & law.strobe, code & ~law.strobe
        behind = at_us - self._since if code == self._code else 0
        if strobe and not self._strobe and behind < law.lead_us:
            raise Broken("lines-lawful", f"the strobe {behind} µs behind code {self._code}")
        self.strobe_began = bool(strobe and not self._strobe)
        self._strobe = strobe
        if code == self._code:
            return
        self._since = at_us
        if code and not law.in_sequence and law.gap_us:
            if self._code:
                raise Broken("lines-lawful", f"code {self._code} to {code} without a gap")
            if self._idle_since is not None and at_us - self._idle_since < law.gap_us:
                idle = at_us - self._idle_since
                raise Broken("lines-lawful", f"a gap of {idle} µs, not {law.gap_us}")
        if self._code and not code:
            self._idle_since = at_us
        self._code = code
