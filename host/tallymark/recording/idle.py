"""Which level pattern of the lines is idle, and which level is active.

Pulses go back to idle after each code; then idle is the pattern that every other one is followed
by. Codes that are held go from one to the next, so that the commonest code may look like idle. What
speaks for it then is that all lines are low, or all are high: code 0. Where both can be true, the
caller may know (`Sent`), and otherwise nothing is guessed.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from tallymark.common.formatting import listed
from tallymark.recording.recording_data import Codes, Floats, Ints, RecordingError

Active = Literal["high", "low"]

_RETURNS = 0.6  # of the other patterns; three held codes in turn reach 0.5
_MOST_OF_THE_TIME = 2 / 3
_MANY = 8


@dataclass(frozen=True)
class Idle:
    """levels: of the lines in use at idle, as recorded. active: level of an active line.
    notes: what is not certain about it."""

    levels: int
    active: Active
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Patterns:
    """Patterns that occur (shape (n,)), with their share of the time and of the other patterns that
    each is followed by; first: the pattern at the beginning."""

    value: Ints
    time: Floats
    returns: Floats
    first: int

    def usual(self) -> int:
        """The pattern that the lines had for the longest time."""
        return int(self.value[self.time.argmax()])

    def time_of(self, value: int) -> float:
        """Share of the time that a pattern had; 0 if it doesn't occur."""
        return float(self.time[self.value == value].sum())

    def alternating(self) -> list[int]:
        """Patterns that most of the others go back to."""
        return [int(value) for value in self.value[self.returns >= _RETURNS]]


def find_idle(
    start: Ints,
    code: Codes,
    end: int,
    lines: int,
    active: Active | None,
    held: bool | None,
    path: Path,
    expected: Active | None = None,
) -> Idle:
    """Find the idle pattern.

    Args:
        start, code: of each step (shape (n,)), masked with `lines`; end: number of samples.
        active: level of an active line, None if it isn't known.
        held: whether codes stay until the next one, None if it isn't known.
        expected: level of an active line as it should be, None if nobody says.

    Raises:
        RecordingError: several patterns may be idle; it names them.
    """
    patterns = _patterns(start, code, end)
    zeros = {"high": [0], "low": [lines], None: [0, lines]}[active]
    zeros = [value for value in zeros if patterns.time_of(value)]
    if len(patterns.value) == 1:
        levels: int | None = patterns.usual()
    elif held:
        levels = _of_held(patterns, zeros)
        if levels is None and not zeros:
            levels = lines if active == "low" else 0
            note = f"Idle does not occur in the recording; it is taken to be levels {levels}."
            return _with_level(levels, code, lines, active, expected, note)
    elif held is False:
        often = patterns.time_of(patterns.usual()) >= _MOST_OF_THE_TIME
        levels = patterns.usual() if often else _of_pulses(patterns, zeros)
    else:
        levels = _of_either(patterns, zeros)
    if levels is None:
        raise _unclear(path, sorted({patterns.usual(), *(zeros or [0])}), lines)
    return _with_level(levels, code, lines, active, expected)


def given_idle(
    levels: int, code: Codes, lines: int, active: Active | None, expected: Active | None = None
) -> Idle:
    """Idle levels that the caller knows. Arguments as of `find_idle`."""
    return _with_level(levels & lines, code, lines, active, expected)


def _of_held(patterns: _Patterns, zeros: list[int]) -> int | None:
    """Idle of codes that are held. Time is no evidence then; the lines begin at idle."""
    if len(zeros) == 1:
        return zeros[0]
    return patterns.first if patterns.first in zeros else None


def _of_pulses(patterns: _Patterns, zeros: list[int]) -> int | None:
    """Idle of pulses: what the lines go back to, most of the time."""
    back = [value for value in patterns.alternating() if value in (*zeros, patterns.usual())]
    back.sort(key=patterns.time_of)
    if back:
        rivals = back[:-1] and patterns.time_of(back[-1]) < 2 * patterns.time_of(back[-2])
        return None if rivals else back[-1]
    return _of_held(patterns, zeros)


def _of_either(patterns: _Patterns, zeros: list[int]) -> int | None:
    """Idle where it isn't known whether codes are pulses or held: what both explain alike."""
    pulses, held = _of_pulses(patterns, zeros), _of_held(patterns, zeros)
    if pulses == held or pulses is None:
        return pulses if held is None else held
    often = patterns.time_of(pulses) >= _MOST_OF_THE_TIME
    if pulses in zeros:
        return pulses if often and patterns.first not in zeros else None
    others = patterns.value[patterns.value != pulses]
    codes = others[~np.isin(others, zeros)]
    stuck = bool(((codes & pulses) == pulses).all() or ((codes | pulses) == pulses).all())
    if often and patterns.first == pulses and len(others) >= _MANY:
        return pulses  # an inverted line; no experiment holds one code between all the others
    if not zeros:
        return pulses if often and stuck else None  # stuck or unused lines, told in a note
    return held if zeros == [patterns.first] and not stuck else None


def _with_level(
    levels: int,
    code: Codes,
    lines: int,
    active: Active | None,
    expected: Active | None,
    *notes: str,
) -> Idle:
    """Active is the level that is expected, unless all lines which change have it at idle, and most
    of the others; without an expectation the one that most which change have not at idle."""
    if active is not None:
        return Idle(levels, active, notes)
    changing = int(np.bitwise_or.reduce(code ^ code[0])) & lines or lines
    high = (levels & changing).bit_count()
    if expected is not None:
        wrong = levels & lines if expected == "high" else ~levels & lines
        turned = wrong & changing == changing and 2 * wrong.bit_count() > lines.bit_count()
        found: Active = "low" if (expected == "high") == turned else "high"
        return Idle(levels, found, notes)
    if 2 * high == changing.bit_count():
        notes = (
            *notes,
            "Half of the lines that change are high at idle, so that the active level can't be "
            "known; it is taken to be high. If that is wrong, give --active low.",
        )
    return Idle(levels, "low" if 2 * high > changing.bit_count() else "high", notes)


def _patterns(start: Ints, code: Codes, end: int) -> _Patterns:
    length = np.diff(start, append=end)
    time = np.bincount(code, weights=length, minlength=256)
    steps = np.bincount(code, minlength=256)
    after = np.bincount(code[1:], minlength=256)  # how many steps each pattern follows
    others = len(code) - steps - (code[-1] != np.arange(256))  # that have a step behind them
    returns = after / np.maximum(others, 1)
    value = np.flatnonzero(steps)
    return _Patterns(value, time[value] / end, returns[value], int(code[0]))


def _unclear(path: Path, candidates: list[int], lines: int) -> RecordingError:
    options = listed([f"--idle {value}" for value in candidates], "or")
    patterns = listed([f"{value} ({value & lines:08b})" for value in candidates], "or")
    return RecordingError(
        f"{path}: it can't be known from the recording whether its lines idle at levels "
        f"{patterns}, because its codes may be pulses or be held until the next one. Give the "
        f"marker log, or say which: {options}."
    )
