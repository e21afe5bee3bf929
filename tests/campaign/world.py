"""The whole world that one seed drives: host programs with the real library, a link with faults,
the real core on a board that is stepped, a disk, clocks."""

from __future__ import annotations

import contextlib
import heapq
import itertools
import json
import logging
import tempfile
import threading
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from hashlib import blake2b
from pathlib import Path
from threading import current_thread
from types import TracebackType
from typing import Any

from box_model import BoxModel, Byte, Run
from clocks import HostClock
from faulty_disk import Disk, Record
from faulty_link import Piece, Port, Way
from promise_checks import STARTS, Asked, Ledger, LineLaw, Session
from promise_errors import Broken, Killed
from sequence_law import SequenceLaw

import tallymark.box.link.link as link
import tallymark.markerlog as markerlog
import tallymark.markerlog.record_file as record_file
from tallymark import Box, Settings
from tallymark.box.wire import frames, layouts
from tallymark.box.wire.protocol_enumerations import (
    FIRST_NOTICE,
    IN_SESSION,
    MARKER_REQUESTS,
    Answer,
    Cause,
    Notice,
    SequencePhase,
)
from tallymark.common.errors import TallymarkError
from tallymark.virtual import VirtualBox

TICK_US = 100_001
"""How often the reader looks up while nothing comes, as on a real port."""
MOST_EVENTS = 400_000
"""In one step; more of them mean that it would never end."""


