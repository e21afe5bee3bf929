"""Writes changes of the eight lines as a VCD file (value change dump, IEEE 1364, clause 18).

The file has eight wires of one bit, `line0` to `line7`, which are levels, and `code`, which is what
the lines mean: with idle high, code 0 is all lines high. Where probes were watched, each has a wire
of its name: 1 while it is on, x while that is not known; what was measured of its signal is a real
number. Time is in microseconds from the first change of the lines; a comment in the header tells
the box time of that zero.

`code` is a real number and not a vector of eight bits, because libsigrok 0.5, which Debian has,
gives up on a file at its first vector of more than one bit, while it passes over reals. Viewers
show it as a decimal number, which is how codes are written anyway.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timezone
from typing import IO

from vcd import VCDWriter

from tallymark.common.errors import BadValue

LINES = 8
SCOPE = "tallymark"


class VcdFile:
    """A VCD file that is written change by change. Use it as a context manager, or `close` it.

    file: an open text file. It stays open.
    idle_levels: levels of the lines at code 0: 0x00 with idle low, 0xFF with idle high.
    comment: a line for the header, for instance which box it was.
    probes: the names of those that have a wire.
    signals: names of levels that are measured, which are real numbers; 0 until the first one.
    """

    def __init__(
        self,
        file: IO[str],
        idle_levels: int = 0,
        comment: str = "",
        probes: Iterable[str] = (),
        signals: Iterable[str] = (),
    ) -> None:
        self._file = file
        self._probes: dict[str, bool | None] = dict.fromkeys(probes)
        self._signals = dict.fromkeys(signals, 0.0)
        self._idle = idle_levels
        self._comment = comment
        self._writer: VCDWriter | None = None
        self._last_us = self.zero_us = 0
        self._levels = -1
        self._closed = False
        self.changes = 0
        """Changes written so far; the level at the beginning is not one."""

    def add(self, time_us: int, levels: int) -> None:
        """Adds the levels from a box time on. Times must not go back (BadValue)."""
        if self._closed:
            raise ValueError("the VCD file was closed")
        if self._writer is None:
            self._begin(time_us, levels)
            return
        at = self._at(time_us)
        if levels == self._levels:
            return
        for line, wire in enumerate(self._wires):
            if (levels ^ self._levels) >> line & 1:
                self._writer.change(wire, at, levels >> line & 1)
        self._writer.change(self._code, at, float(levels ^ self._idle))
        self._levels = levels
        self.changes += 1

    def see(self, time_us: int, probe: str, on: bool | None) -> None:
        """What a probe sees is on or off from a box time on; None: that is not known. Times must
        not go back (BadValue)."""
        if self._writer is not None and self._probes[probe] != on:
            self._writer.change(self._probe_wires[probe], self._at(time_us), _bit(on))
        self._probes[probe] = on

    def measure(self, time_us: int, signal: str, level: float) -> None:
        """A level as it was measured at a box time. Times must not go back (BadValue)."""
        if self._writer is not None and self._signals[signal] != level:
            self._writer.change(self._signal_reals[signal], self._at(time_us), float(level))
        self._signals[signal] = level

    def _at(self, time_us: int) -> int:
        if time_us < self._last_us:
            raise BadValue(f"Time {time_us} µs comes after {self._last_us} µs; VCD needs "
                           "increasing times.")
        self._last_us = time_us
        return time_us - self.zero_us

    def _begin(self, time_us: int, levels: int) -> None:
        self.zero_us = self._last_us = time_us
        self._levels = levels
        notes = [f"Time 0 is box time {time_us} us.", self._comment]
        self._writer = writer = VCDWriter(
            self._file,
            timescale="1 us",
            date=datetime.now(timezone.utc).strftime("%Y-%m-%d %H:%M:%S UTC"),
            version="Tallymark",
            comment=" ".join(note for note in notes if note),
        )
        self._wires = [
            writer.register_var(SCOPE, f"line{line}", "wire", 1, levels >> line & 1)
            for line in range(LINES)
        ]
        self._code = writer.register_var(SCOPE, "code", "real", init=float(levels ^ self._idle))
        self._probe_wires = {
            probe: writer.register_var(SCOPE, probe, "wire", 1, _bit(on))
            for probe, on in self._probes.items()
        }
        self._signal_reals = {
            signal: writer.register_var(SCOPE, signal, "real", init=float(level))
            for signal, level in self._signals.items()
        }

    def flush(self) -> None:
        """Hands what was added to the system, so that it survives the end of this program."""
        if self._writer is not None:
            self._writer.flush()

    def close(self, end_us: int | None = None) -> None:
        """Ends the file; `end_us` is the box time until which the last levels lasted."""
        if self._writer is not None:
            end = self._last_us if end_us is None else max(end_us, self._last_us)
            self._writer.close(end - self.zero_us)
            self._writer = None
        self._closed = True

    def __enter__(self) -> VcdFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def write_vcd(
    file: IO[str],
    changes: Iterable[tuple[int, int]],
    end_us: int | None = None,
    idle_levels: int = 0,
    comment: str = "",
    probes: Iterable[tuple[int, str, bool | None]] = (),
) -> int:
    """Writes (time in µs, levels) changes, the first being the levels at the beginning.

    probes: (time in µs, name, whether it is on; None: not known) changes of probes, in any order.
    Returns the number of changes of the lines after the beginning. See `VcdFile` for the other
    arguments.
    """
    seen = sorted(probes, key=lambda change: change[0])  # stable: as told at the same time
    vcd = VcdFile(file, idle_levels, comment, dict.fromkeys(name for _, name, _ in seen))
    at = 0
    for time_us, levels in changes:
        while at < len(seen) and seen[at][0] <= time_us:
            vcd.see(*seen[at])
            at += 1
        vcd.add(time_us, levels)
    for change in seen[at:]:
        vcd.see(*change)
    vcd.close(end_us)
    return vcd.changes


def _bit(on: bool | None) -> int | str:
    return "x" if on is None else int(on)
