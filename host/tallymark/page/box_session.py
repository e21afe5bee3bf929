"""`Station`: one box with its byte port, its marker log and its capture, in this process.

Threads: the bridge's two, the link's reader, and one that looks after the capture and the clock.
What a window asks for runs in a thread of the web server and waits for the box there. `collect` is
called by one thread at a time, some twenty times a second, and says what is new.
"""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import threading
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tallymark.box.box import Box
from tallymark.box.link.marker import Marker
from tallymark.box.sequence import Sequence
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import (
    AnyNotice,
    HoldEnded,
    NoticesLost,
    ProbeEdges,
    SequenceState,
    Started,
)
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.bridge import Bridge, ByteAction, byte_actions
from tallymark.bridge.box_reopening import reopener
from tallymark.bridge.port_factory import make_byte_port
from tallymark.common.errors import BadValue, PortError, Refused, TallymarkError
from tallymark.common.signature import Signed
from tallymark.markerlog import MarkerLog
from tallymark.page.bridge_messages import Messages
from tallymark.page.live_lines import LiveLines
from tallymark.page.opened_box import OpenedBox
from tallymark.page.output_code_intervals import Block
from tallymark.page.sent_markers import SentMarkers
from tallymark.page.sent_rows import SentRows, signature_row
from tallymark.page.sequence_progress import SequenceRun
from tallymark.page.teaching_faults import Lesson
from tallymark.plan import Plan

_LOOK_PLAYING_S = 0.02
_LOOK_IDLE_S = 0.25
_CLOCK_S = 1.0
_DISK_S = 2.0
_ANSWER_S = 3.0
_ON_ITS_WAY_S = 0.01
"""In that time a byte that was read is with the box, or refused."""
TESTING = "a self-test ran"
SETTING_UP = "the settings were being changed"
SIGNING = "the session signature was being sent"
DISK_LOW = 200_000_000
"""Bytes of free disk below which the page warns; a marker takes some 150 of them in a log."""


