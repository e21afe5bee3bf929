"""The C client as a program sees it that can only load a C library: through ctypes."""

from __future__ import annotations

import ctypes
import subprocess
from ctypes import POINTER, Structure, byref, c_char, c_char_p, c_int, c_size_t, c_void_p
from ctypes import c_uint8 as u8
from ctypes import c_uint16 as u16
from ctypes import c_uint32 as u32
from ctypes import c_uint64 as u64
from pathlib import Path

from tallymark import Box
from tallymark.virtual import Server, VirtualBox

FOLDER = Path(__file__).parents[2] / "host" / "c"
STRICT = ["-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror"]
OPEN, DONE, REFUSED, UNCONFIRMED = range(4)
NONE_CUT = 0xFFFFFFFF
ERRORS = {
    -1: "BAD_VALUE", -2: "NO_PORT", -3: "BUSY", -4: "DENIED", -5: "NOT_A_BOX", -6: "VERSION",
    -7: "GONE", -8: "REFUSED", -9: "UNCONFIRMED", -10: "NO_ANSWER", -11: "RESTARTED",
    -12: "PLAYING", -13: "NOT_IDLE",
}  # fmt: skip
WHYS = ["", "UNKNOWN", "SILENT", "FORGOTTEN", "RESTARTED", "GONE", "CLOSED", "TAKEN", "OTHER"]
VERDICTS = [
    "not used", "good", "always low", "always high", "inverted", "shows", "high with", "low with",
    "unclear",
]  # fmt: skip


def compile_c(target: Path, *arguments: str | Path, compiler: str = "cc") -> Path:
    """Compiles with all warnings as errors; returns the target."""
    standard = ["-std=c11"] if compiler != "g++" else []
    command = [compiler, *standard, *STRICT, f"-I{FOLDER}", "-o", target, *arguments]
    subprocess.run([str(part) for part in command], check=True)
    return target


class Marker(Structure):
    _fields_ = [
        ("number", u32), ("code", u8), ("tag", u8), ("kind", u8), ("outcome", u8), ("reason", u8),
        ("why", u8), ("by_fate", u8), ("has_detail", u8), ("no_edge", u8), ("detail", u32),
        ("cut_us", u32), ("delay_us", u32), ("width_us", u32), ("held_back_us", u32),
        ("sent_ns", u64), ("box_time_us", u64), ("at_us", u64), ("ahead_number", u32),
        ("host_bound_ns", u32), ("host_ns", u64),
    ]  # fmt: skip


class Ahead(Structure):
    _fields_ = [
        ("at_ns", u64), ("after_us", u64), ("at_us", u64), ("width_us", u32), ("late_us", u32),
        ("bound_us", u32),
    ]  # fmt: skip


class Instant(Structure):
    _fields_ = [("box_time_us", u64), ("host_ns", u64), ("bound_ns", u64)]


class Totals(Structure):
    _fields_ = [
        (name, u32)
        for name in ("sent", "open", "done", "refused", "unconfirmed", "held_back",
                     "frames_broken", "strays", "starts", "notices_lost", "holds_ended",
                     "byte_markers")
    ]  # fmt: skip


class Identity(Structure):
    _fields_ = [
        ("major", u8), ("minor", u8), ("firmware", u8 * 3), ("board", u8), ("serial", u8 * 8),
        ("cause", u8), ("newest_tag", u8), ("history", u8), ("last_notice", u8),
        ("capabilities", u16), ("window", u16), ("steps", u16), ("edges", u16),
        ("least_width_us", u32), ("longest_width_us", u32), ("session", u32), ("name", c_char * 17),
        ("places", u8), ("least_lead_us", u16),
    ]  # fmt: skip


class Settings(Structure):
    _fields_ = [
        ("kept", u32), ("width_us", u32), ("gap_us", u32), ("hold_limit_us", u32),
        ("byte_baud", u32), ("origin", u8), ("lines", u8), ("idle_high", u8), ("overlap", u8),
        ("byte_mode", u8), ("strobe", u8), ("strobe_lead_us", u16), ("strobe_hold_us", u16),
        ("probes", u8), ("light_threshold", u16), ("light_hysteresis", u16),
        ("sound_threshold", u16), ("sound_hysteresis", u16), ("name", c_char * 17),
    ]  # fmt: skip