class World:
    """Time is `life_us` of the box's board. A context manager: the library's own disk comes back
    at the end."""

    def __init__(
        self, ppm: float = 0.0, latencies_us: tuple[int, int] = (300, 300), device: Any = None
    ) -> None:
        self.counts: Counter[str] = Counter()
        self.clock = HostClock(ppm)
        self.base_ppm = ppm
        self.ledger = Ledger(self.clock, self.count)
        self.device = VirtualBox() if device is None else device
        self.order = 0
        self.killed: Port | None = None
        self.session: Session | None = None
        self.box: Box | None = None
        self._port: Port | None = None
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._hash = blake2b(digest_size=16)
        self._folder = tempfile.TemporaryDirectory(prefix="campaign")
        self._sessions = itertools.count(1)
        self._session_numbers = itertools.count(1)
        self._writes = 0
        self._kill_after: tuple[int, int] | None = None
        self._last_sent: int | None = None
        self._tick_at = TICK_US
        self.to_box = Way(self, self._at_box, latencies_us[0])
        self.to_host = Way(self, self._at_host, latencies_us[1])
        self.disk = Disk(self._disk_killed_within, self._disk_told)
        self._arrived = frames.Decoder()
        self._starts_told = 0
        self._loses_start = False
        self._said_decoder = frames.Decoder()
        self._bytes: list[Byte] = []
        self._law = LineLaw()
        self._sequences = SequenceLaw(self.count)
        self.steps_loaded: list[tuple[int, int]] = []
        self.model = BoxModel(self._went_out, self._bytes.append)
        if device is None:
            self._model_starts(Cause.POWER)
        self._problems = _Problems()

    # Tools -------------------------------------------------------------------------------------

    @property
    def life_us(self) -> int:
        """The world's time."""
        return self.device.life_us

    @property
    def hash(self) -> str:
        """Of everything that has happened."""
        return self._hash.hexdigest()

    def count(self, name: str) -> None:
        """Counts an event for the table."""
        self.counts[name] += 1

    def trace(self, *what: object) -> None:
        """Something happened."""
        self._hash.update(repr((self.device.life_us, *what)).encode())

    def at(self, life_us: int, action: Callable[[], None]) -> None:
        """Something will happen then."""
        self.order += 1
        heapq.heappush(self._events, (life_us, self.order, action))

    def __enter__(self) -> World:
        record_file.os = self.disk  # type: ignore[attr-defined]
        self._random, link.session_number = link.session_number, self._next_session
        self._hook, threading.excepthook = threading.excepthook, _excepthook
        self._problems.begin()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._port is not None:
            self.killed = self._port
            self._port.free_reader()
        self._problems.end()
        threading.excepthook = self._hook
        link.session_number = self._random
        record_file.os = __import__("os")  # type: ignore[attr-defined]
        self._folder.cleanup()

    def _next_session(self) -> int:
        """In place of a random number, so that the same seed gives the same world."""
        return next(self._session_numbers)

    # Time --------------------------------------------------------------------------------------

    def go_on(self, end: int | None, done: Callable[[], bool] | None = None) -> bool:
        """Lets everything happen until `done()` or until then. Returns what `done()` said last."""
        for _ in range(MOST_EVENTS):
            self._let_reader_work()
            if done is not None and done():
                return True
            if end is not None and self.life_us >= end:
                return False
            upcoming = [at for at in (self.device.next_us(), end) if at is not None]
            if self._events:
                upcoming.append(self._events[0][0])
            if not upcoming:
                raise Broken("no-stuck-library", "it waits for something that will never happen")
            if self._port is not None:
                upcoming.append(self._tick_at)
            self._step(max(self.life_us, min(upcoming)))
        raise Broken("no-stuck-library", "one step goes on for ever")

    def _step(self, life_us: int) -> None:
        if life_us > self.life_us:
            self.device.advance(life_us)
            self.model.advance(life_us - self.model.born_us)
            self._compare()
        self._happen()

    def _happen(self) -> None:
        while self._events and self._events[0][0] <= self.life_us:
            heapq.heappop(self._events)[2]()

    def _let_reader_work(self) -> None:
        port = self._port
        if port is None:
            return
        if self.life_us >= self._tick_at:
            # Rarer the longer nothing happens, so that a day of silence is no day of looks.
            pause = 1 << min(24, self._ticks)
            self._ticks += 1
            self._tick_at = self.life_us + TICK_US * pause
            port.turn()
        while port.has_bytes():
            self._ticks = 0
            self._tick_at = self.life_us + TICK_US
            port.turn()

    _ticks = 0
    _code = 0

    # The box -----------------------------------------------------------------------------------

    def _model_starts(self, cause: Cause) -> None:
        self.model.start_again(cause, self.life_us)
        self._new_run()

    def _new_run(self) -> None:
        self._arrived = frames.Decoder()

    def is_in_session(self) -> bool:
        """Whether the box and the program, if there is one, have their session."""
        box = self.box
        return self.model.session != 0 and (box is None or box.link._exchange.session_in_force)

    def restart_box(self, cause: Cause = Cause.POWER, heard: bool = True) -> None:
        """The box loses its power for a moment. heard: its notice of the start is not lost."""
        self.trace("restart", int(cause), heard)
        self.count("restarts of the box")
        self._compare()
        self._loses_start = not heard
        self.device.start(cause)
        self._model_starts(cause)
        self._compare()

    def byte(self, byte: int) -> None:
        """A byte comes in on the byte input."""
        self.count("bytes in")
        self.trace("byte", byte)
        self.device.byte_input(bytes((byte,)))
        self.model.arriving = None
        self.model.byte(byte)
        self._compare()

    def _at_box(self, piece: Piece) -> None:
        self.trace("at box", piece.data, piece.label)
        data = piece.data
        while data:
            at = data.find(0) + 1 or len(data)
            part, data = data[:at], data[at:]
            self.device.receive(part)
            for kind, tag, body in self._arrived.feed(part):
                self._model_takes(kind, tag, body, piece.label)
            self._compare()

    def _model_takes(self, kind: int, tag: int, body: bytes, label: int) -> None:
        self.model.counters["frames_broken"] = self._arrived.broken
        fields: dict[str, Any] = {}
        layout = layouts.REQUESTS.get(kind)  # type: ignore[call-overload]
        if layout is not None and len(body) == layout.sizeof():
            fields = {key: value for key, value in layout.parse(body).items() if key != "_io"}
        self.model.arriving = asked = self.ledger.find(frames.frame(kind, tag, body), label)
        if kind in MARKER_REQUESTS and asked is None:
            self.count("not promised: damage that fits its CRC")
        starts = self.model.starts
        self.count("requests at the box")
        self.model.request(kind, tag, len(body), fields)
        self.model.arriving = None
        if self.model.starts != starts:
            self.trace("restart asked")
            self.count("restarts of the box")
            self._new_run()

    def _went_out(self, run: Run) -> None:
        self.trace("out", run.start, run.box_us, run.code, run.width_us)
        if run.asked is None:
            self.count("bytes on the lines")
        elif run.asked.kind in STARTS:
            self._sequences.begins(run.asked.wire, run.box_us, run.asked.plays)
        self.ledger.went_out(run)

    def _compare(self) -> None:
        """The core against the model: the same on the lines, the same words."""
        moved, laws = self.model.edges, self.model.laws
        edges = [(edge.time_us, edge.levels) for edge in self.device.edges()]
        if edges != moved:
            raise Broken("lines-lawful", f"the lines did {edges}, not {moved}")
        for (at_us, levels), law in zip(edges, laws, strict=True):
            self.trace("edge", at_us, levels)
            if law.start:
                self._law.restart()
                self._sequences.restart()
                self._code = 0
                continue
            code = (levels ^ (0xFF if law.idle else 0)) & ~law.strobe
            if code != self._code:
                self._sequences.moved(at_us, code)
            self._code = code
            self._law.moved(at_us, levels, law)
            self.counts["strobes"] += self._law.strobe_began
        sequence = self.model.sequence
        stopped = sequence["state"] == SequencePhase.STOPPED
        self._sequences.look(
            self.model.now, self.model.playing is not None, sequence["ended"] if stopped else None
        )
        self.counts["changes of the lines"] += len(edges)
        self.model.edges, self.model.laws = [], []
        sent = self.device.take()
        if not sent and not self.model.said:
            return
        said, self.model.said = self.model.said, []
        pieces = [wire + b"\0" for wire in sent.split(b"\0")[:-1]]
        told = [_parsed(frames.unpack(wire[:-1])) for wire in pieces]
        if told != said:
            raise Broken("box-answers-true", f"the box said {told}, not {said}")
        self.counts["messages of the box"] += len(told)
        for wire, (kind, _, _) in zip(pieces, told, strict=True):
            self._starts_told += kind == Notice.STARTED
            if kind == Notice.STARTED and self._loses_start:
                self._loses_start = False
                self.count("fault: a start unheard")
                continue
            self.to_host.send(wire, self._starts_told, whole=kind == Notice.STARTED)

    # The host ----------------------------------------------------------------------------------

    def _at_host(self, piece: Piece) -> None:
        if self._port is not None:
            self.trace("at host", piece.data)
            self._port.arrive(piece)

    def open(self) -> Box:
        """A host program begins: it opens the box and keeps a log."""
        name = next(self._sessions)
        self.count("host programs")
        self.trace("open", name)
        self.killed = None
        session = Session(name, Path(self._folder.name) / f"{name}.jsonl")
        self._said_decoder = frames.Decoder()
        port = Port(self)
        self.session, self._port = session, port
        self._last_sent = None
        self._ticks, self._tick_at = 0, self.life_us + TICK_US
        self.to_host.lose_all()  # the system drops what nobody has read before the port was opened
        self.box = Box(port)
        self.box_link = self.box.link
        log = markerlog.MarkerLog.for_box(session.log_path, self.box)
        session.logged = True
        self.log = log
        self._follow(log, session)
        self._hear()
        session.bytes_heard.clear()  # these came before there was a log
        return self.box

    def _follow(self, log: markerlog.MarkerLog, session: Session) -> None:
        """Keeps what the log is given, and counts what it says."""
        write = log._write

        def handed(line: bytes) -> None:
            if line.startswith(b'{"sent":'):
                self._last_sent = json.loads(line)["sent"]
            if session.handed is not None:
                session.handed.append(line)
            write(line)

        def tell(text: str) -> None:
            session.log_told += 1
            session.log_fails = "can't be written" in text
            self.count("told: the log can't be written, or can again")

        log._write = handed  # type: ignore[method-assign]
        log.tell = tell

    def close(self) -> None:
        """The host program ends in good order."""
        box, session = self.box, self.session
        if session is None:
            return
        try:
            if box is not None:
                box.close()
            if session.logged:
                try:
                    self.log.close()
                except markerlog.MarkerLogIncomplete as error:
                    session.lost_at_close = error.lost
                    self.count("told: the log is incomplete")
        except Killed:
            self.host_died()
            return
        self._over(session)

    def host_died(self) -> None:
        """The host program was killed: nothing of it is left but its log."""
        session, port = self.session, self._port
        assert session is not None
        assert port is not None
        self.killed = port
        self.count("host programs killed")
        session.killed = True
        port.free_reader()
        self._over(session)

    def _over(self, session: Session) -> None:
        self.trace("over", session.killed)
        if self._port is not None:
            if not session.killed:
                self._port.free_reader()
            self._hear()
        if session.logged and session.killed:
            with contextlib.suppress(OSError):  # it may have been closed on the way down
                self.disk.close(self.log._descriptor)
        if not session.killed:
            self.ledger.check(session, None)
            if self.box is not None and session.logged:
                self.ledger.check_notices(session, self.box_link.notices_lost)
        self.session = self.box = self._port = None
        self._kill_after = None
        self.disk.faults.clear()
        self.ledger.check_end(session)

    def host_wrote(self, port: Port, data: bytes, whole: bytes) -> None:
        """A port was given a request, of which `data` is handed on."""
        self._writes += 1
        self.trace("write", self._writes, data)
        message = frames.unpack(whole[:-1])
        if message is not None and message[0] in MARKER_REQUESTS and self.session is not None:
            logged = self.session.logged and message[0] not in STARTS
            number = self._last_sent if logged else None
            asked = Asked(self.session, self._writes, message[0], message[1], whole, number)
            asked.plays = self.steps_loaded
            self.ledger.wrote(asked)
        if data:
            self.to_box.send(data, self._writes)

    def kill_after(self, steps: int, share: int) -> None:
        """Kills the host in its so many-th next write to port or disk, after so many of its
        bytes (modulo their number)."""
        self._kill_after = (steps, share)

    def killed_within(self, port: Port, data: bytes) -> int | None:
        """Whether the host is killed in this write, and how much of it is done by then."""
        if self._kill_after is None:
            return None
        steps, share = self._kill_after
        self._kill_after = (steps - 1, share)
        if steps > 0:
            return None
        self.trace("killed", share % (len(data) + 1))
        self._kill_after = None
        self.killed = port
        port.reader_killed()
        return share % (len(data) + 1)

    def _disk_killed_within(self, data: bytes) -> int | None:
        port = self._port
        if port is None:
            return None
        if self.killed is port:
            port.reader_killed()
            raise Killed
        return self.killed_within(port, data)

    def _disk_told(self, record: Record) -> None:
        first = next(iter(record.value))
        if first != "marker_log":
            self.trace("log", record.value, record.state)
        self.count("log records")
        if record.state != "whole":
            self.count(f"log record {record.state}")
            assert self.session is not None
            self.session.disk_failed = True

    def _hear(self) -> None:
        """Follows what the reader has taken: bytes told of, starts of the box."""
        port, session = self._port, self.session
        if port is None or session is None:
            return
        for data, label in port.heard:
            if label < session.start:
                continue
            known = session.last_notice is not None
            session.start_unheard |= known and label != session.start
            session.start = label
            for marked, number, body in self._said_decoder.feed(data):
                kind = marked & ~IN_SESSION
                if kind == Answer.IDENTITY and session.last_notice is None:
                    session.last_notice = layouts.ANSWERS[Answer.IDENTITY].parse(body).last_notice
                session.counters_read |= kind == Answer.COUNTERS
                if kind >= FIRST_NOTICE and not self._is_new(session, kind, number):
                    continue
                if kind == Notice.BYTE_MARKER:
                    fields = layouts.NOTICES[Notice.BYTE_MARKER].parse(body)
                    found = self._byte_of(label, fields.time, fields.byte, fields.reason)
                    session.bytes_heard.append(found)
        port.heard.clear()

    def _is_new(self, session: Session, kind: int, number: int) -> bool:
        """Whether a notice is no repetition; counts those that are missing before it."""
        last = session.last_notice
        unheard, session.start_unheard = session.start_unheard, False
        if last is None:
            return True  # what comes before the identity is ignored
        if kind == Notice.STARTED:
            session.last_notice = number
        else:
            last = 1 if unheard else last  # the number of the start
            session.last_notice = number
            missing = (number - last - 1) % 255
            if number == last and not unheard:
                return False
            session.notices_missing += missing
            self.counts["notices lost on the link"] += missing
        return True

    def _byte_of(self, start: int, time: int, code: int, reason: int) -> Byte:
        for each in self._bytes:
            if (each.start, each.box_us, each.code, each.reason) == (start, time, code, reason):
                return each
        raise Broken("box-answers-true", f"a byte {code} at {time} µs that never came")

    def check(self) -> None:
        """After every step."""
        self._hear()
        if self.session is not None and self.box is not None:
            self.ledger.check(self.session, self.box)
        if self._problems.found:
            raise Broken("no-stuck-library", self._problems.found[0])

    def attach(self, marker: Any) -> None:
        """What the library gave for the marker that was written last."""
        assert self.session is not None
        asked = self.session.asked[-1]
        if asked.tag != marker.tag:
            raise Broken("at-most-once", f"{marker} was not what was written last")
        asked.marker = marker

    def drift_to(self, ppm: float) -> None:
        """The rate between the clocks wanders."""
        self.trace("drift", ppm)
        self.clock.turn(self.life_us, self.base_ppm + ppm)

    def settings(self, **changes: Any) -> None:
        """Puts settings in force."""
        assert self.box is not None
        self.box.settings.write(replace(Settings(), **changes))