class Station:
    """One box and what belongs to it.

    opened: the box, which the station closes at its end. log_path: of the marker log; None: it is
    kept for the page alone and dropped at the end. link, tcp_port: the byte port
    (`make_byte_port`). may_wire: see `Lesson`, which a virtual box has.

    Raises what `MarkerLog` raises, and BadValue for a byte port that can't be had.
    """

    def __init__(
        self,
        number: int,
        opened: OpenedBox,
        plan: Plan | None,
        *,
        log_path: Path | None = None,
        append: bool = False,
        link: Path | None = None,
        tcp_port: int | None = None,
        may_wire: bool = True,
    ) -> None:
        self.number = number
        self.plan = plan
        self.log_kept = log_path is not None
        self.messages = Messages()
        self.run: SequenceRun | None = None
        self.testing = ""
        self.free_bytes: int | None = None
        self.box_changes = 0
        """Counts what makes earlier tests of this box worthless: new settings, restarts, and each
        time it was connected again."""
        self.kept = True
        """Whether the settings in force are kept, as far as it is known here."""
        self._signed: deque[tuple[Signed, str]] = deque()
        self._count_from_now = False
        self._notices: deque[AnyNotice] = deque()
        self._captured_box: Box | None = None
        self._recapture = False
        self._alone = threading.Lock()  # one request that drives the lines at a time
        self._cleanup = contextlib.ExitStack()
        with contextlib.ExitStack() as undo:
            box, where, device = opened
            self.lesson = None if device is None else Lesson(device, self._rewired, may_wire)
            self.identity = box.identity
            self._session = box.session
            self._port_name = box.port_name
            settings = box.settings.read()
            self.sent = SentMarkers(self.messages.say)
            port = make_byte_port(self.sent.say, link, tcp_port)
            undo.callback(port.close)
            self.port_where = port.where
            if log_path is None:
                folder = self._cleanup.enter_context(tempfile.TemporaryDirectory())
                log_path = Path(folder) / "page.log"
            self.log_path = log_path
            self.log = MarkerLog.for_box(log_path, box, plan, append)
            self.messages.log = self.log
            self.sent.begin(self.log)
            self._bridge = Bridge(
                box, reopener(where, box), port, self._byte_actions(settings), self.sent,
                self.messages,
            )
            undo.pop_all()
        self.lines = LiveLines(SentRows(plan, settings))
        self._stopping = threading.Event()
        self._threads = [
            threading.Thread(target=self._bridge.run, name="page bridge", daemon=True),
            threading.Thread(target=self._look, name="page capture", daemon=True),
        ]
        with contextlib.suppress(TallymarkError):  # the bridge reports a lost box
            self._begin_capture(box)
        self._bridge.begin()
        for thread in self._threads:
            thread.start()

    def close(self) -> bool:
        """Stops a sequence, takes the lines to idle, ends port, log and box. Returns whether the
        lines are known to be at idle."""
        if self.plays:
            with contextlib.suppress(TallymarkError):  # the bridge says if they are not at idle
                self.to_idle("page")
        self._stopping.set()
        self._bridge.stop()
        for thread in self._threads:
            thread.join()
        idle = self._bridge.end()
        self._cleanup.close()
        return idle

    @contextlib.contextmanager
    def alone(self) -> Iterator[None]:
        """For one request at a time that drives the lines. BadValue while another one does."""
        if not self._alone.acquire(timeout=_ANSWER_S):
            raise BadValue(
                f"Another window uses the lines now{': ' + self.testing if self.testing else ''}. "
                "Nothing was sent. Wait until it has finished."
            )
        try:
            yield
        finally:
            self._alone.release()

    # The box ----------------------------------------------------------------------------------

    @property
    def box(self) -> Box:
        """The box. TallymarkError while it is gone."""
        box = self._bridge.box
        if self._stopping.is_set():
            raise TallymarkError("The box was taken off the page. Nothing was sent.")
        if box is None or not self.connected:
            raise TallymarkError(
                "The box is not connected. Nothing was sent. Plug it in; the page follows by "
                "itself."
            )
        return box

    @property
    def port_name(self) -> str:
        """The port that the box is at, or was at before it went."""
        if (box := self._bridge.box) is not None:
            self._port_name = box.port_name
        return self._port_name

    @property
    def connected(self) -> bool:
        """Whether the box can be used now."""
        box = self._bridge.box
        with contextlib.suppress(PortError):  # it was closed: this station has ended
            return box is not None and box.link.failure is None
        return False

    @property
    def plays(self) -> bool:
        """Whether a sequence plays, as far as it is known; the box refuses bytes meanwhile."""
        return self.run is not None and not self.run.ended

    @property
    def settings(self) -> Settings:
        """Settings as they were read last."""
        return self._bridge.settings

    def _byte_actions(self, settings: Settings) -> list[ByteAction]:
        return byte_actions(settings.byte_mode, None, self.plan, self.identity)

    @contextlib.contextmanager
    def _driving(self) -> Iterator[Box]:
        """The box, for one request at a time that drives its lines."""
        with self.alone():
            yield self.box

    def send(
        self,
        sender: str,
        code: int,
        width_us: int | None,
        name: str | None,
        stays: bool = False,
        test: bool = False,
    ) -> Marker:
        """Sends one marker and waits for its fate. test: see `MarkerLog.sent`. Raises what
        `Box.pulse` and `wait` raise."""
        with self._driving() as box, self.sent.sender(sender, test):
            try:
                if stays:
                    return box.set(code, name=name).wait(_ANSWER_S)
                return box.pulse(code, width_us, name=name).wait(_ANSWER_S)
            except Refused as error:
                what = f"code {code}" if name is None else f"'{name}' (code {code})"
                why = str(error).partition("': ")[2]
                raise TallymarkError(f"The box refused {what}: {why}") from error

    def to_idle(self, sender: str) -> Marker:
        """Stops a sequence, whoever started it, and takes the lines to idle at once, whatever else
        waits."""
        box = self.box
        run = self.run
        state = SequenceState.parse(box.link.ask(Request.SEQUENCE_STOP).body)
        if run is not None and not run.ended:
            run.stopped(state)
        with self.sent.sender(sender):
            return box.set(0).wait(_ANSWER_S)

    def play(self, sender: str, steps: list[tuple[int, int]], repeats: int) -> None:
        """Loads a sequence and starts it. Its steps are in the list, not in the marker log."""
        with self._driving() as box:
            if self.plays:
                raise BadValue("A sequence plays already. Nothing was sent. Stop it, or wait.")
            if repeats < 1:
                raise BadValue("Repeats go from 1 on. Nothing was sent.")
            sequence = Sequence(box, steps, repeats)
            started = sequence.start()
            self.run = SequenceRun(sequence, sender, started.box_time_us or 0)

    def count_from_now(self) -> None:
        """Counts and problems begin again with what comes next; the marker log keeps all."""
        self._count_from_now = True

    def sign(self, sender: str) -> Signed:
        """Sends the session's next signature and waits for its end; markers are refused meanwhile.
        Raises what `Plan.sign` raises."""
        plan = self.plan
        if plan is None:
            raise BadValue("No plan was given. Nothing was sent.")
        if self.plays:
            raise BadValue("A sequence plays. Nothing was sent. Stop it, or wait.")
        with self._without_bytes(SIGNING) as box:
            box.session = self._session  # that of the first box, if it was connected again
            signed = plan.sign(box)
        self._signed.append((signed, sender))
        return signed

    @contextlib.contextmanager
    def _without_bytes(self, why: str) -> Iterator[Box]:
        """The box, with no markers from anybody else: bytes are refused meanwhile, and those on
        their way have their fate before it begins."""
        with self._driving() as box:
            self._bridge.use([ByteAction(refused=why)] * 256)
            try:
                box.pacing.sleep(_ON_ITS_WAY_S)
                box.wait()
                yield box
            finally:
                self._bridge.use(self._byte_actions(self.settings))

    @contextlib.contextmanager
    def test_run(self) -> Iterator[Box]:
        """The box, for a test: the capture of the page rests, and what is sent is not in the
        log."""
        with self._without_bytes(TESTING) as box:
            self.testing = "a self-test runs"
            box.log = None
            try:
                yield box
            finally:
                box.log = self.sent
                self._recapture = True
                with contextlib.suppress(TallymarkError):  # before markers come again
                    self._begin_capture(box)
                self.testing = ""

    def change_settings(self, settings: Settings, keep: bool) -> None:
        """Puts settings in force, and proves it. keep: also after a restart. The marker log goes on
        in a new part, which notes them. Raises what `BoxSettings.write` raises."""
        with self._without_bytes(SETTING_UP) as box:
            if self.plays:
                raise BadValue("A sequence plays. Nothing was changed. Stop it, or wait.")
            if keep:
                box.settings.install(settings)
            else:
                box.settings.write(settings)
            self.kept = keep
            self.identity = box.identity
            self.box_changes += 1
            self._bridge.set_up(settings)
            self.sent.new_part(box, settings)

    def _rewired(self) -> None:
        self.box_changes += 1

    # Looking after capture and clock ----------------------------------------------------------

    def _look(self) -> None:
        clock_s = disk_s = 0.0
        now = 0.0
        while not self._stopping.wait(pause := self._look_pause_s()):
            now += pause
            box = self._bridge.box
            if now >= disk_s:
                disk_s = now + _DISK_S
                self._look_at_disk()
            if box is None or box.link.failure is not None or self.testing:
                continue
            try:
                if box is not self._captured_box or self._recapture:
                    self._begin_capture(box)
                self.lines.probes.watch(box, self.settings)
                run = self.run
                if run is not None and self.plays:
                    run.look()
                elif now >= clock_s and not self.settings.hold_limit_us:
                    # With a hold limit the page asks nothing by itself: a program that has died
                    # would seem to live, and its code would stay on the lines.
                    clock_s = now + _CLOCK_S
                    box.link.ask(Request.CLOCK)
            except TallymarkError:  # the bridge reports a lost box, and looks for it
                continue

    def _look_pause_s(self) -> float:
        """Each look holds up the byte port a little, so there are few while nothing plays."""
        return _LOOK_PLAYING_S if self.plays else _LOOK_IDLE_S

    def _begin_capture(self, box: Box) -> None:
        if box is not self._captured_box:
            box.listen(self._notices.append)
            if self._captured_box is not None:
                self.box_changes += 1
                if self.run is not None and self.plays:
                    self.run.disconnected()
            self.lines.begin_box_time()
            self.identity = box.identity
        self._recapture = False
        self.lines.capture(box)
        self._captured_box = box

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
        lines, rows = self.lines, self.lines.rows
        notices = list(_taken(self._notices))
        for notice in notices:
            self._heard(notice)
        if self._count_from_now:
            self._count_from_now = False
            rows.count_from_now()
        edges = lines.fetch(resting=bool(self.testing) or self._recapture)
        for sent in _taken(self.sent.news):
            if (out := rows.add(sent, self.settings)) is not None:
                lines.add(out)
        for notice in notices:
            if isinstance(notice, HoldEnded):
                rows.idle(notice.time_us)
            elif isinstance(notice, Started):
                rows.idle()
        for signed, sender in _taken(self._signed):
            for at_us in signed.edges_us:
                lines.add(Block(at_us, at_us + signed.form.width_us, signed.form.code,
                                "session signature"))
            rows.append(signature_row(signed, sender))
        if self.run is not None:
            for block in self.run.new_blocks():
                lines.add(block)
                rows.idle()
            if row := self.run.ended_row():
                rows.append(row)
        return lines.news(edges, self.box_now_us())

    def _heard(self, notice: AnyNotice) -> None:
        if isinstance(notice, Started):
            self.box_changes += 1
            self.kept = True
            self._recapture = True
            self.lines.begin_box_time()
            if self.run is not None and self.plays:
                self.run.lost()
        elif isinstance(notice, HoldEnded):
            self.lines.add(Block(notice.time_us, None, 0))
        elif isinstance(notice, ProbeEdges):
            self.lines.probes.hear(notice, self.box_now_us())
        elif isinstance(notice, NoticesLost):
            self.lines.probes.miss(self.box_now_us())

    def snapshot(self) -> dict[str, Any]:
        """All that a window needs which opens now, beside the state."""
        return self.lines.snapshot(self.box_now_us())

    def state(self) -> dict[str, Any]:
        """What a window shows of the station; changes slowly."""
        identity, settings = self.identity, self.settings
        run = self.run
        return {
            "number": self.number,
            "connected": self.connected,
            "at": self.port_name,
            "name": identity.name,
            "serial": identity.serial,
            "board": identity.board,
            "firmware": identity.firmware,
            "steps": identity.steps,
            "least_width_us": identity.least_width_us,
            "longest_width_us": identity.longest_width_us,
            "idle_levels": settings.idle_levels,
            "lines": settings.lines,
            "probes": self.lines.probes.watched,
            "width_us": settings.width_us,
            "byte_mode": settings.byte_mode.label,
            "testing": self.testing,
            "box_changes": self.box_changes,
            "kept": self.kept,
            "port": self.port_where,
            "log": {
                "path": str(self.log_path) if self.log_kept else "",
                "failed": self.sent.log_failed,
                "lost": self.log.lost,
                "free": self.free_bytes,
                "low": self.disk_is_low,
            },
            "bytes": self.sent.bytes,
            "edges_lost": self.lines.lost,
            "messages": self.messages.as_data(),
            "sequence": None if run is None else run.as_data(),
            **self.lines.rows.state(),
        }


def _taken(waiting: deque[Any]) -> Iterator[Any]:
    """Takes out what is there now; another thread may add meanwhile."""
    for _ in range(len(waiting)):
        yield waiting.popleft()