class Levels(Structure):
    _fields_ = [("box_time_us", u64), ("outputs", u8), ("readback", u8)]


class Clock(Structure):
    _fields_ = [("box_time_us", u64), ("sent_ns", u64), ("received_ns", u64)]


class Counters(Structure):
    _fields_ = [
        ("box_time_us", u64),
        *((name, u32) for name in ("frames", "frames_broken", "refused", "markers", "bytes",
                                   "edges_lost", "messages_lost", "input_lost", "notices")),
    ]  # fmt: skip


class Edge(Structure):
    _fields_ = [("box_time_us", u64), ("levels", u8)]


class Step(Structure):
    _fields_ = [("hold_us", u32), ("code", u8)]


class SequenceInfo(Structure):
    _fields_ = [
        ("started_us", u64), ("ended_us", u64), ("repeats", u32), ("played", u32), ("steps", u16),
        ("state", u8),
    ]  # fmt: skip


class Selftest(Structure):
    _fields_ = [
        ("tried", u16), ("right", u16), ("verdict", u8 * 8), ("other", u8 * 8),
        ("text", c_char * 320),
    ]  # fmt: skip


ENDED = ctypes.CFUNCTYPE(None, c_void_p, POINTER(Marker))


class ClientError(Exception):
    """An error of the C client: its name, and its text."""

    def __init__(self, number: int, text: str) -> None:
        self.name = ERRORS[number]
        super().__init__(text)


class Library:
    """Calls the functions of the shared library and turns negative results into ClientError."""

    def __init__(self, path: Path) -> None:
        self.lib = ctypes.CDLL(str(path))
        self.lib.tallymark_size.restype = c_size_t
        self.lib.tallymark_now_ns.restype = u64
        self.lib.tallymark_text.restype = c_char_p
        self.lib.tallymark_text.argtypes = [c_void_p]
        self.lib.tallymark_get_totals.restype = None
        self.lib.tallymark_get_identity.restype = None
        self.lib.tallymark_on_end.restype = None
        self.lib.tallymark_on_end.argtypes = [c_void_p, ENDED, c_void_p]
        self.lib.tallymark_sequence.argtypes = [c_void_p, POINTER(Step), c_size_t, u32]

    @classmethod
    def made_in(cls, folder: Path) -> Library:
        target = folder / "libtallymark.so"
        return cls(compile_c(target, "-O2", "-shared", "-fPIC", FOLDER / "tallymark.c"))

    def open(self, where: str) -> CBox:
        return CBox(self, where)


