"""Random requests go to the firmware core and to the model; both must say and do the same."""

from __future__ import annotations

from hypothesis import HealthCheck, settings, stateful
from hypothesis import strategies as st
from model import FACTORY, INPUTS, PROBES, Model

from tallymark.box.wire import frames, layouts
from tallymark.box.wire.protocol_enumerations import (
    IN_SESSION,
    Answer,
    Cause,
    Notice,
    Request,
)
from tallymark.virtual import VirtualBox

PIECE_US = 50
"""With an edge every microsecond, what a box says in that time has room in it."""

codes = st.sampled_from([0, 1, 2, 3, 5, 64, 128, 255])
NEXT = -1
"""The tag that a host would use: one more than the last."""
LEAPS = [2**31, 2**32 - 50, 2**32 - 3, 2**32, 2**32 + 7, 2**32 + 5000, 3 * 2**32]
tags = st.sampled_from([NEXT] * 8 + [0, 1, 2, 6, 64, 65, 128, 255])
short = st.integers(0, 12) | st.sampled_from([0, 1, 50, 3000, 3_600_000_000, 3_600_000_001])
records = st.fixed_dictionaries(
    {
        "name": st.sampled_from([bytes(16), b"Booth 2".ljust(16, b"\0")]),
        "width": st.integers(0, 12),
        "gap": st.sampled_from([0, 0, 1, 5, 1_000_000, 1_000_001]),
        "hold_limit": st.sampled_from([0, 999, 1000, 1010]),
        "byte_baud": st.sampled_from([1199, 1200, 9600, 1_000_000, 1_000_001]),
        "lines": st.sampled_from([0, 1, 7, 255, 255]),
        "idle": st.integers(0, 2),
        "overlap": st.integers(0, 2),
        "byte_mode": st.integers(0, 4),
        "strobe": st.sampled_from([0, 0, 2, 3, 128]),
        "strobe_lead": st.sampled_from([0, 1, 3, 65_535]),
        "strobe_hold": st.sampled_from([0, 1, 3, 65_535]),
    }
).map(lambda some: FACTORY | some)
lawful_records = st.fixed_dictionaries(
    {
        "width": st.integers(1, 12),
        "gap": st.sampled_from([0, 0, 1, 5]),
        "hold_limit": st.sampled_from([0, 1000]),
        "lines": st.sampled_from([7, 255]),
        "idle": st.integers(0, 1),
        "overlap": st.integers(0, 1),
        "byte_mode": st.integers(0, 3),
    }
).map(lambda some: FACTORY | some)
strobed_records = st.tuples(
    lawful_records,
    st.fixed_dictionaries(
        {
            "width": st.integers(9, 20),
            "strobe": st.sampled_from([1, 2, 4]),
            "strobe_lead": st.integers(1, 4),
            "strobe_hold": st.integers(1, 4),
        }
    ),
).map(lambda both: both[0] | both[1])


def parsed(frame: frames.Frame) -> tuple[int, int, dict]:
    """A frame from the box as the model writes it."""
    kind, tag, body = frame
    known = kind & ~IN_SESSION
    layout = layouts.ANSWERS[Answer(known)] if kind < 0xC0 else layouts.NOTICES[Notice(known)]

    def plain(value):
        if isinstance(value, dict):
            return {name: plain(each) for name, each in value.items() if name != "_io"}
        return [plain(each) for each in value] if isinstance(value, list) else value

    return kind, tag, plain(layout.parse(body))


