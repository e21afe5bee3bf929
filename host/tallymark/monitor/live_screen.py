"""The live screen: each byte that comes in, and what became of it."""

from __future__ import annotations

import json
import sys
import textwrap
from collections import Counter, deque
from collections.abc import Callable
from copy import copy
from dataclasses import asdict
from threading import Event, Thread
from types import TracebackType
from typing import Any, NamedTuple

from rich.cells import cell_len, set_cell_size
from rich.console import Console
from rich.live import Live
from rich.text import Text

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import HoldEnded
from tallymark.common.formatting import clock, duration
from tallymark.markerlog import LoggedMarker, host_time_us
from tallymark.markerlog.problem_summary import Problems, add_problem
from tallymark.monitor.event_text import ByteEvent, EventMessages, Severity, host_us
from tallymark.monitor.pacing_advice import Origin
from tallymark.plan import Plan

REFRESH_S = 0.1
READABLE = 12
"""Rows that may follow each other at once; on from there, no more than this many a second."""
MOST_WAITING = 200_000
"""Bytes that wait for a reader of the output that is too slow; further ones are not shown."""
_SWITCH_S = 0.0002
_INDENT = 19
_IN_VIEW = 10
"""What was said within so many rows of the end is not repeated there."""
_HEADING = f"{'since start':<11} code  {'line 7-0':<8}  {'event':<15} {'ms since last':>13}"
_STYLES: dict[Severity, str] = {"plain": "", "dim": "dim", "bad": "red"}


class _Sentence(NamedTuple):
    text: str
    bad: bool
    idle: bool = False


