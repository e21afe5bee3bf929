"""The core on the smallest board: see small/small.h. Messages and fields as in PROTOCOL.md."""

from __future__ import annotations

import functools
import os
import re
import shlex
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cffi import FFI

from tallymark.box.wire import frames, layouts
from tallymark.box.wire.protocol_enumerations import (
    IN_SESSION,
    Answer,
    Notice,
    Request,
)

ROOT = Path(__file__).resolve().parents[2]
CORE = ROOT / "firmware" / "core"
SMALL = Path(__file__).parent / "small"
BUILT = ROOT / "build" / "core-tests"
STRICT = (
    "-std=c11 -O1 -g -fPIC -shared -Wall -Wextra -Werror "
    "-fsanitize=undefined -fno-sanitize-recover=all"
)
COUNTERS = (
    "frames", "frames_broken", "refused", "markers", "bytes", "edges_lost", "messages_lost",
    "input_lost", "notices",
)
STORE_SIZE = 128
LEAST_US = 50
HOUR = 3_600_000_000
NO_CUT = 0xFFFFFFFF
FACTORY = {
    "name": bytes(16), "width": 5000, "gap": 0, "hold_limit": 0, "byte_baud": 115_200,
    "lines": 255, "idle": 0, "overlap": 0, "byte_mode": 1,
    "strobe": 0, "probes": 0, "strobe_lead": 0, "strobe_hold": 0,
    "threshold_a": 0, "hysteresis_a": 0, "threshold_b": 0, "hysteresis_b": 0,
}


@functools.cache
def library(strobe: bool = True) -> tuple[FFI, Any]:
    """Builds core and board, with the undefined behaviour sanitizer, and loads them.

    strobe: of a board that has one. TALLYMARK_CORE_CFLAGS takes the place of the usual flags (for a
    measurement of coverage).
    """
    built = BUILT / ("small.so" if strobe else "without_strobe.so")
    BUILT.mkdir(parents=True, exist_ok=True)
    flags = os.environ.get("TALLYMARK_CORE_CFLAGS", STRICT)
    subprocess.run(
        [*shlex.split(os.environ.get("CC", "cc")), *shlex.split(flags), f"-I{CORE}", f"-I{SMALL}",
         *([] if strobe else ["-DSMALL_WITHOUT_STROBE"]),
         *sorted(CORE.glob("*.c")), *sorted(SMALL.glob("*.c")), "-o", built],
        check=True,
        cwd=BUILT,
    )
    ffi = FFI()
    header = (SMALL / "small.h").read_text(encoding="utf-8")
    ffi.cdef(re.sub(r"/\*.*?\*/|^#.*?$", "", header, flags=re.DOTALL | re.MULTILINE))
    return ffi, ffi.dlopen(str(built))


@dataclass(frozen=True)
class Course:
    """What the core told the board to play, at box time `time`."""

    time: int
    steps: list[tuple[int, int]]
    repeats: int
    rest: int


class SmallBox:
    """The box of this process, started anew with an erased store."""

    def __init__(self, *, with_strobe: bool = True, **settings: int | bytes) -> None:
        self._ffi, self.lib = library(with_strobe)
        self._decoder = frames.Decoder()
        self.in_session = False
        self.now = 0
        self.tag = 0
        self.fetched = 0
        """The entry of a capture that comes next."""
        self.store = b"\xff" * STORE_SIZE
        self.start()
        self.said()
        if settings:
            self.done(Request.SETTINGS_WRITE, **FACTORY | settings)
        self.said()
        self.courses()

    def start(self, cause: int = 1) -> None:
        """Starts the box with what its store holds."""
        self.now = 0
        self.lib.small_start(cause)

    @property
    def store(self) -> bytes:
        """The non-volatile memory: two slots of 64 bytes."""
        return bytes(self._ffi.buffer(self.lib.small_store(), STORE_SIZE))

    @store.setter
    def store(self, content: bytes) -> None:
        self._ffi.memmove(self.lib.small_store(), content, STORE_SIZE)

    def wait(self, us: int) -> None:
        """Time passes, and then the core gets its turn."""
        self.now += us
        self.lib.small_set_time(self.now)
        self.lib.small_poll()

    def wait_asleep(self, us: int) -> None:
        """Time passes without a turn for the core."""
        self.now += us
        self.lib.small_set_time(self.now)

    def receive(self, data: bytes) -> None:
        """Bytes on the framed port."""
        self.lib.small_receive(data, len(data))

    def said(self) -> list[tuple[int, int, Any]]:
        """What the box has sent: (type, tag, fields). in_session: whether the last says so."""
        buffer = self._ffi.new("uint8_t[]", 16384)
        data = bytes(self._ffi.buffer(buffer, self.lib.small_take(buffer, 16384)))
        found = []
        for kind, tag, body in self._decoder.feed(data):
            self.in_session = bool(kind & IN_SESSION)
            kind &= ~IN_SESSION
            notice = kind >= 0xC0
            layout = layouts.NOTICES[Notice(kind)] if notice else layouts.ANSWERS[Answer(kind)]
            found.append((kind, tag, layout.parse(body)))
        assert self._decoder.broken == 0
        return found

    def frame(self, request: int, tag: int | None = None, **fields: int | bytes) -> bytes:
        """A request as it is on the wire, with the next tag."""
        if tag is None:
            self.tag = tag = self.tag % 255 + 1
        return frames.frame(request, tag, layouts.REQUESTS[Request(request)].build(fields))

    def ask(self, request: int, tag: int | None = None, **fields: int | bytes) -> Any:
        """Sends a request; returns the fields of the one thing that the box says."""
        self.receive(self.frame(request, tag, **fields))
        ((self.kind, _, answer),) = self.said()
        return answer

    def done(self, request: int, **fields: int | bytes) -> Any:
        """As `ask`, for a request that must not be refused."""
        answer = self.ask(request, **fields)
        assert self.kind != Answer.REFUSED, answer
        return answer

    def refused(self, request: int, **fields: int | bytes) -> tuple[int, int]:
        """As `ask`, for a request that must be refused: reason and detail."""
        answer = self.ask(request, **fields)
        assert self.kind == Answer.REFUSED, answer
        assert answer.request == request
        return answer.reason, answer.detail

    def byte(self, value: int) -> Any:
        """A byte of the byte input; returns the notice of it."""
        self.lib.small_byte_input(value)
        ((kind, tag, told),) = self.said()
        assert tag > 0
        assert (kind, told.byte) == (Notice.BYTE_MARKER, value)
        return told

    def courses(self) -> list[Course]:
        """Takes the courses that the core has told the board to play."""
        seen = self._ffi.new("struct small_course[]", 256)
        count = self.lib.small_take_courses(seen, 256)
        return [
            Course(
                each.time,
                [(each.levels[n], each.us[n]) for n in range(each.count)],
                each.repeats,
                each.rest,
            )
            for each in seen[0:count]
        ]

    def counters(self) -> dict[str, int]:
        """The box's counters."""
        answer = self.done(Request.COUNTERS)
        return {name: answer[name] for name in COUNTERS}
