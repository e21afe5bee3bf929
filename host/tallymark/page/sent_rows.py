"""The list of what was sent, as windows show it: each marker with its fate, its readback and what
there is to say of it; and the counts against the plan."""

from __future__ import annotations

from collections import Counter, deque
from typing import Any

from tallymark.box.settings import Settings
from tallymark.monitor.event_text import EventMessages
from tallymark.page.confirmed_outputs import Block, block_of
from tallymark.page.readback_widths import ReadbackWidths
from tallymark.page.sent_markers import Sent
from tallymark.plan import Plan

_ROWS_KEPT = 1_000
_PROBLEMS_KEPT = 200
_PROBLEMS_SHOWN = 30


class SentRows:
    """Rows of one box. One thread at a time."""

    def __init__(self, plan: Plan | None, settings: Settings) -> None:
        self.rows: deque[dict[str, Any]] = deque(maxlen=_ROWS_KEPT)
        self.widths = ReadbackWidths(settings.idle_levels, settings.code_lines)
        self.codes: Counter[int] = Counter()
        """How often each code went out, by whomever."""
        self.asked: Counter[int] = Counter()
        """How often each code was sent, what was refused or is unconfirmed included."""
        self._plan = plan
        self._texts = EventMessages(plan, settings, "settings" if plan is None else "plan")
        self._problems: deque[dict[str, Any]] = deque(maxlen=_PROBLEMS_KEPT)
        self._problem_count = 0
        self._count = 0
        self._new: list[dict[str, Any]] = []

    def add(self, sent: Sent, settings: Settings) -> Block | None:
        """A marker that has its fate; returns what it put on the lines. settings: in force."""
        marker, texts = sent.marker, self._texts
        texts.settings = settings
        self.widths.idle_levels = settings.idle_levels
        self.widths.lines = settings.code_lines
        event = texts.follow(marker)
        remarks = [remark._asdict() for remark in texts.remarks(event)]
        name = texts.name(marker)
        host_us = marker.host_us if marker.host_us is not None else marker.sent_host_us
        self.append({
            "code": marker.code,
            "name": name,
            "sender": sent.sender,
            "fate": marker.fate,
            "box_us": marker.box_us,
            "host_us": host_us,
            "error_us": marker.error_us,
            "width_us": marker.width_us,
            "stays": bool(marker.stays),
            "remarks": remarks,
            "since_us": event.since_us,
        })
        if marker.code:
            self.asked[marker.code] += 1
            if marker.fate == "done":
                self.codes[marker.code] += 1
        for remark in remarks:
            if remark["severity"] == "bad":
                self._problem_count += 1
                self._problems.append({"id": self._count, "code": marker.code, "name": name,
                                       "text": remark["text"], "host_us": host_us})
        block = block_of(marker, name)
        if block is not None and block.code and block.until_us is not None and not marker.no_edge:
            width_us = block.until_us - block.from_us
            self.widths.expect(self._count, block.from_us, block.code, width_us)
        return block

    def append(self, row: dict[str, Any]) -> None:
        """A row that is complete but for its number."""
        self._count += 1
        row["id"] = self._count
        self.rows.append(row)
        self._new.append(row)

    def take_new(self) -> list[dict[str, Any]]:
        """Rows since the last call."""
        rows, self._new = self._new, []
        return rows

    def judged(self, now_us: float) -> list[dict[str, Any]]:
        """What the readback saw of rows that were told before, by the box time `now_us`."""
        updates = []
        for number, seen in self.widths.judged(now_us):
            update = {"id": number, "seen_us": seen.width_us, "seen_code": seen.code}
            updates.append(update)
            place = len(self.rows) - 1 - (self._count - number)
            if place >= 0:
                self.rows[place].update(update)
        return updates

    def state(self) -> dict[str, Any]:
        """Counts and problems, for JSON."""
        tally = self._texts.tally
        return {
            "tally": {
                "sent": tally.bytes, "out": tally.went_out, "refused": tally.refused,
                "unconfirmed": tally.unconfirmed, "too_soon": tally.too_soon,
                "not_in_plan": tally.not_in_plan, "late": tally.late,
            },
            "counts": [
                [event.name, event.code, event.count, self.asked[event.code],
                 self.codes[event.code]]
                for event in (self._plan.events if self._plan else ())
            ],
            "problems": list(self._problems)[-_PROBLEMS_SHOWN:],
            "problem_count": self._problem_count,
        }