def _parsed(frame: frames.Frame | None) -> tuple[int, int, dict[str, Any]]:
    """A frame from the box as the model writes it."""
    if frame is None:
        raise Broken("box-answers-true", "the box sent a broken frame")
    kind, tag, body = frame
    known = kind & ~IN_SESSION
    notice = kind >= FIRST_NOTICE
    layout = layouts.NOTICES[Notice(known)] if notice else layouts.ANSWERS[Answer(known)]
    return kind, tag, _plain(layout.parse(body))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(each) for name, each in value.items() if name != "_io"}
    return [_plain(each) for each in value] if isinstance(value, list) else value


class _Problems(logging.Handler):
    """Faults of ours that the library keeps from its callers and only logs."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.found: list[str] = []

    def begin(self) -> None:
        logger = logging.getLogger("tallymark")
        self._propagate, logger.propagate = logger.propagate, False
        logger.addHandler(self)

    def end(self) -> None:
        logger = logging.getLogger("tallymark")
        logger.propagate = self._propagate
        logger.removeHandler(self)

    def emit(self, record: logging.LogRecord) -> None:
        error = record.exc_info[1] if record.exc_info else None
        if not isinstance(error, TallymarkError | Killed):
            self.found.append(f"{record.getMessage()} {error!r} ({current_thread().name})")


def _excepthook(args: threading.ExceptHookArgs) -> None:
    if args.exc_type is not Killed:
        threading.__excepthook__(args)
