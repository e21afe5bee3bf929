"""The list of what was sent, as windows show it: each marker with its fate, its readback and what
there is to say of it; and the counts against the plan."""

from __future__ import annotations

from collections import Counter, deque
from typing import Any

from tallymark.box.settings import Settings
from tallymark.common.formatting import listed, time_text
from tallymark.common.signature import Signed
from tallymark.common.signature.pattern import PULSES
from tallymark.markerlog import LoggedMarker, host_time_us
from tallymark.monitor.event_text import EventCounts, EventMessages, is_too_soon
from tallymark.monitor.interval_findings import SLACK
from tallymark.page.output_code_intervals import Block, block_of
from tallymark.page.problem_kinds import ProblemKinds
from tallymark.page.readback_widths import Readback, ReadbackWidths
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
        self._kinds = ProblemKinds()
        self._problem_count = 0
        self._other_code = 0
        self._unseen: deque[dict[str, Any]] = deque(maxlen=_ROWS_KEPT)
        """Rows of which the readback saw nothing, since it last saw any."""
        self._unseen_before = 0
        self._connected = False
        self._count = 0
        self._new: list[dict[str, Any]] = []
        self._last_us: int | None = None
        """Box time of the last code that went out."""
        self._too_close = 0
        self._since_us: int | None = None

    def count_from_now(self) -> None:
        """Forgets counts and problems, as of a rehearsal; the list and the marker log keep all."""
        self._since_us = host_time_us()
        self._texts.tally = EventCounts()
        self._too_close = self._other_code = self._unseen_before = self._problem_count = 0
        self.codes.clear()
        self.asked.clear()
        self._unseen.clear()
        self._problems.clear()
        self._kinds.clear()
        self.widths.miss([])

    def idle(self, box_us: int | None = None) -> None:
        """The lines went to idle, by none of the markers. box_us: when, if markers may have been
        told that came after it."""
        held = self._texts.held_marker
        if box_us is None or held is None or (held.box_us or 0) <= box_us:
            self._texts.idle()

    def begin_box_time(self) -> None:
        """Box time began again."""
        self.widths.clear()
        self._last_us = None

    def add(self, sent: Sent, settings: Settings) -> Block | None:
        """A marker that has its fate; returns what it put on the lines. settings: in force."""
        marker, texts = sent.marker, self._texts
        texts.settings = settings
        self.widths.idle_levels = settings.idle_levels
        self.widths.lines = settings.code_lines
        event = texts.follow(marker)
        remarks = [remark._asdict() for remark in texts.remarks(event)]
        if close := self._close(marker, is_too_soon(marker)):
            remarks.append({"text": close, "severity": "bad"})
        name = texts.name(marker)
        host_us = marker.host_us if marker.host_us is not None else marker.sent_host_us
        if marker.test:
            remarks.append({"text": "test, not counted against the plan", "severity": "plain"})
        row = {
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
        }
        self.append(row)
        if marker.code and not marker.test:
            self.asked[marker.code] += 1
            if marker.fate == "done":
                self.codes[marker.code] += 1
        for remark in remarks:
            if remark["severity"] == "bad":
                self._add_problem(row, remark["text"])
        block = block_of(marker, name)
        # How long a marker lasts that neither stays nor has a width isn't known.
        lasts = block is not None and (block.until_us is not None or bool(marker.stays))
        if block is not None and block.code and lasts and not marker.no_edge:
            width_us = None if block.until_us is None else block.until_us - block.from_us
            self.widths.expect(row, block.from_us, block.code, width_us)
        return block

    def _close(self, marker: LoggedMarker, is_told: bool) -> str:
        """What to say of a marker that is closer to the last one than the plan allows."""
        if not marker.code or marker.test or marker.fate != "done" or marker.box_us is None:
            return ""
        last_us, self._last_us = self._last_us, marker.box_us
        least_us = self._plan.session.least_interval_us if self._plan else None
        if last_us is None or least_us is None or is_told:
            return ""
        since_us = marker.box_us - last_us
        if not 0 <= since_us < least_us * (1 - SLACK):
            return ""
        self._too_close += 1
        return (f"too close: {time_text(since_us)} after the one before; the plan has at least "
                f"{time_text(least_us)}")

    def _add_problem(self, row: dict[str, Any], text: str) -> None:
        self._problem_count += 1
        problem = {"id": self._problem_count, "code": row["code"], "name": row["name"],
                   "text": text, "host_us": row["host_us"]}
        self._problems.append(problem)
        self._kinds.add(problem)

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
        for row, seen in self.widths.judged(now_us):
            update = {"seen_us": seen.width_us, "seen_code": seen.code}
            row.update(update)
            updates.append({"id": row["id"], **update})
            self._compare(row, seen)
        return updates

    def _compare(self, row: dict[str, Any], seen: Readback) -> None:
        """A readback that sees nothing may be unplugged. That it was not is known once it has seen
        markers both before and after."""
        if not seen.code:
            self._unseen.append(row)
            return
        if self._connected:
            for unseen in self._unseen:
                self._add_other_code(unseen, 0)
        else:
            self._unseen_before += len(self._unseen)
        self._unseen.clear()
        self._connected = True
        if seen.code != row["code"]:
            self._add_other_code(row, seen.code)

    def _add_other_code(self, row: dict[str, Any], seen: int) -> None:
        self._other_code += 1
        self._add_problem(row, other_code_text(row["code"], seen))

    def state(self) -> dict[str, Any]:
        """Counts and problems, for JSON."""
        tally, held = self._texts.tally, self._texts.held_marker
        return {
            "held": None if held is None else {
                "code": held.code, "name": self._texts.name(held), "host_us": held.host_us,
            },
            "counted_since_us": self._since_us,
            "tally": {
                "sent": tally.bytes, "out": tally.went_out, "refused": tally.refused,
                "unconfirmed": tally.unconfirmed, "too_soon": tally.too_soon + self._too_close,
                "not_in_plan": tally.not_in_plan, "late": tally.late,
                "other_code": self._other_code,
                "unseen": self._unseen_before + len(self._unseen),
            },
            "counts": [
                [event.name, event.code, event.count, self.asked[event.code],
                 self.codes[event.code]]
                for event in (self._plan.events if self._plan else ())
            ],
            "problems": list(self._problems)[-_PROBLEMS_SHOWN:],
            "problem_kinds": self._kinds.as_data(),
            "problem_count": self._problem_count,
        }


