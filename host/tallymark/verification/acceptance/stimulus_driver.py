"""Drives a box through the parts of its acceptance, and notes what was driven.

What is noted suffices to judge a recording of the lines later. Times are box time in microseconds,
which begins at 0 with each start of the box.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from tallymark.box.box import Box
from tallymark.box.link.marker import Marker
from tallymark.box.settings import Settings
from tallymark.common.errors import TallymarkError

Progress = Callable[[str, float, float], None]

SYNC_WIDTH_US = CODE_WIDTH_US = 4_000
REST_US = 5_000
"""Idle time after a pulse."""
WIDTHS_US = (50, 100, 1_000, 5_000, 20_000)
WIDTH_ROUNDS = 3
HOLD_LIMIT_US = 300_000
QUIET_S = 0.1
"""Idle time before and after a part."""
SYNC_MS = {
    "pattern": (20, 30, 50, 25),
    "pattern end": (25, 50, 30, 20),
    "hold": (30, 20, 25, 50),
    "start": (50, 25, 20, 30),
    "start again": (20, 50, 25, 30),
    "cut": (25, 20, 30, 50),
}
"""Distances of the pulses on all lines that begin a part: different for each."""
RUNS = 16**3
"""Numbers of runs, 0 to that less 1."""


def run_distances_ms(run: int) -> tuple[int, int, int]:
    """Three more distances, which tell the run, so that an older trace can't be taken for it."""
    return (20 + 2 * (run // 256 % 16), 20 + 2 * (run // 16 % 16), 20 + 2 * (run % 16))


@dataclass(slots=True)
class Part:
    """One part of what was driven: pulses as (start, code, width), in box time."""

    sync: list[int] = field(default_factory=list)
    """Starts of the pulses by which the part is found."""
    codes: list[tuple[int, int, int]] = field(default_factory=list)
    widths: list[tuple[int, int, int]] = field(default_factory=list)
    sync_end: list[int] = field(default_factory=list)
    """Starts of the pulses after it; behind a restart box time has begun anew."""
    held: tuple[int, int] | None = None
    """Start and code of a code that was held."""
    hold_limit_us: int = 0

    def as_dict(self) -> dict[str, Any]:
        """For JSON."""
        return {name: getattr(self, name) for name in self.__slots__}

    @classmethod
    def of(cls, raw: dict[str, Any]) -> Part:
        """From JSON. TypeError, KeyError or ValueError for something else."""
        held = raw["held"]
        return cls(
            [int(at) for at in raw["sync"]],
            [(int(a), int(b), int(c)) for a, b, c in raw["codes"]],
            [(int(a), int(b), int(c)) for a, b, c in raw["widths"]],
            [int(at) for at in raw["sync_end"]],
            None if held is None else (int(held[0]), int(held[1])),
            int(raw["hold_limit_us"]),
        )


class Driver:
    """Drives the parts. `markers` are those of the codes of `pattern`, for their host times.

    settings: those in force, which `end` restores.
    run: 0 to `RUNS` less 1; it is in the distances of the pulses that begin each part.
    """

    def __init__(
        self, box: Box, settings: Settings, progress: Progress, run: int = 0
    ) -> None:
        self.box = box
        self.all_lines = settings.lines
        self.markers: list[Marker] = []
        self._settings = settings
        self._progress = progress
        self._run = run

    def _prepare(self, hold_limit_us: int = 0) -> None:
        """Settings for a part, not kept: no gap, no strobe (its line carries codes like the others
        meanwhile), and a hold limit or none."""
        self.box.settings.write(
            self._settings.changed(gap_us=0, strobe="none", hold_limit_us=hold_limit_us)
        )

    def pattern(self) -> Part:
        """Every code of the lines in use, then several widths on all of them."""
        self._prepare()
        self.markers = []
        part = Part(self._sync("pattern"))
        codes = [code for code in range(1, 256) if code & ~self.all_lines == 0]
        for done, code in enumerate(codes):
            self._progress("Every code", done, len(codes))
            part.codes.append(self._pulse(code, CODE_WIDTH_US, keep=True))
        widths = [width for width in WIDTHS_US if width >= self.box.identity.least_width_us]
        for _ in range(WIDTH_ROUNDS):
            part.widths += [self._pulse(self.all_lines, width) for width in widths]
        part.sync_end = self._sync("pattern end")
        self._rest(QUIET_S)
        return part

    def hold(self) -> Part:
        """A held code, and silence: the hold limit has to end it."""
        self._prepare(HOLD_LIMIT_US)
        part = Part(self._sync("hold"), hold_limit_us=HOLD_LIMIT_US)
        self._progress("Hold limit", 0, 1)
        part.held = self._set(self.all_lines)
        self._rest(2e-6 * HOLD_LIMIT_US)
        self.box.set(0).wait()
        self._rest(QUIET_S)
        return part

    def start(self) -> Part:
        """A restart of the box."""
        self._prepare()
        part = Part(self._sync("start"))
        self._progress("Restart", 0, 1)
        self.box.restart()
        if self._settings.strobe:  # a kept one is in force again
            self._rest(QUIET_S)
            self._prepare()
        part.sync_end = self._sync("start again")
        self._rest(QUIET_S)
        return part

    def cut(self) -> Part:
        """A code that is held until the power goes."""
        self._prepare()
        part = Part(self._sync("cut"))
        part.held = self._set(self.all_lines)
        self._rest(QUIET_S)
        return part

    def end(self) -> None:
        """Puts the settings of before in force again."""
        self.box.set(0).wait()
        self.box.settings.write(self._settings)

    def _sync(self, name: str) -> list[int]:
        self._rest(QUIET_S)
        starts = []
        for after_ms in (*SYNC_MS[name], *run_distances_ms(self._run), 30):
            starts.append(_time(self.box.pulse(self.all_lines, SYNC_WIDTH_US).wait()))
            self._rest(after_ms * 1e-3)
        return starts

    def _pulse(self, code: int, width_us: int, keep: bool = False) -> tuple[int, int, int]:
        marker = self.box.pulse(code, width_us).wait()
        if keep:
            self.markers.append(marker)
        self._rest((width_us + REST_US) * 1e-6)
        return _time(marker), code, width_us

    def _set(self, code: int) -> tuple[int, int]:
        return _time(self.box.set(code).wait()), code

    def _rest(self, seconds: float) -> None:
        self.box.pacing.sleep(seconds)


def _time(marker: Marker) -> int:
    if marker.box_time_us is None or marker.cut_lasted_us is not None:
        raise TallymarkError(
            f"Code {marker.code} was not put out as a pulse of its own, so this acceptance says "
            "nothing. Something else sends markers: stop it, then begin this step again."
        )
    return marker.box_time_us