class BothBoxes(stateful.RuleBasedStateMachine):
    """The core and the model, side by side."""

    def __init__(self) -> None:
        super().__init__()
        self.box = VirtualBox()
        self.model = Model()
        self.model.start(Cause.POWER)
        self.decoder = frames.Decoder()

        self.last_tag = 1
        self.counted_tag = 0
        self.cut: tuple[int, list[int], int] | None = None
        self.sent = b""

    @stateful.initialize(record=lawful_records | strobed_records)
    def begin_with_settings(self, record):
        self.request(Request.SETTINGS_WRITE, 255, **record)

    def ask(self, request: int, tag: int, body: bytes, fields: dict) -> None:
        if tag == NEXT:
            self.counted_tag = tag = self.counted_tag % 255 + 1
        self.last_tag = tag
        wire = frames.frame(request, tag, body)
        if self.cut is not None:
            (place, data, us), self.cut = self.cut, None
            place = min(place, len(wire) - 1)
            self.box.receive(wire[:place])
            self.byte_input(data)
            self.wait(us)
            wire = wire[place:]
        self.box.receive(wire)
        self.model.request(request, tag, len(body), fields)

    @stateful.rule(
        place=st.integers(1, 8),
        data=st.lists(codes, max_size=2),
        us=st.integers(0, 15) | st.sampled_from([1000, 1010]),
    )
    def cut_the_next_frame(self, place, data, us):
        """In the middle of it, bytes come in on the byte input and time passes."""
        self.cut = (place, data, us)

    def request(self, request: Request, tag: int, **fields) -> None:
        self.ask(request, tag, layouts.REQUESTS[request].build(fields), fields)

    @stateful.rule(tag=tags, code=codes)
    def pulse(self, tag, code):
        self.request(Request.PULSE, tag, code=code)

    @stateful.rule(tag=tags, code=codes, width=short)
    def pulse_for(self, tag, code, width):
        self.request(Request.PULSE_FOR, tag, code=code, width=width)

    @stateful.rule(tag=tags, code=codes)
    def set(self, tag, code):
        self.request(Request.SET, tag, code=code)

    @stateful.rule(tag=tags, number=st.integers(0, 3))
    def session(self, tag, number):
        self.request(Request.SESSION, tag, number=number)

    @stateful.rule(
        tag=tags,
        kind=st.sampled_from([0, 0, 0, 1, 1, 2]),
        code=codes,
        width=st.just(0) | short,
        at=st.integers(-20, 2) | st.sampled_from([-(2**31), 2**31 - 5]),
        left=st.integers(-3, 8) | st.sampled_from([1000, 2**31 - 1]),
    )
    def timed(self, tag, kind, code, width, at, left):
        """Times from now on."""
        now = self.model.now
        self.request(Request.TIMED, tag, kind=kind, code=code, width=width,
                     at=(now + at) % 2**32, expiry=(now + left) % 2**32)

    @stateful.rule(
        tag=tags,
        code=codes,
        width=st.none() | st.just(0) | st.integers(1, 150),
        at=st.integers(1, 320) | st.sampled_from([99, 100, 101, 1000, 2**31 - 1]),
        left=st.integers(0, 100) | st.just(2**30),
    )
    def ahead(self, tag, code, width, at, left):
        """A pulse, or a set where there is no width."""
        time = self.model.now + at
        self.request(Request.TIMED, tag, kind=int(width is None), code=code, width=width or 0,
                     at=time % 2**32, expiry=(time + left) % 2**32)

    @stateful.rule(tag=tags, code=codes, width=st.integers(1, 9), gap=st.integers(0, 30),
                   count=st.sampled_from([2, 3, 33, 40]))
    def many_ahead(self, tag, code, width, gap, count):
        """Behind one another, as many as there are places or more."""
        for n in range(count):
            time = self.model.now + 150 + n * (width + gap)
            self.request(Request.TIMED, tag, kind=0, code=code, width=width, at=time % 2**32,
                         expiry=time % 2**32)

    @stateful.rule(tag=tags, back=st.none() | st.integers(0, 40))
    def cancel(self, tag, back):
        self.request(Request.CANCEL, tag, number=0 if back is None else self.numbered(back))

    @stateful.rule(tag=tags, back=st.integers(0, 40))
    def fate_of_number(self, tag, back):
        self.request(Request.FATE_OF_NUMBER, tag, number=self.numbered(back))

    def numbered(self, back: int) -> int:
        return (self.model.accepted + 1 - back) % 2**32

    @stateful.rule(tag=tags, first=st.integers(-2, 3) | st.integers(0, 400))
    def fetch(self, tag, first):
        """From the place on that comes next, or some entries before or behind it."""
        begin = self.model.number if first < 4 else 0
        self.request(Request.CAPTURE_FETCH, tag, first=(begin + first) % 2**32)

    @stateful.rule(
        tag=tags, probes=st.sampled_from([0x03, 0x43, 0x1C, 0x3C, 0x19, 0x46]),
        threshold=st.sampled_from([1, 500, 0x8000]), below=st.integers(0, 1),
    )
    def watch(self, tag, probes, threshold, below):
        of_probes = {"probes": probes, "threshold_a": threshold, "hysteresis_a": below,
                     "threshold_b": threshold, "hysteresis_b": below * threshold}
        self.request(Request.SETTINGS_WRITE, tag, **FACTORY | of_probes)

    @stateful.rule(
        name=st.sampled_from(INPUTS),
        level=st.sampled_from([0, 1, 499, 500, 0x77FF, 0x7800, 0x7FFF, 0x8000, 65535]),
    )
    def probe(self, name, level):
        self.box.set_probe(name, level)
        self.model.probe(name, level)

    @stateful.rule(us=st.sampled_from([19_999, 20_000, 20_001]))
    def wait_out_a_silence(self, us):
        self.wait(us)

    @stateful.rule(
        tag=tags,
        probes=st.integers(0, 255),
        values=st.lists(st.sampled_from([0, 0, 1, 5, 65535]), min_size=4, max_size=4),
    )
    def write_settings_of_probes(self, tag, probes, values):
        of_probes = dict(zip(PROBES, (probes, *values), strict=True))
        self.request(Request.SETTINGS_WRITE, tag, **FACTORY | of_probes)

    @stateful.rule(tag=tags, asked=st.integers(0, 8) | st.integers(0, 255))
    def fate(self, tag, asked):
        self.request(Request.FATE, tag, asked=asked)

    @stateful.rule(tag=tags)
    def fate_of_the_last(self, tag):
        self.request(Request.FATE, tag, asked=self.last_tag)

    @stateful.rule(tag=tags, index=st.integers(0, 3) | st.just(1024), code=codes, hold=short)
    def load(self, tag, index, code, hold):
        self.request(Request.SEQUENCE_LOAD, tag, index=index, code=code, hold=hold)

    @stateful.rule(tag=tags, steps=st.lists(st.tuples(codes, st.integers(1, 9)), min_size=1))
    def load_all(self, tag, steps):
        for index, (code, hold) in enumerate(steps):
            self.request(Request.SEQUENCE_LOAD, tag, index=index, code=code, hold=hold)

    @stateful.rule(tag=tags, repeats=st.integers(0, 3) | st.just(2**32 - 1))
    def play(self, tag, repeats):
        self.request(Request.SEQUENCE_START, tag, repeats=repeats)

    @stateful.rule(
        tag=tags,
        repeats=st.integers(0, 3) | st.just(2**32 - 1),
        at=st.integers(95, 320) | st.sampled_from([-(2**31), -1, 0, 99, 100, 2**31 - 1]),
    )
    def play_at(self, tag, repeats, at):
        at = (self.model.now + at) % 2**32
        self.request(Request.SEQUENCE_START_AT, tag, repeats=repeats, at=at)

    @stateful.rule(
        steps=st.lists(st.tuples(codes, st.integers(1, 30)), min_size=1, max_size=4),
        repeats=st.integers(0, 3), code=codes, width=st.integers(1, 150),
    )
    def play_soon(self, steps, repeats, code, width):
        """Loaded and accepted, and then a marker comes."""
        self.load_all(NEXT, steps)
        self.play_at(NEXT, repeats, 200)
        self.pulse_for(NEXT, code, width)

    @stateful.rule(
        tag=tags,
        request=st.sampled_from(
            [
                Request.CLOCK,
                Request.COUNTERS,
                Request.LEVELS,
                Request.SEQUENCE_STOP,
                Request.SEQUENCE_STATE,
                Request.CAPTURE_STOP,
                Request.SETTINGS_READ,
                Request.SETTINGS_KEEP,
                Request.SETTINGS_FACTORY,
            ]
        ),
    )
    def ask_without_body(self, tag, request):
        self.request(request, tag)

    @stateful.rule(tag=tags, mode=st.integers(0, 2))
    def capture(self, tag, mode):
        self.request(Request.CAPTURE_START, tag, mode=mode)

    @stateful.rule(tag=tags, record=records | lawful_records | strobed_records)
    def write_settings(self, tag, record):
        self.request(Request.SETTINGS_WRITE, tag, **record)

    @stateful.rule(kind=st.integers(1, 255), tag=tags, body=st.binary(min_size=15, max_size=30))
    def wrong(self, kind, tag, body):
        """No request has a body of 15 to 30 bytes."""
        self.ask(kind, tag, body, {})

    @stateful.rule(data=st.lists(codes, min_size=1, max_size=3))
    def byte_input(self, data):
        for byte in data:
            self.box.byte_input(bytes((byte,)))
            self.model.byte(byte)

    @stateful.rule(us=st.integers(0, 160) | st.integers(980, 1020) | st.just(5000))
    def wait(self, us):
        """In pieces, because the model's host always reads in time."""
        end = self.box.life_us + us
        while self.box.life_us < end:
            self.box.advance(min(end, self.box.life_us + PIECE_US))
            self.sent += self.box.take()
        self.model.advance(self.model.now + us)

    @stateful.precondition(
        lambda self: not self.model.playing and self.model.sequence["state"] != 5
    )
    @stateful.rule(us=st.sampled_from(LEAPS))
    def leap(self, us):
        """Past the 71.6 minutes of 32 bits; a sequence, also a waiting one, has too many steps."""
        self.box.advance(self.box.life_us + us)
        self.sent += self.box.take()
        self.model.advance(self.model.now + us)

    @stateful.rule()
    def power_cycle(self):
        self.box.start(Cause.POWER)
        self.cut = None
        self.model.edges.clear()
        self.box.edges()
        self.model.start(Cause.POWER)
        self.box.take()
        self.model.said.clear()
        self.box.edges()
        self.model.edges.clear()

    @stateful.invariant()
    def both_said_the_same(self):
        said, self.model.said = self.model.said, []
        sent, self.sent = self.sent + self.box.take(), b""
        assert [parsed(frame) for frame in self.decoder.feed(sent)] == said

    @stateful.invariant()
    def both_moved_the_same(self):
        moved, self.model.edges = self.model.edges, []
        assert [tuple(edge)[:2] for edge in self.box.edges()] == moved


TestBothBoxes = BothBoxes.TestCase
TestBothBoxes.settings = settings(
    max_examples=200,
    stateful_step_count=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],  # other work on the same machine is no fault
)