class LiveScreen:
    """Shows what comes in, while it comes. A context manager.

    On a terminal: rows, at most ten refreshes a second; when more bytes come than a person can
    read they are summed up. Elsewhere: a line a byte. `as_json`: JSON Lines, an object a byte and
    a last object `{"summary": ...}`.

    Everything is drawn by a thread of its own. Python lets it run for as long as the switch
    interval while another thread wants to, so that is shortened as long as the screen is shown.

    origin: who gives pulses their width; 'plan' for the events of the plan alone.
    summary: what the last object will say beside the counts; add to it before the end.
    keep: what puts a sentence into the log; None where none is kept.
    begin_us: host time from which times are counted; that of the marker log, if it is set.
    """

    def __init__(
        self,
        plan: Plan | None,
        settings: Settings,
        *,
        as_json: bool = False,
        origin: Origin = "settings",
        console: Console | None = None,
    ) -> None:
        self.summary: dict[str, Any] = {}
        self.keep: Callable[[str], None] | None = None
        self._reported: Problems = {}
        self._rows_shown = 0
        self._messages = EventMessages(plan, settings, origin)
        self._json = as_json
        self._console = console or Console(highlight=False, markup=False)
        self._waiting: deque[LoggedMarker | _Sentence] = deque()
        self._not_shown = 0
        self._over = Event()
        self._thread = Thread(target=self._run, name="tallymark screen", daemon=True)
        self._live: Live | None = None
        self.begin_us = host_time_us()
        self._failed = False
        # On a terminal only: how many rows a person may still be shown, and the sum of the rest.
        self._room = float(READABLE)
        self._flooded = False
        self._summed: Counter[int] = Counter()
        self._summed_since = 0
        self._before_sum = copy(self._messages.tally)

    def show(self, marker: LoggedMarker) -> None:
        """One byte and what became of it, in order, from one thread. Returns at once."""
        if len(self._waiting) < MOST_WAITING:
            self._waiting.append(marker)
        else:
            self._not_shown += 1

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        """A sentence among the rows. From any thread; returns at once.

        bad: something went wrong. Then the log keeps it too, unless it has it `logged` already."""
        self._queue(_Sentence(text, bad), logged)

    def tell(self, text: str) -> None:
        """What a log says of itself (`MarkerLog.tell`)."""
        self.say(text, bad=True, logged=True)

    def pauses(self, text: str, due: bool, /) -> None:
        """How often this program did not run so far; only what is `due` is shown, as no line can
        be taken back."""
        if due:
            self.say(text, bad=True, logged=True)

    def idle(self, text: str, *, logged: bool = False) -> None:
        """A sentence that says why the lines are at idle now, though no byte asked for it."""
        self._queue(_Sentence(text, bad=True, idle=True), logged)

    def hold_ended(self, notice: HoldEnded, limit_us: int) -> None:
        """The box took a code to idle after its hold limit, which its log has."""
        self.idle(
            f"The box took code {notice.code} to idle: the program sent nothing for "
            f"{duration(limit_us)}, the hold limit.",
            logged=True,
        )

    def _queue(self, sentence: _Sentence, logged: bool) -> None:
        self._waiting.append(sentence)
        if sentence.bad and not logged and self.keep is not None:
            self.keep(sentence.text)

    def __enter__(self) -> LiveScreen:
        self._switch_s = sys.getswitchinterval()
        sys.setswitchinterval(min(_SWITCH_S, self._switch_s))
        if self._console.is_terminal and not self._json:
            self._live = Live(
                self._view(), console=self._console, auto_refresh=False, transient=True
            )
            self._live.start()
        if not self._json:
            self._console.print(Text(_HEADING, "dim"))
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Shows what is still waiting, then the sums."""
        self._over.set()
        self._thread.join()
        if self._live is not None:
            self._live.stop()
        sys.setswitchinterval(self._switch_s)
        if not self._failed:
            self._end()

    # The thread --------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            over = False
            while not over:
                over = self._over.wait(REFRESH_S)
                self._room = min(self._room + READABLE * REFRESH_S, READABLE)
                self._draw_waiting(over)
                self._draw_sum(over)
                if self._live is not None:
                    self._live.update(self._view(), refresh=True)
        except (OSError, ValueError, SystemExit):  # nobody reads the output any more (rich exits)
            self._failed = True
            self._waiting = deque(maxlen=0)

    def _draw_waiting(self, last: bool) -> None:
        rows: list[Text] = []
        lines: list[str] = []
        came = False
        for _ in range(len(self._waiting)):
            entry = self._waiting.popleft()
            if isinstance(entry, _Sentence):
                if entry.idle:
                    self._messages.idle()
                if entry.bad:
                    add_problem(self._reported, entry.text, row=self._rows_shown)
                self._take_sentence(entry, rows, lines)
                continue
            self._rows_shown += 1
            event = self._messages.follow(entry)
            came = True
            if hint := self._messages.hint(event):
                self._take_sentence(_Sentence(hint, True), rows, lines)
            if self._json:
                lines.append(json.dumps(self._data(event)))
            elif self._live is not None and self._is_flooded():
                self._summed[entry.code] += 1
            else:
                rows += self._rows(event)
            if advice := self._messages.advice(event):
                self._take_sentence(_Sentence(advice, True), rows, lines)
        if (last or not came) and (hint := self._messages.hint()):
            self._take_sentence(_Sentence(hint, True), rows, lines)
        if lines:
            self._console.file.write("\n".join(lines) + "\n")
            self._console.file.flush()
        if rows:
            self._console.print(Text("\n").join(rows), soft_wrap=self._live is None)

    def _is_flooded(self) -> bool:
        """Whether more comes than a person can read. Lasts until it has become half as much."""
        self._room = max(self._room - 1, 0.0)
        if not self._flooded and self._room < 1:
            self._flooded = True
            self._summed_since = host_time_us()
            self._before_sum = copy(self._messages.tally)
            self._before_sum.bytes -= 1  # this one is summed up too
        return self._flooded

    def _take_sentence(self, sentence: _Sentence, rows: list[Text], lines: list[str]) -> None:
        text, bad = sentence.text, sentence.bad
        if self._json:
            lines.append(json.dumps({"note": text, "bad": bad}))
        else:
            rows.append(Text(f"{'✗' if bad else '•'} {text}", "bold red" if bad else "cyan"))

    def _draw_sum(self, last: bool) -> None:
        """Tells once a second what could not be shown byte by byte."""
        took_us = host_time_us() - self._summed_since
        if not self._flooded or (took_us < 1e6 and not last):
            return
        self._flooded = self._room < READABLE / 2
        if not self._summed:
            return
        what = self._messages.tally.differences(self._before_sum)
        text = Text(f"{self._time(None)}  … ", "dim")
        text.append_text(_counts(what.words(self._messages.unit)))
        text.append(f" in {duration(took_us)}, too fast to show one by one. Codes: ", "dim")
        common = self._summed.most_common(5)
        text.append(", ".join(f"{code} {count:,}×" for code, count in common), "dim")
        if len(self._summed) > 5:
            text.append(f" and {len(self._summed) - 5} more", "dim")
        self._console.print(text)
        self._summed.clear()
        self._summed_since = host_time_us()
        self._before_sum = copy(self._messages.tally)

    # What is drawn -----------------------------------------------------------------------------

    def _rows(self, event: ByteEvent) -> list[Text]:
        marker = event.marker
        name = self._messages.name(marker)
        since = "" if event.since_us is None else f"+{event.since_us / 1e3:,.3f}"
        row = Text(f"{self._time(marker)} {marker.code:>4}  ", "dim" if not marker.code else "")
        row.append(f"{marker.code:08b}".replace("0", "·"), "dim" if not marker.code else "bold")
        row.append(f"  {_fit(name, 15)} {since:>13}  ", "dim" if not marker.code else "")
        rows = [row]
        wide = self._console.width if self._live is not None else 10_000
        room, room_below = wide - row.cell_len, wide - _INDENT - 1
        for remark in self._messages.remarks(event):
            length = len(remark.text)
            if length + 2 <= room:
                row.append(f"{remark.text}  ", _STYLES[remark.severity])
                room -= length + 2
            else:
                rows.append(_hanging(remark.text, _STYLES[remark.severity], room_below))
        row.rstrip()
        return rows

    def _time(self, marker: LoggedMarker | None) -> str:
        at = host_time_us() if marker is None else host_us(marker)
        return "-:--:--.---" if at is None else clock((at - self.begin_us) / 1e6)

    def _view(self) -> Text:
        """What stays in view under the rows. The heading comes there once it may have scrolled off.
        """
        heading = self._rows_shown > self._console.height // 2
        return Text("\n").join([*[Text(_HEADING, "dim")] * heading, self._status()])

    def _status(self) -> Text:
        tally = self._messages.tally
        text = Text(f"{self._time(None)[:-4]}  ", "dim")
        if not tally.bytes:
            return text.append("No byte received yet. Stop with Ctrl-C.", "dim")
        text.append_text(_counts(tally.words(self._messages.unit)))
        if held := self._messages.held:
            text.append(f"  {held} is on the lines", "bold yellow")
        return text

    def _data(self, event: ByteEvent) -> dict[str, Any]:
        marker = event.marker
        at = host_us(marker)
        return {
            "time_s": None if at is None else round((at - self.begin_us) / 1e6, 6),
            "code": marker.code,
            "name": self._messages.name(marker) if marker.code else None,
            "fate": marker.fate,
            "why": marker.why,
            "since_us": event.since_us,
            "box_us": marker.box_us,
            "width_us": marker.width_us,
            "cut_us": marker.cut_us,
            "delay_us": marker.delay_us,
            "late_us": marker.late_us,
            "remarks": [remark.text for remark in self._messages.remarks(event)],
        }

    def _end(self) -> None:
        tally = self._messages.tally
        if self._json:
            summary: dict[str, Any] = asdict(tally) | {"not_shown": self._not_shown}
            summary["reported"] = [
                {"text": each.text, "times": each.times} for each in self._reported.values()
            ]
            summary |= self.summary
            self._console.file.write(json.dumps({"summary": summary}) + "\n")
            self._console.file.flush()
            return
        for each in self._reported.values() if not self._messages.has_plan else ():
            if self._rows_shown - each.row > _IN_VIEW:  # a plan's comparison tells them all
                self._console.print(Text(f"✗ {each}", "bold red"), soft_wrap=self._live is None)
        self._console.print(_counts(tally.words(self._messages.unit)), soft_wrap=self._live is None)
        if self._not_shown:
            self._console.print(
                f"{self._not_shown:,} more were not shown, because the output is read too slowly. "
                "They are in the log.",
                soft_wrap=self._live is None,
            )


def _hanging(text: str, style: str, width: int) -> Text:
    """A remark under its row, folded behind its indent."""
    lines = textwrap.wrap(text, max(width, 20)) or [""]
    begins = [f"{'└ ':>{_INDENT}}", *[" " * _INDENT] * (len(lines) - 1)]
    folded = [begin + line for begin, line in zip(begins, lines, strict=True)]
    return Text("\n".join(folded), style)


def _counts(words: list[tuple[str, Severity]]) -> Text:
    return Text(", ").join([Text(text, _STYLES[severity]) for text, severity in words])


def _fit(name: str, width: int) -> str:
    name = " ".join(name.split())
    if cell_len(name) <= width:
        return set_cell_size(name, width)
    return set_cell_size(name, width - 1) + "…"
