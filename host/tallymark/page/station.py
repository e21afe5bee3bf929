"""`Station`: one box with its byte port, its marker log and its capture, in this process.

Threads: the bridge's two, the link's reader, and one that looks after the capture and the clock.
What a window asks for runs in a thread of the web server and waits for the box there. `collect` is
called by one thread at a time, some thirty times a second, and says what is new.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import threading
from collections import Counter, deque
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tallymark.box.box import Box
from tallymark.box.capture import Capture
from tallymark.box.link.marker import Marker
from tallymark.box.sequence import Sequence
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import (
    AnyNotice,
    Edge,
    HoldEnded,
    SequenceState,
    Started,
)
from tallymark.box.wire.messages import Request
from tallymark.bridge import Bridge, ByteAction, byte_actions
from tallymark.bridge.port_factory import make_byte_port
from tallymark.bridge.same_box import reopener
from tallymark.errors import BadValue, TallymarkError
from tallymark.formatting import time_text
from tallymark.markerlog import MarkerLog
from tallymark.monitor.event_text import EventMessages
from tallymark.page.output_blocks import Block, block_of
from tallymark.page.readback_widths import ReadbackWidths
from tallymark.page.sent_markers import Sent, SentMarkers
from tallymark.page.sequence_run import SequenceRun
from tallymark.plan import Plan

_LOOK_S = 0.05
_CLOCK_S = 1.0
_DISK_S = 2.0
_ANSWER_S = 3.0
_ROWS_KEPT = 1_000
_EDGES_KEPT = 20_000
_MESSAGES_KEPT = 200
TESTING = "a self-test ran"
DISK_LOW = 200_000_000
"""Bytes of free disk below which the page warns; a marker takes some 150 of them in a log."""


class Station:
    """One box and what belongs to it.

    where: which box (`Box.open`). log_path: of the marker log; None: it is kept for the page alone
    and dropped at the end. link, tcp_port: the byte port (`make_byte_port`).

    Raises what `Box.open` and `MarkerLog` raise, and BadValue for a byte port that can't be had.
    """

    def __init__(
        self,
        number: int,
        where: str | None,
        plan: Plan | None,
        *,
        log_path: Path | None = None,
        append: bool = False,
        link: Path | None = None,
        tcp_port: int | None = None,
        progress: Callable[[str], None] | None = None,
    ) -> None:
        self.number = number
        self.plan = plan
        self.log_kept = log_path is not None
        self.messages: deque[dict[str, Any]] = deque(maxlen=_MESSAGES_KEPT)
        self.message_count = 0
        self.rows: deque[dict[str, Any]] = deque(maxlen=_ROWS_KEPT)
        self.row_count = 0
        self.edges: deque[Edge] = deque(maxlen=_EDGES_KEPT)
        self.blocks: deque[Block] = deque(maxlen=_EDGES_KEPT)
        self.epoch = 0
        """Counts beginnings of box time, so that nobody mixes times of two."""
        self.edges_lost = 0
        self.codes: Counter[int] = Counter()
        """How often each code went out, by whomever."""
        self.asked: Counter[int] = Counter()
        """How often each code was sent, what was refused or is unconfirmed included."""
        self.problems: deque[dict[str, Any]] = deque(maxlen=_MESSAGES_KEPT)
        self.problem_count = 0
        self.run: SequenceRun | None = None
        self.testing = ""
        self.free_bytes: int | None = None
        self.box_changes = 0
        """Counts what makes earlier tests of this box worthless: new settings, restarts, and each
        time it was connected again."""
        self._new_rows: list[dict[str, Any]] = []
        self._new_blocks: list[Block] = []
        self._notices: deque[AnyNotice] = deque()
        self._capture: Capture | None = None
        self._captured_box: Box | None = None
        self._recapture = False
        self._alone = threading.Lock()  # one request that drives the lines at a time
        self._cleanup = contextlib.ExitStack()
        with contextlib.ExitStack() as undo:
            box = Box.open(where, progress=progress)
            undo.callback(box.close)
            self.identity = box.identity
            settings = box.settings.read()
            self.sent = SentMarkers(self.say)
            port = make_byte_port(self.sent.say, link, tcp_port)
            undo.callback(port.close)
            self.port_where = port.where
            if log_path is None:
                folder = self._cleanup.enter_context(tempfile.TemporaryDirectory())
                log_path = Path(folder) / "page.log"
            self.log_path = log_path
            self.log = MarkerLog.for_box(log_path, box, plan, append)
            self.sent.begin(self.log)
            self._bridge = Bridge(
                box, reopener(where, box), port, self._byte_actions(settings), self.sent, self
            )
            undo.pop_all()
        self._texts = EventMessages(plan, settings, "settings" if plan is None else "plan")
        self._widths = ReadbackWidths(settings.idle_levels, settings.code_lines)
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._bridge.run, name="page bridge", daemon=True),
            threading.Thread(target=self._look, name="page capture", daemon=True),
        ]
        self._bridge.begin()
        for thread in self._threads:
            thread.start()

    def close(self) -> None:
        """Takes the lines to idle, ends port, log and box."""
        self._stopping.set()
        self._bridge.stop()
        for thread in self._threads:
            thread.join()
        self._bridge.end()
        self._cleanup.close()

    # What the bridge tells (see `BridgeScreen`) ------------------------------------------------

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        """A sentence for every window. From any thread."""
        if bad and not logged and hasattr(self, "log"):
            self.log.note(text)
        self.message_count += 1
        self.messages.append({"id": self.message_count, "text": text, "bad": bad})

    def idle(self, text: str, *, logged: bool = False) -> None:
        """A sentence that says why the lines are at idle now."""
        self.say(text, bad=True, logged=logged)

    def hold_ended(self, notice: HoldEnded, limit_us: int) -> None:
        """The box took a code to idle after its hold limit."""
        self.say(
            f"The box took code {notice.code} to idle: it heard nothing for "
            f"{time_text(limit_us)}, the hold limit.",
            bad=True,
            logged=True,
        )

    # The box ----------------------------------------------------------------------------------

    @property
    def box(self) -> Box:
        """The box. TallymarkError while it is gone."""
        box = self._bridge.box
        if box is None or box.link.failure is not None:
            raise TallymarkError(
                "The box is not connected. Nothing was sent. Plug it in; the page follows by "
                "itself."
            )
        return box

    @property
    def connected(self) -> bool:
        """Whether the box can be used now."""
        box = self._bridge.box
        return box is not None and box.link.failure is None

    @property
    def settings(self) -> Settings:
        """Settings as they were read last."""
        return self._bridge.settings

    def _byte_actions(self, settings: Settings) -> list[ByteAction]:
        return byte_actions(settings.byte_mode, None, self.plan, self.identity)

    @contextlib.contextmanager
    def _driving(self) -> Iterator[Box]:
        """The box, for one request at a time that drives its lines."""
        if not self._alone.acquire(timeout=_ANSWER_S):
            raise BadValue(
                f"Another window uses the lines now{': ' + self.testing if self.testing else ''}. "
                "Nothing was sent. Wait until it has finished."
            )
        try:
            yield self.box
        finally:
            self._alone.release()

    def send(
        self, sender: str, code: int, width_us: int | None, name: str | None, stays: bool = False
    ) -> Marker:
        """Sends one marker and waits for its fate. Raises what `Box.pulse` and `wait` raise."""
        with self._driving() as box, self.sent.sender(sender):
            if stays:
                return box.set(code, name=name).wait(_ANSWER_S)
            return box.pulse(code, width_us, name=name).wait(_ANSWER_S)

    def to_idle(self, sender: str) -> Marker:
        """Stops a sequence, and takes the lines to idle at once, whatever else waits."""
        box = self.box
        run = self.run
        if run is not None and not run.ended:
            run.stopped(SequenceState.parse(box.link.ask(Request.SEQUENCE_STOP).body))
        with self.sent.sender(sender):
            return box.set(0).wait(_ANSWER_S)

    def play(self, sender: str, steps: list[tuple[int, int]], repeats: int) -> None:
        """Loads a sequence and starts it. Its steps are in the list, not in the marker log."""
        with self._driving() as box:
            if self.run is not None and not self.run.ended:
                raise BadValue("A sequence plays already. Nothing was sent. Stop it, or wait.")
            if repeats < 1:
                raise BadValue("Repeats go from 1 on. Nothing was sent.")
            sequence = Sequence(box, steps, repeats)
            started = sequence.start()
            self.run = SequenceRun(sequence, sender, started.box_time_us or 0)

    @contextlib.contextmanager
    def test_run(self) -> Iterator[Box]:
        """The box, with no markers from anybody else: bytes are refused meanwhile, and the capture
        of the page rests. What is sent is not in the log."""
        with self._driving() as box:
            refused = [ByteAction(refused=TESTING)] * 256
            self.testing = "a self-test runs"
            self._bridge.use(refused)
            box.log = None
            try:
                yield box
            finally:
                box.log = self.sent
                self._bridge.use(self._byte_actions(self.settings))
                self._recapture = True
                self.testing = ""

    # Looking after capture and clock ----------------------------------------------------------

    def _look(self) -> None:
        clock_s = disk_s = 0.0
        now = 0.0
        while not self._stopping.wait(_LOOK_S):
            now += _LOOK_S
            box = self._bridge.box
            if now >= disk_s:
                disk_s = now + _DISK_S
                self._look_at_disk()
            if box is None or box.link.failure is not None or self.testing:
                continue
            try:
                if box is not self._captured_box or self._recapture:
                    self._begin_capture(box)
                run = self.run
                if run is not None and not run.ended:
                    run.look()
                elif now >= clock_s and not self.settings.hold_limit_us:
                    # With a hold limit the page asks nothing by itself: a program that has died
                    # would seem to live, and its code would stay on the lines.
                    clock_s = now + _CLOCK_S
                    box.link.ask(Request.CLOCK)
            except TallymarkError:  # the bridge reports a lost box, and looks for it
                continue

    def _begin_capture(self, box: Box) -> None:
        if box is not self._captured_box:
            box.listen(self._notices.append)
            if self._captured_box is not None:
                self.box_changes += 1
            self._begin_box_time()
            self.identity = box.identity
        self._recapture = False
        self._capture = box.capture(send=True)
        self._captured_box = box

    def _begin_box_time(self) -> None:
        self.epoch += 1
        self.edges.clear()
        self.blocks.clear()
        self._widths.clear()

    def _look_at_disk(self) -> None:
        with contextlib.suppress(OSError):
            self.free_bytes = shutil.disk_usage(self.log_path.parent).free

    @property
    def disk_is_low(self) -> bool:
        """Whether the disk of the marker log is almost full."""
        return self.free_bytes is not None and self.free_bytes < DISK_LOW

    # What is new ------------------------------------------------------------------------------

    def box_now_us(self) -> float | None:
        """Box time now, as far as it is known."""
        box = self._bridge.box
        if box is None:
            return None
        try:
            return box.clock.to_box(box.pacing.now())[0]
        except ValueError:
            return None

    def collect(self) -> dict[str, Any]:
        """What is new since the last call. One caller at a time."""
        for notice in _taken(self._notices):
            self._heard(notice)
        edges: list[Edge] = []
        capture = self._capture
        if capture is not None:
            edges = capture.fetch() if not self.testing else []
            self.edges_lost += capture.lost
            capture.lost = 0
        self.edges.extend(edges)
        self._widths.add(edges)
        for sent in _taken(self.sent.news):
            self._add_row(sent)
        if self.run is not None:
            for block in self.run.new_blocks():
                self._add_block(block)
            if row := self.run.ended_row():
                self._append_row(row)
        now = self.box_now_us()
        updates = []
        if now is not None:
            for number, seen in self._widths.judged(now):
                update = {"id": number, "seen_us": seen.width_us, "seen_code": seen.code}
                updates.append(update)
                for row in self.rows:
                    if row["id"] == number:
                        row.update(update)
        rows, self._new_rows = self._new_rows, []
        blocks, self._new_blocks = self._new_blocks, []
        return {
            "now": now,
            "epoch": self.epoch,
            "edges": [[edge.time_us, edge.levels] for edge in edges],
            "blocks": [block.as_data() for block in blocks],
            "rows": rows,
            "updates": updates,
        }

    def _heard(self, notice: AnyNotice) -> None:
        if isinstance(notice, Started):
            self.box_changes += 1
            self._recapture = True
            self._begin_box_time()
            if self.run is not None and not self.run.ended:
                self.run.lost()
        elif isinstance(notice, HoldEnded):
            self._add_block(Block(notice.time_us, None, 0))

    def _add_block(self, block: Block) -> None:
        self.blocks.append(block)
        self._new_blocks.append(block)

    def _add_row(self, sent: Sent) -> None:
        marker = sent.marker
        texts = self._texts
        texts.settings = self.settings
        self._widths.idle_levels = self.settings.idle_levels
        self._widths.lines = self.settings.code_lines
        event = texts.follow(marker)
        remarks = [remark._asdict() for remark in texts.remarks(event)]
        name = texts.name(marker)
        self.row_count += 1
        row = {
            "id": self.row_count,
            "code": marker.code,
            "name": name,
            "sender": sent.sender,
            "fate": marker.fate,
            "box_us": marker.box_us,
            "host_us": marker.host_us if marker.host_us is not None else marker.sent_host_us,
            "error_us": marker.error_us,
            "width_us": marker.width_us,
            "stays": bool(marker.stays),
            "remarks": remarks,
            "since_us": event.since_us,
        }
        self._append_row(row)
        if marker.code:
            self.asked[marker.code] += 1
            if marker.fate == "done":
                self.codes[marker.code] += 1
        for remark in remarks:
            if remark["severity"] == "bad":
                self.problem_count += 1
                self.problems.append({"id": self.row_count, "code": marker.code, "name": name,
                                      "text": remark["text"], "host_us": row["host_us"]})
        block = block_of(marker, name)
        if block is not None:
            self._add_block(block)
            if block.code and block.until_us is not None and not marker.no_edge:
                self._widths.expect(
                    self.row_count, block.from_us, block.code, block.until_us - block.from_us
                )

    def _append_row(self, row: dict[str, Any]) -> None:
        if "id" not in row:
            self.row_count += 1
            row["id"] = self.row_count
        self.rows.append(row)
        self._new_rows.append(row)

    def snapshot(self) -> dict[str, Any]:
        """All that a window needs which opens now, beside the state."""
        return {
            "epoch": self.epoch,
            "now": self.box_now_us(),
            "edges": [[edge.time_us, edge.levels] for edge in self.edges],
            "blocks": [block.as_data() for block in self.blocks],
            "rows": list(self.rows)[-200:],
        }

    def state(self) -> dict[str, Any]:
        """What a window shows of the station; changes slowly."""
        identity, settings, tally = self.identity, self.settings, self._texts.tally
        run = self.run
        return {
            "number": self.number,
            "connected": self.connected,
            "name": identity.name,
            "serial": identity.serial,
            "board": identity.board,
            "firmware": identity.firmware,
            "steps": identity.steps,
            "least_width_us": identity.least_width_us,
            "longest_width_us": identity.longest_width_us,
            "idle_levels": settings.idle_levels,
            "lines": settings.lines,
            "width_us": settings.width_us,
            "byte_mode": settings.byte_mode.label,
            "testing": self.testing,
            "port": self.port_where,
            "log": {
                "path": str(self.log_path) if self.log_kept else "",
                "failed": self.sent.log_failed,
                "lost": self.log.lost,
                "free": self.free_bytes,
                "low": self.disk_is_low,
            },
            "bytes": self.sent.bytes,
            "edges_lost": self.edges_lost,
            "messages": list(self.messages)[-20:],
            "sequence": None if run is None else run.as_data(),
            "tally": {
                "sent": tally.bytes, "out": tally.went_out, "refused": tally.refused,
                "unconfirmed": tally.unconfirmed, "too_soon": tally.too_soon,
                "not_in_plan": tally.not_in_plan, "late": tally.late,
            },
            "counts": [
                [event.name, event.code, event.count, self.asked[event.code],
                 self.codes[event.code]]
                for event in (self.plan.events if self.plan else ())
            ],
            "problems": list(self.problems)[-30:],
            "problem_count": self.problem_count,
        }


def _taken(waiting: deque[Any]) -> Iterator[Any]:
    """Takes out what is there now; another thread may add meanwhile."""
    for _ in range(len(waiting)):
        yield waiting.popleft()