class CBox:
    """A box in memory that Python owns. A context manager."""

    def __init__(self, library: Library, where: str) -> None:
        self.lib = library.lib
        self._memory = (u64 * (self.lib.tallymark_size() // 8 + 1))()
        self.call("open", where.encode())

    def call(self, name: str, *arguments: object) -> int:
        result: int = getattr(self.lib, f"tallymark_{name}")(byref(self._memory), *arguments)
        if result < 0:
            raise ClientError(result, self.text)
        return result

    @property
    def text(self) -> str:
        text: bytes = self.lib.tallymark_text(byref(self._memory))
        return text.decode()

    def _filled(self, name: str, structure: type[Structure], *arguments: object):
        filled = structure()
        self.call(name, *arguments, byref(filled))
        return filled

    def pulse(self, code: int, width_us: int | None = None) -> int:
        if width_us is None:
            return self.call("pulse", c_int(code))
        return self.call("pulse_for", c_int(code), u32(width_us))

    def set(self, code: int) -> int:
        return self.call("set", c_int(code))

    def pulse_until(self, code: int, expiry_us: int, width_us: int = 0) -> int:
        return self.call("pulse_until", c_int(code), u32(width_us), u64(expiry_us))

    def set_until(self, code: int, expiry_us: int) -> int:
        return self.call("set_until", c_int(code), u64(expiry_us))

    def pulse_ahead(self, code: int, **when: int) -> int:
        return self.call("pulse_ahead", c_int(code), byref(Ahead(**when)))

    def set_ahead(self, code: int, **when: int) -> int:
        return self.call("set_ahead", c_int(code), byref(Ahead(**when)))

    def cancel(self, number: int = 0) -> int:
        return self.call("cancel", c_int(number))

    def sync_clock(self, rounds: int = 8) -> None:
        self.call("sync_clock", c_int(rounds))

    def to_host(self, box_time_us: int) -> Instant:
        return self._filled("to_host", Instant, u64(box_time_us))

    def to_box(self, host_ns: int) -> Instant:
        return self._filled("to_box", Instant, u64(host_ns))

    def wait(self, number: int) -> Marker:
        return self._filled("wait", Marker, c_int(number))

    def marker(self, number: int) -> Marker:
        return self._filled("marker_of", Marker, c_int(number))

    def wait_all(self) -> int:
        return self.call("wait_all")

    def poll(self, wait_ms: int = 0) -> int:
        return self.call("poll", u32(wait_ms))

    def on_end(self, ended: object) -> None:
        self.lib.tallymark_on_end(byref(self._memory), ended, None)

    def describe(self, number: int) -> str:
        text = ctypes.create_string_buffer(600)
        self.lib.tallymark_describe(byref(self.marker(number)), text, c_size_t(len(text)))
        return text.value.decode()

    def sequence(self, steps: list[tuple[int, int]], repeats: int = 1) -> int:
        """Steps are (code, hold in microseconds)."""
        array = (Step * len(steps))(*(Step(hold_us, code) for code, hold_us in steps))
        return self.call("sequence", array, len(steps), repeats)

    def sequence_ahead(
        self, steps: list[tuple[int, int]], repeats: int = 1, **when: int
    ) -> int:
        array = (Step * len(steps))(*(Step(hold_us, code) for code, hold_us in steps))
        times = byref(Ahead(**when))
        return self.call("sequence_ahead", array, c_size_t(len(steps)), u32(repeats), times)

    def sequence_wait(self, wait_ms: int) -> SequenceInfo:
        return self._filled("sequence_wait", SequenceInfo, u32(wait_ms))

    def sequence_look(self) -> SequenceInfo:
        return self._filled("sequence_look", SequenceInfo)

    def sequence_stop(self) -> SequenceInfo:
        return self._filled("sequence_stop", SequenceInfo)

    def capture_start(self) -> None:
        self.call("capture_start")

    def capture_fetch(self, most: int = 1000) -> tuple[list[tuple[int, int]], int]:
        """Edges as (box time in microseconds, levels), and how many are lost so far."""
        edges, lost = (Edge * most)(), u32()
        count = self.call("capture_fetch", edges, c_int(most), byref(lost))
        return [(edge.box_time_us, edge.levels) for edge in edges[:count]], lost.value

    def capture_stop(self) -> None:
        self.call("capture_stop")

    def levels(self) -> Levels:
        return self._filled("read_levels", Levels)

    def clock(self) -> Clock:
        return self._filled("read_clock", Clock)

    def counters(self) -> Counters:
        return self._filled("read_counters", Counters)

    def settings(self) -> Settings:
        return self._filled("read_settings", Settings)

    def selftest(self) -> Selftest:
        return self._filled("selftest", Selftest)

    @property
    def totals(self) -> Totals:
        totals = Totals()
        self.lib.tallymark_get_totals(byref(self._memory), byref(totals))
        return totals

    @property
    def identity(self) -> Identity:
        identity = Identity()
        self.lib.tallymark_get_identity(byref(self._memory), byref(identity))
        return identity

    def close(self) -> int:
        return self.call("close")

    def __enter__(self) -> CBox:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def codes_of(device: VirtualBox) -> list[int]:
    """The codes that were on the lines since the last look, without idle."""
    return [edge.levels for edge in device.edges() if edge.levels]


def change(server: Server, **settings: object) -> None:
    """Writes settings into the served box."""
    with Box.open(server.where) as box:
        box.settings.write(box.settings.read().changed(**settings))
    server.device.edges()
