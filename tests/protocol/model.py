"""A small model of the box: PROTOCOL.md read once more, as plainly as Python allows.

It shares nothing with the firmware but the document, and no structure either: the firmware hands
the board courses to play and settles its books afterwards, the model walks through time from one
event to the next. A message is a tuple (number, tag, fields).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tallymark.box.wire.layouts import ANSWERS
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Reason, Request

HISTORY = 64
PLACES = 32
LEAD = 100
STEPS = 1024
EDGES = 128
LONGEST = 3_600_000_000
FACTORY = {
    "name": bytes(16),
    "width": 5000,
    "gap": 0,
    "hold_limit": 0,
    "byte_baud": 115_200,
    "lines": 255,
    "idle": 0,
    "overlap": 0,
    "byte_mode": 1,
    "strobe": 0,
    "strobe_lead": 0,
    "strobe_hold": 0,
}
INPUTS = ("light", "sound", "ttl")
PROBES = {
    "probes": 37, "threshold_a": 42, "hysteresis_a": 44, "threshold_b": 46, "hysteresis_b": 48
}
PROBE_BITS = (
    "light level", "sound level", "light edge", "sound edge", "ttl", "ttl low", "light steady"
)
OFFSETS = dict(zip(FACTORY, (0, 16, 20, 24, 28, 32, 33, 34, 35, 36, 38, 40), strict=True))
FACTORY |= dict.fromkeys(PROBES, 0)

LENGTHS = {
    Request.IDENTIFY: 2,
    Request.FATE: 1,
    Request.RESTART: 1,
    Request.SESSION: 4,
    Request.FATE_OF_NUMBER: 4,
    Request.PULSE: 1,
    Request.PULSE_FOR: 5,
    Request.SET: 1,
    Request.TIMED: 14,
    Request.CANCEL: 4,
    Request.SEQUENCE_LOAD: 7,
    Request.SEQUENCE_START: 4,
    Request.SEQUENCE_START_AT: 8,
    Request.CAPTURE_START: 1,
    Request.CAPTURE_FETCH: 4,
    Request.SETTINGS_WRITE: 50,
    Request.SNIPPET_TAKE: 2,
    Request.SNIPPET_READ: 2,
}
MARKERS = {
    Request.PULSE, Request.PULSE_FOR, Request.SET, Request.TIMED, Request.SEQUENCE_START,
    Request.SEQUENCE_START_AT,
}
NOT_WHILE_PLAYING = MARKERS | {
    Request.SEQUENCE_LOAD,
    Request.SETTINGS_WRITE,
    Request.SETTINGS_KEEP,
    Request.SETTINGS_FACTORY,
}


def nearest(now: int, other: int) -> int:
    """How far `other`, the low 32 bits of a time, is from `now`: from -2**31 to 2**31 - 1."""
    return (other - now + 2**31) % 2**32 - 2**31


class Refusal(Exception):
    """The request is refused."""

    def __init__(self, reason: Reason, detail: int = 0) -> None:
        self.reason = reason
        self.detail = detail


@dataclass
class Out:
    """A marker on the lines, or one that waits to be there."""

    code: int
    width: int | None
    source: tuple[int, int] | None
    """Request and tag; None for the byte input."""
    begin: int = 0
    lasted: int = NO_CUT
    delay: int = 0
    notes: int = 0
    expiry: int | None = None
    """As on the wire: 32 bits."""
    number: int = 0
    """Of one that was accepted for a later time."""
    repeats: int | None = None
    """Of a sequence that starts then; its code is any but 0, so that the gap is over before it."""

    @property
    def end(self) -> int | None:
        return None if self.width is None else self.begin + self.width


@dataclass
class Playing:
    """A sequence on the lines."""

    begin: int
    repeats: int
    next_at: int
    begun: int = 1


@dataclass
class Model:
    """The box at box time `now`, with straight wires from lines to readback."""

    now: int = 0
    settings: dict = field(default_factory=lambda: dict(FACTORY))
    store: dict = field(default_factory=lambda: {"origin": 0, "kept": 0, "record": dict(FACTORY)})
    out: Out | None = None
    waiting: Out | None = None
    playing: Playing | None = None
    ahead: list[Out] = field(default_factory=list)
    """Those that were accepted and wait, in order of time."""
    accepted: int = 0
    ended: dict[int, dict] = field(default_factory=dict)
    """By their numbers: those whose places nobody else has taken."""
    start_ended: tuple[int, dict] = (0, {})
    """Number and end of the last sequence that was accepted for a time."""
    idle_since: int | None = None
    strobes: list[tuple[int, bool]] = field(default_factory=list)
    """When the strobe of what is on the lines goes active, and idle again."""
    code: int = 0
    steps: list[tuple[int, int]] = field(default_factory=list)
    sequence: dict = field(default_factory=dict)
    heard: int = 0
    session: int = 0
    newest: int = 0
    notices: int = 0
    history: dict[int, dict] = field(default_factory=dict)
    capturing: int | None = None
    captured: list[tuple[int, int, int, int]] = field(default_factory=list)
    """Time, levels, how many changes were lost just before, and the source."""
    losing: int = 0
    number: int = 0
    """Of the next entry that leaves the capture, or of the first that was lost before it."""
    sends_edges: bool = False
    counters: dict[str, int] = field(default_factory=dict)
    levels: int = 0
    edges: list[tuple[int, int]] = field(default_factory=list)
    said: list[tuple[int, int, dict]] = field(default_factory=list)
    inputs: dict[str, int] = field(default_factory=lambda: dict.fromkeys(INPUTS, 0))
    """Levels at the probes' inputs."""
    high: dict[str, bool] = field(default_factory=lambda: dict.fromkeys(INPUTS, False))
    """As comparators see them."""
    on: dict[str, bool] = field(default_factory=dict)
    """Of inputs whose level is watched."""
    below_since: dict[str, int] = field(default_factory=dict)
    """Of those that are on, and below their release."""
    probe_edges: list[dict] = field(default_factory=list)

    def start(self, cause: int) -> None:
        """Power comes back: only the store has survived."""
        fresh = Model(store=self.store, said=self.said, inputs=self.inputs, high=self.high)
        self.__dict__.update(fresh.__dict__)
        self.settings = dict(self.store["record"])
        self.counters = dict.fromkeys(
            (
                part.name
                for part in ANSWERS[Answer.COUNTERS].subcons
                if part.name not in ("time", "notices")
            ),
            0,
        )
        self._forget_sequence()
        self.levels = 0xFF if self.settings["idle"] else 0  # resistors hold the lines there
        self.edges = [(0, self.levels)]
        self._watch_probes()
        self._notice(Notice.STARTED, {"major": 2, "minor": 0, "cause": cause})

    # Time

    def advance(self, until: int) -> None:
        """Walks to `until`, event by event."""
        while (at := self._next_event()) is not None and at <= until:
            self.now = at
            if at in self._silences().values():
                for name in INPUTS[:2]:
                    self._look_at_level(name)
                if at == self._next_line_event():
                    self._event()
            else:
                self._event()
            self._tell_edges()
        self.now = until

    # Probes

    def _watched(self) -> set[str]:
        return {
            name for bit, name in enumerate(PROBE_BITS) if self.settings["probes"] >> bit & 1
        }

    def _silences(self) -> dict[str, int]:
        """When inputs will have been below their release for long enough."""
        return {
            name: since + (20_000 if name == "sound" or "light steady" in self._watched() else 0)
            for name, since in self.below_since.items()
        }

    def _watch_probes(self) -> None:
        self.on, self.below_since = {}, {}
        for name, letter in (("light", "a"), ("sound", "b")):
            if f"{name} level" in self._watched():
                self.on[name] = self.inputs[name] >= self.settings[f"threshold_{letter}"]

    def probe(self, name: str, level: int) -> None:
        """An input has another level from now on."""
        self.inputs[name] = level
        before = self.high[name]
        self.high[name] = level >= (0x7800 if before else 0x8000)
        watched = self._watched()
        if self.high[name] != before and (name if name == "ttl" else f"{name} edge") in watched:
            on = self.high[name] != (name == "ttl" and "ttl low" in watched)
            self._probe_edge(3 + INPUTS.index(name), on, self.now)
        self._look_at_level(name)
        self._tell_edges()

    def _look_at_level(self, name: str) -> None:
        if name not in self.on:
            return
        letter = "ab"[INPUTS.index(name)]
        threshold = self.settings[f"threshold_{letter}"]
        release = threshold - self.settings[f"hysteresis_{letter}"]
        level, source = self.inputs[name], 1 + INPUTS.index(name)
        if not self.on[name] and level >= threshold:
            self.on[name] = True
            self._probe_edge(source, True, self.now)
        elif self.on[name] and level >= release:
            self.below_since.pop(name, None)
        elif self.on[name]:
            self.below_since.setdefault(name, self.now)
            if self._silences()[name] <= self.now:
                self.on[name] = False
                self._probe_edge(source, False, self.below_since.pop(name))

    def _probe_edge(self, source: int, on: bool, time: int) -> None:
        self.probe_edges.append({"time": time, "source": source, "on": int(on)})
        if self.capturing is not None:
            self._capture_change(int(on), source, time)

    # Events

    def _next_event(self) -> int | None:
        events = [*self._silences().values()]
        if (line := self._next_line_event()) is not None:
            events.append(line)
        return min(events, default=None)

    def _next_line_event(self) -> int | None:
        events = []
        if self.waiting:
            events.append(self.waiting.begin)
        if self.ahead:
            events.append(self.ahead[0].begin)
        if self.out and self.out.end is not None:
            events.append(self.out.end)
        if self.playing:
            events.append(self.playing.next_at)
        if self.strobes:
            events.append(self.strobes[0][0])
        if (limit := self._hold_ends()) is not None:
            events.append(limit)
        return min(events, default=None)

    def _hold_ends(self) -> int | None:
        if self.out and self.out.width is None and self.settings["hold_limit"]:
            limit = max(self.heard, self.out.begin) + self.settings["hold_limit"]
            if not (self.ahead and self.ahead[0].begin < limit + LEAD):
                return max(limit, self.now)
        return None

    def _event(self) -> None:
        if self.strobes and self.strobes[0][0] == self.now:
            self._put(self.code | (self.settings["strobe"] if self.strobes.pop(0)[1] else 0))
        elif self.waiting and self.waiting.begin == self.now:
            marker, self.waiting = self.waiting, None
            self._goes_out(marker)
        elif self.ahead and self.ahead[0].begin == self.now:
            self._begins()
        elif self.out and self.out.end == self.now:
            self._goes_idle()
        elif self.playing:
            self._next_step()
        elif self.out:
            code = self.out.code
            self._goes_idle()
            self._notice(Notice.HOLD_ENDED, {"time": self.now, "code": code})

    def _next_step(self) -> None:
        playing = self.playing
        if playing.repeats and playing.begun == playing.repeats * len(self.steps):
            self.sequence.update(state=3, played=playing.begun, ended=self.now)
            self._goes_idle()
            self._notice(Notice.SEQUENCE_ENDED, {"time": self.now, "played": playing.begun})
            return
        code, hold = self.steps[playing.begun % len(self.steps)]
        playing.begun += 1
        playing.next_at += hold
        self._show(code, hold)

    # Lines

    def _show(self, code: int, lasts: int | None = 0) -> None:
        """A code that lasts so long, or until something else comes."""
        self.code = code
        self.strobes = []
        if code and self.settings["strobe"]:
            end = self.now + (self.settings["width"] if lasts is None else lasts)
            self.strobes = [(self.now + self.settings["strobe_lead"], True),
                            (end - self.settings["strobe_hold"], False)]
        self._put(code)

    def _put(self, code: int) -> None:
        levels = code ^ (0xFF if self.settings["idle"] else 0)
        if levels == self.levels:
            return
        self.levels = levels
        self.edges.append((self.now, levels))
        if self.capturing is not None:
            self._capture_change(levels)

    def _capture_change(self, levels: int, source: int = 0, time: int | None = None) -> None:
        if len(self.captured) == EDGES:
            self.losing = min(255, self.losing + 1)
            self.counters["edges_lost"] += 1
        else:
            time = self.now if time is None else time
            self.captured.append((time, levels, self.losing, source))
            self.losing = 0

    def _goes_idle(self) -> None:
        self.out = self.playing = None
        self.idle_since = self.now
        self._show(0)

    def _goes_out(self, marker: Out) -> None:
        if marker.code and self.out and self.out.code == marker.code:
            marker.notes = 0 if self.settings["strobe"] else 1
        self.out = marker if marker.code else None
        self._show(marker.code, marker.width)
        self.counters["markers"] += 1
        if marker.source is None:
            self._tell_byte(marker.code, 0, marker.lasted, marker.delay, marker.notes)
            return
        if marker.number:
            self._tell_edge(marker, 0)
            return
        self._remember(marker, 1, 0, self.now)
        if marker.lasted == NO_CUT and marker.delay == 0 and not marker.notes:
            self._say(Answer.DONE, marker.source[1], {"time": self.now})
        else:
            noted = {"time": self.now, "lasted": marker.lasted, "delay": marker.delay,
                     "notes": marker.notes}
            self._say(Answer.DONE_NOTED, marker.source[1], noted)

    def marker(self, marker: Out) -> None:
        """Section 6, rule by rule."""
        self._check_code(marker.code)
        if self.playing:
            raise Refusal(Reason.PLAYING)
        if marker.code and self.waiting:
            raise Refusal(Reason.WAITING, self.waiting.begin - self.now)
        pulse = self._unfinished()
        if marker.code and pulse and self.settings["overlap"]:
            raise Refusal(Reason.OVERLAP, self._end(pulse) - self.now)
        gap = self.settings["gap"] if marker.code else 0
        wait = 0
        if gap and self.out:
            wait = gap
        elif gap and self.idle_since is not None:
            wait = max(0, gap - (self.now - self.idle_since))
        if self.ahead:
            first = self.ahead[0]
            marker.begin = self.now + wait
            if first.begin < self.now + LEAD or (
                marker.code and not self._apart(marker, first, LEAD)
            ):
                raise Refusal(Reason.TAKEN, first.begin - self.now)
        if marker.expiry is not None:
            late = nearest(self.now + wait, marker.expiry)
            if late < 0:
                raise Refusal(Reason.LATE, -late)
        if self.waiting:
            cancelled, self.waiting = self.waiting, None
            self._refuse_marker(cancelled, Refusal(Reason.CANCELLED, cancelled.lasted))
        if pulse:
            marker.lasted = self.now - pulse.begin
        if self.out and (wait or not marker.code):
            self._goes_idle()
        if wait:
            marker.begin = self.now + wait
            marker.delay = wait
            self.waiting = marker
            if marker.source:
                self._remember(marker, 2, 0, 0)
        else:
            marker.begin = self.now
            self._goes_out(marker)

    def _check_code(self, code: int) -> None:
        lines = self.settings["lines"] & ~self.settings["strobe"]
        if code & ~lines:
            raise Refusal(Reason.OUTSIDE_LINES, lines)

    def _end(self, marker: Out) -> int | None:
        """When it is over: a pulse, or the strobe of a code that is held."""
        if marker.width is None and marker.code and self.settings["strobe"]:
            return marker.begin + self.settings["width"]
        return marker.end

    def _unfinished(self) -> Out | None:
        """What is on the lines and would be cut."""
        end = self._end(self.out) if self.out else None
        return self.out if end is not None and end > self.now else None

    # Markers ahead

    def _apart(self, one: Out, other: Out, least: int) -> bool:
        """Whether `other` may go out so soon after `one`."""
        after = other.begin - one.begin
        gap = self.settings["gap"] if other.code else 0
        if after < least:
            return False
        end = self._end(one)
        if one.code and self.settings["strobe"] and end > other.begin:
            return False
        if one.code and one.width is None and gap:
            return False
        if one.code and (end is None or end > other.begin):
            cut = end is not None and other.code and self.settings["overlap"]
            return not gap and not cut
        idle = other.begin - end if one.code else after
        return idle >= gap and not 0 < idle < least

    def _apart_from_lines(self, marker: Out) -> bool:
        if self.waiting or self.out:
            before = self.waiting or self.out
            return before.begin <= marker.begin and self._apart(before, marker, 1)
        if self.idle_since is None:
            return True
        return self._apart(Out(0, None, None, begin=self.idle_since), marker, 0)

    def _accept(self, marker: Out, asked: int, expiry: int) -> None:
        marker.begin = max(asked, self.now + LEAD)
        marker.delay = marker.begin - asked
        if nearest(marker.begin, expiry) < 0:
            raise Refusal(Reason.LATE, -nearest(marker.begin, expiry))
        if self.ahead and self.ahead[0].repeats is not None:
            raise Refusal(Reason.TAKEN, self.ahead[0].begin - self.now)
        if len(self.ahead) == PLACES:
            raise Refusal(Reason.PLACES, PLACES)
        earlier = [each for each in self.ahead if each.begin <= marker.begin]
        later = self.ahead[len(earlier):]
        if earlier and not self._apart(earlier[-1], marker, 1):
            raise Refusal(Reason.TAKEN, earlier[-1].begin - self.now)
        if not earlier and not self._apart_from_lines(marker):
            raise Refusal(Reason.TAKEN)
        if later and not self._apart(marker, later[0], 1):
            raise Refusal(Reason.TAKEN, later[0].begin - self.now)
        if self.steps:
            self._forget_sequence()
        self.accepted += 1
        marker.number = self.accepted
        if len(self.ahead) + len(self.ended) == PLACES:
            del self.ended[min(self.ended)]
        self.ahead = [*earlier, marker, *later]
        self._tell_accepted(marker.source[1], marker.code)

    def _tell_accepted(self, tag: int, code: int) -> None:
        self.history[tag] = {
            "asked": tag, "outcome": 4, "code": code, "reason": 0, "time": 0, "lasted": 0,
            "delay": 0, "notes": 0, "number": self.accepted,
        }
        self._say(Answer.ACCEPTED, tag, {"number": self.accepted})

    def _begins(self) -> None:
        marker = self.ahead.pop(0)
        pulse = self._unfinished()
        if pulse:
            marker.lasted = self.now - pulse.begin
        if marker.repeats is not None:
            code = self.steps[0][0]
            if code and self.out and self.out.code == code and not self.settings["strobe"]:
                marker.notes = 1
            self._plays(marker.repeats)
            self._tell_edge(marker, 0)
            return
        if self.out and not marker.code:
            self._goes_idle()
        self._goes_out(marker)

    def _tell_edge(self, marker: Out, reason: int) -> None:
        marker.delay = 0 if reason else marker.delay
        told = {"time": self.now, "lasted": marker.lasted, "delay": marker.delay,
                "notes": marker.notes, "reason": reason}
        self._notice(Notice.MARKER_EDGE, {"number": marker.number, **told})
        outcome = 3 if reason else 1
        if marker.repeats is not None:
            self.start_ended = (marker.number, {**told, "outcome": outcome, "code": 0})
        else:
            self.ended[marker.number] = {**told, "outcome": outcome, "code": marker.code}

    def _take_back(self, marker: Out, reason: Reason) -> None:
        self.ahead.remove(marker)
        self.counters["refused"] += 1
        if marker.repeats is not None:
            self.sequence.update(state=1, repeats=0, played=0, started=0, ended=0)
        self._tell_edge(marker, reason)

    def _cancel(self, tag: int, number: int) -> None:
        self._take_back_all(number)
        self._done(tag)

    def _take_back_all(self, number: int = 0) -> None:
        for marker in list(self.ahead):
            if number in (0, marker.number):
                self._take_back(marker, Reason.CANCELLED)
        before = None
        for marker in list(self.ahead):
            if self._apart(before, marker, 1) if before else self._apart_from_lines(marker):
                before = marker
            else:
                self._take_back(marker, Reason.TAKEN)

    def _fate_of_number(self, tag: int, number: int) -> None:
        told = {"outcome": 0, "code": 0, "reason": 0, "time": 0, "lasted": 0, "delay": 0,
                "notes": 0}
        if number in self.ended:
            told = self.ended[number]
        if number and number == self.start_ended[0]:
            told = self.start_ended[1]
        for marker in self.ahead:
            if marker.number == number:
                code = marker.code if marker.repeats is None else 0
                told = {**told, "outcome": 4, "code": code, "time": marker.begin,
                        "lasted": NO_CUT, "delay": marker.delay}
        self._say(Answer.FATE, tag, {"asked": 0, **told, "number": number})

    def byte(self, byte: int) -> None:
        """A byte comes in on the byte input."""
        self.counters["bytes"] += 1
        mode = self.settings["byte_mode"]
        marker = Out(byte, self.settings["width"] if mode in (1, 3) and byte else None, None)
        try:
            if mode == 0:
                raise Refusal(Reason.BYTES_OFF)
            if mode == 1 and byte == 0:
                raise Refusal(Reason.NO_MARKER)
            self.marker(marker)
        except Refusal as refusal:
            self._tell_byte(byte, refusal.reason, NO_CUT, 0, 0)
        self.heard = self.now
        self._tell_edges()

    # What is remembered and told

    def _say(self, kind: int, tag: int, told: dict) -> None:
        """With the mark of a session that is in force, except where all versions are the same."""
        same = kind in (Answer.IDENTITY, Notice.STARTED) or (
            kind == Answer.REFUSED and told["reason"] == Reason.VERSION
        )
        self.said.append((kind if same or not self.session else kind | 0x20, tag, told))

    def _notice(self, kind: Notice, told: dict) -> None:
        self.notices += 1
        self._say(kind, (self.notices - 1) % 255 + 1, told)

    def _remember(self, marker: Out, outcome: int, reason: int, time: int) -> None:
        """In its own place, which a request with another tag may have taken meanwhile."""
        tag = marker.source[1]
        if tag in self.history:
            self.history[tag] = {
                "asked": tag, "outcome": outcome, "code": marker.code, "reason": reason,
                "time": time, "lasted": marker.lasted, "delay": marker.delay,
                "notes": marker.notes, "number": 0,
            }

    def _tell_byte(self, byte: int, reason: int, lasted: int, delay: int, notes: int) -> None:
        told = {"time": self.now, "byte": byte, "reason": reason, "lasted": lasted,
                "delay": delay, "notes": notes}
        self._notice(Notice.BYTE_MARKER, told)

    def _tell_edges(self) -> None:
        while self.probe_edges:
            told, self.probe_edges = self.probe_edges[:5], self.probe_edges[5:]
            self._notice(Notice.PROBE_EDGES, {"lost": 0, "edges": told})
        while self.sends_edges and self.captured:
            told = self._edges()
            self._notice(Notice.EDGES, told)
            self._drop_edges(told["first"] + len(told["edges"]))

    def _edges(self) -> dict:
        shown = self.captured[:1]
        for edge in self.captured[1:5]:
            if edge[2]:
                break  # a loss is told in front of a message's first entry
            shown.append(edge)
        lost = 0
        if shown:
            lost = shown[0][2]
        elif self.capturing is None:
            lost = self.losing
        edges = [{"time": edge[0], "source": edge[3], "levels": edge[1]} for edge in shown]
        return {"first": self.number + lost, "lost": lost, "edges": edges}

    def _drop_edges(self, first: int) -> None:
        """Those that the host has: with numbers below `first`."""
        while self.captured and self.number + self.captured[0][2] < first:
            self.number += self.captured.pop(0)[2] + 1
        if not self.captured and self.capturing is None and first >= self.number + self.losing:
            self.number += self.losing
            self.losing = 0

    def _refuse(self, request: int, tag: int, refusal: Refusal) -> None:
        self.counters["refused"] += 1
        told = {"request": request, "reason": refusal.reason, "detail": refusal.detail}
        self._say(Answer.REFUSED, tag, told)

    def _refuse_marker(self, marker: Out, refusal: Refusal) -> None:
        if marker.source is None:
            cut = refusal.detail if refusal.reason is Reason.CANCELLED else NO_CUT
            self._tell_byte(marker.code, refusal.reason, cut, 0, 0)
            return
        request, tag = marker.source
        marker.delay = 0
        self._remember(marker, 3, refusal.reason, self.now)
        self._refuse(request, tag, refusal)

    # Requests

    def request(self, number: int, tag: int, length: int, fields: dict) -> None:
        """A good frame comes in now."""
        self.counters["frames"] += 1
        try:
            if number not in set(Request):
                raise Refusal(Reason.UNKNOWN_REQUEST)
            if length != LENGTHS.get(number, 0):
                raise Refusal(Reason.WRONG_LENGTH, LENGTHS.get(number, 0))
            if tag == 0:
                raise Refusal(Reason.TAG_ZERO)
            if number in MARKERS and not self._is_ahead(tag):
                raise Refusal(Reason.TAG_REPEATED, self.newest)
        except Refusal as refusal:
            self._refuse(number, tag, refusal)
        else:
            self._carry_out(Request(number), tag, fields)
        self.heard = self.now
        self._tell_edges()

    def _carry_out(self, request: Request, tag: int, fields: dict) -> None:
        if request not in {Request.IDENTIFY, Request.SESSION} and self._is_ahead(tag):
            self._pass_tags(tag)
            if request in MARKERS:
                self.history[tag] = {}
        try:
            if self.playing and request in NOT_WHILE_PLAYING:
                raise Refusal(Reason.PLAYING)
            getattr(self, "_" + request.name.lower())(tag, **fields)
        except Refusal as refusal:
            if request in MARKERS:
                marker = Out(fields.get("code", 0), None, (request, tag))
                self._refuse_marker(marker, refusal)
            else:
                self._refuse(request, tag, refusal)

    def _is_ahead(self, tag: int) -> bool:
        return self.newest == 0 or (tag - self.newest) % 255 in range(1, 128)

    def _pass_tags(self, tag: int) -> None:
        while self.newest not in (0, tag):
            self.newest = self.newest % 255 + 1
            place = self.newest % HISTORY
            self.history = {key: value for key, value in self.history.items()
                            if key % HISTORY != place}
        self.newest = tag

    def _session(self, tag: int, number: int) -> None:
        if number == 0:
            raise Refusal(Reason.VALUE_RANGE)
        if number != self.session:
            self.session = number
            self.newest = tag
            self.history = {}
            if self.waiting and self.waiting.source:
                self.waiting.source = (self.waiting.source[0], 0)  # nobody's any more
            self._take_back_all()
        self._done(tag)

    def _done(self, tag: int) -> None:
        self._say(Answer.DONE, tag, {"time": self.now})

    def _clock(self, tag: int) -> None:
        self._done(tag)

    def _counters(self, tag: int) -> None:
        counts = {**self.counters, "notices": self.notices}
        self._say(Answer.COUNTERS, tag, {"time": self.now, **counts})

    def _levels(self, tag: int) -> None:
        seen = {"time": self.now, "outputs": self.levels, "readback": self.levels}
        self._say(Answer.LEVELS, tag, seen)

    def _fate(self, tag: int, asked: int) -> None:
        unknown = {"asked": asked, "outcome": 0, "code": 0, "reason": 0, "time": 0, "lasted": 0,
                   "delay": 0, "notes": 0, "number": 0}
        self._say(Answer.FATE, tag, self.history.get(asked, unknown))

    def _pulse(self, tag: int, code: int) -> None:
        if code == 0:
            raise Refusal(Reason.VALUE_RANGE)
        self.marker(Out(code, self.settings["width"], (Request.PULSE, tag)))

    def _pulse_for(self, tag: int, code: int, width: int) -> None:
        if code == 0:
            raise Refusal(Reason.VALUE_RANGE)
        self._check_code(code)
        self._check_time(width, code)
        self.marker(Out(code, width, (Request.PULSE_FOR, tag)))

    def _set(self, tag: int, code: int) -> None:
        self.marker(Out(code, None, (Request.SET, tag)))

    def _timed(self, tag: int, kind: int, code: int, width: int, at: int, expiry: int) -> None:
        if kind > 1:
            raise Refusal(Reason.VALUE_RANGE, 0)
        if kind == 0 and code == 0:
            raise Refusal(Reason.VALUE_RANGE, 1)
        if kind == 1 and width:
            raise Refusal(Reason.VALUE_RANGE, 2)
        if nearest(at, expiry) < 0:
            raise Refusal(Reason.VALUE_RANGE, 10)
        self._check_code(code)
        if kind == 0 and width:
            self._check_time(width, code)
        lasts = None if kind == 1 else width or self.settings["width"]
        to_come = nearest(self.now, at)
        if to_come > 0:
            self._accept(Out(code, lasts, (Request.TIMED, tag)), self.now + to_come, expiry)
            return
        self.marker(Out(code, lasts, (Request.TIMED, tag), expiry=expiry))

    def _check_time(self, us: int, code: int) -> None:
        least = 1
        if code and self.settings["strobe"]:
            least += self.settings["strobe_lead"] + self.settings["strobe_hold"]
        if us < least:
            raise Refusal(Reason.WIDTH_RANGE, least)
        if us > LONGEST:
            raise Refusal(Reason.WIDTH_RANGE, LONGEST)

    def _forget_sequence(self) -> None:
        self.steps = []
        self.sequence = {"state": 0, "repeats": 0, "played": 0, "started": 0, "ended": 0}

    def _sequence_load(self, tag: int, index: int, code: int, hold: int) -> None:
        if index >= STEPS:
            raise Refusal(Reason.SEQUENCE_FULL, STEPS)
        if index not in (0, len(self.steps)):
            raise Refusal(Reason.SEQUENCE_ORDER, len(self.steps))
        self._check_code(code)
        self._check_time(hold, code)
        if self.ahead:
            raise Refusal(Reason.LINES_BUSY)
        if index == 0:
            self._forget_sequence()
            self.ended = {}  # the places lie in the same memory
        self.steps.append((code, hold))
        self.sequence["state"] = 1
        self._done(tag)

    def _check_start(self, repeats: int) -> None:
        if not self.steps:
            raise Refusal(Reason.SEQUENCE_EMPTY)
        if repeats * len(self.steps) > 2**32 - 1:
            raise Refusal(Reason.SEQUENCE_LONG, (2**32 - 1) // len(self.steps))

    def _plays(self, repeats: int) -> None:
        code, hold = self.steps[0]
        self.out = None
        self.playing = Playing(self.now, repeats, self.now + hold)
        self.sequence.update(state=2, repeats=repeats, started=self.now, ended=0)
        self._show(code, hold)
        self.counters["markers"] += 1

    def _sequence_start_at(self, tag: int, repeats: int, at: int) -> None:
        self._check_start(repeats)
        if self.ahead:
            raise Refusal(Reason.LINES_BUSY)
        to_come = nearest(self.now, at)
        if to_come < LEAD:
            raise Refusal(Reason.LATE, LEAD - to_come)
        marker = Out(255, None, (Request.SEQUENCE_START_AT, tag), self.now + to_come)
        marker.repeats = repeats
        if not self._apart_from_lines(marker):
            raise Refusal(Reason.TAKEN)
        self.accepted += 1
        marker.number = self.accepted
        self.ahead = [marker]
        self.sequence.update(state=5, repeats=repeats, played=0, started=marker.begin, ended=0)
        self._tell_accepted(tag, 0)

    def _sequence_start(self, tag: int, repeats: int) -> None:
        self._check_start(repeats)
        if self.out or self.waiting or self.ahead:
            raise Refusal(Reason.LINES_BUSY)
        idle = self.now - self.idle_since if self.idle_since is not None else LONGEST
        if idle < self.settings["gap"]:
            raise Refusal(Reason.LINES_BUSY, self.settings["gap"] - idle)
        self._plays(repeats)
        self._remember(Out(0, None, (Request.SEQUENCE_START, tag)), 1, 0, self.now)
        self._done(tag)

    def _sequence_state(self, tag: int) -> None:
        played = self.playing.begun if self.playing else self.sequence["played"]
        told = {**self.sequence, "steps": len(self.steps), "played": played}
        self._say(Answer.SEQUENCE, tag, told)

    def _sequence_stop(self, tag: int) -> None:
        if self.sequence["state"] == 5:
            self._take_back_all()
        if self.playing:
            self.sequence.update(state=4, played=self.playing.begun, ended=self.now)
            self._goes_idle()
        self._sequence_state(tag)

    def _capture_start(self, tag: int, mode: int) -> None:
        if mode > 1:
            raise Refusal(Reason.VALUE_RANGE)
        self.capturing = mode
        self.sends_edges = mode == 1
        self.captured = [(self.now, self.levels, 0, 0)]
        self.losing = 0
        self.number = 0
        self._done(tag)

    def _capture_fetch(self, tag: int, first: int) -> None:
        self._drop_edges(first if first < 2**31 else first - 2**32)
        self._say(Answer.EDGES, tag, self._edges())

    def _capture_stop(self, tag: int) -> None:
        self.capturing = None
        self._done(tag)

    def _settings_read(self, tag: int) -> None:
        told = {"origin": self.store["origin"], "kept": self.store["kept"]}
        self._say(Answer.SETTINGS, tag, {**told, "record": dict(self.settings)})

    def _need_idle(self) -> None:
        if self.out or self.waiting or self.ahead:
            raise Refusal(Reason.LINES_BUSY)

    def _settings_write(self, tag: int, **record) -> None:
        self._need_idle()
        lawful = {
            "name": True,
            "width": 1 <= record["width"] <= LONGEST,
            "gap": record["gap"] <= 1_000_000,
            "hold_limit": record["hold_limit"] == 0 or 1000 <= record["hold_limit"] <= LONGEST,
            "byte_baud": 1200 <= record["byte_baud"] <= 1_000_000,
            "lines": record["lines"] != 0,
            "idle": record["idle"] <= 1,
            "overlap": record["overlap"] <= 1,
            "byte_mode": record["byte_mode"] <= 3,
        }
        for name, fine in lawful.items():
            if not fine:
                raise Refusal(Reason.VALUE_RANGE, OFFSETS[name])
        probes = record["probes"]
        if probes >= 128:
            raise Refusal(Reason.UNSUPPORTED, 37)
        if strobe := record["strobe"]:
            others = record["lines"] & ~strobe
            lead, hold = record["strobe_lead"], record["strobe_hold"]
            for name, fine in {
                "strobe": strobe.bit_count() == 1 and strobe & record["lines"] and others,
                "strobe_lead": lead >= 1,
                "strobe_hold": hold >= 1,
                "width": record["width"] > lead + hold,
            }.items():
                if not fine:
                    raise Refusal(Reason.VALUE_RANGE, OFFSETS[name])
        watched = {name for bit, name in enumerate(PROBE_BITS) if probes >> bit & 1}
        if (
            {"light level", "light edge"} <= watched
            or {"sound level", "sound edge"} <= watched
            or ("ttl low" in watched and "ttl" not in watched)
            or ("light steady" in watched and "light level" not in watched)
        ):
            raise Refusal(Reason.VALUE_RANGE, 37)
        for letter, name in (("a", "light level"), ("b", "sound level")):
            threshold, hysteresis = record[f"threshold_{letter}"], record[f"hysteresis_{letter}"]
            if name in watched and threshold == 0:
                raise Refusal(Reason.VALUE_RANGE, PROBES[f"threshold_{letter}"])
            if hysteresis > threshold:
                raise Refusal(Reason.VALUE_RANGE, PROBES[f"hysteresis_{letter}"])
        self._in_force(record)
        self._done(tag)

    def _settings_factory(self, tag: int) -> None:
        self._need_idle()
        self._in_force(dict(FACTORY))
        self._done(tag)

    def _in_force(self, record: dict) -> None:
        self.settings = record
        self._forget_sequence()
        self._show(0)
        self._watch_probes()

    def _settings_keep(self, tag: int) -> None:
        self._need_idle()
        if not self.store["origin"] or self.store["record"] != self.settings:
            origin = 2 if self.store["origin"] == 1 else 1
            kept = self.store["kept"] + 1
            self.store = {"origin": origin, "kept": kept, "record": dict(self.settings)}
        self._done(tag)