def other_code_text(code: int, seen: int) -> str:
    """What the readback saw of a code, where it is another one; 0: nothing."""
    still, extra = (
        [str(line) for line in range(8) if mask >> line & 1]
        for mask in (code & ~seen, seen & ~code)
    )
    told = []
    if still:
        told.append(f"{'line' if len(still) == 1 else 'lines'} {listed(still)} did not move")
    if extra:
        told.append(f"{'line' if len(extra) == 1 else 'lines'} {listed(extra)} "
                    f"{'was' if len(extra) == 1 else 'were'} active as well")
    saw = f"saw code {seen}" if seen else "saw nothing"
    return f"readback {saw}: {'; '.join(told)}. Run the self-test."


def signature_row(signed: Signed, sender: str) -> dict[str, Any]:
    """A row for a session signature, which is in the marker log, but is no marker."""
    whole = signed.pulses == PULSES
    text = f"signature {signed.count} of session {signed.session}"
    if not whole:
        text += f": stopped after {signed.pulses} of {PULSES} pulses"
    return {
        "code": None,
        "name": f"session signature ({signed.form.code})",
        "sender": sender,
        "fate": "done" if whole else "stopped",
        "box_us": signed.box_us,
        "host_us": None,
        "error_us": None,
        "width_us": signed.form.width_us,
        "stays": False,
        "remarks": [{"text": text, "severity": "plain" if whole else "bad"}],
        "since_us": None,
    }
