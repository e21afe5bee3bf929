"""Events out of a status channel.

The rule, in order:

1. Of each sample, the eight bits from `first_bit` on are kept and masked with `lines`.
2. The idle code is the value that the lines had for the longest time in all. If at least half of
   the lines in use are high in it, the lines idle high and every code is inverted. A line that is
   high in the idle code all the same is reported (it may be stuck).
3. A step is a stretch of samples with the same code. A step of one sample in which every line has
   the level that it has before or after is the sampling of an edge: some lines had passed the
   threshold and others not. If the code after it is not idle, that code starts with this sample;
   otherwise the sample belongs to the code before it. A step of one idle sample is never an edge.
4. Onset on 'change' (the default): every step whose code is not idle is an event. Onset on 'rise':
   only a step that follows idle is one.
5. The width is the number of samples to the next step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tallymark.recording.model import (
    Bools,
    Codes,
    Ints,
    RecordedEvents,
    RecordingError,
    StatusStream,
)


@dataclass(frozen=True)
class Rule:
    """How events are extracted. lines: mask 1..255; first_bit: bit of the channel that carries line
    0; active: level of an active line; onset: see the module's text."""

    lines: int = 0xFF
    first_bit: int = 0
    active: Literal["high", "low", "auto"] = "auto"
    onset: Literal["change", "rise"] = "change"

    def in_words(self) -> str:
        """The rule as a phrase for reports."""
        return (
            f"lines mask {self.lines} from bit {self.first_bit}, active {self.active}, "
            f"onset on {self.onset}, one-sample edges joined"
        )


def extract(
    stream: StatusStream,
    rule: Rule | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> RecordedEvents:
    """Extract the events of a status channel, reading it in pieces.

    Args:
        progress: called with (samples read, samples in all) after each piece.

    Raises:
        RecordingError: the channel holds no marker, or isn't a status channel at all.
    """
    rule = rule or Rule()
    start, code, end, other_bits = _steps(stream, rule, progress)
    idle = _longest_held(start, code, end)
    low = rule.active == "low" or (
        rule.active == "auto" and 2 * idle.bit_count() >= rule.lines.bit_count()
    )
    if low:
        code = code ^ np.uint8(rule.lines)
        idle ^= rule.lines
    always_active = int(np.bitwise_and.reduce(code)) & rule.lines
    never_active = ~int(np.bitwise_or.reduce(code)) & rule.lines
    start, code = _join_edges(start, code, idle)
    width = np.diff(start, append=end)
    event = code != idle
    if rule.onset == "rise":
        event[1:] &= code[:-1] == idle
    if len(code) and code[0] != idle:
        event[0] = False  # out before the recording began: its onset isn't in it
    notes = list(stream.notes)
    if not event.any():
        hint = ""
        if other_bits:
            low_bit = (other_bits & -other_bits).bit_length() - 1
            hint = f" Bits from {low_bit} on do change: if the lines are there, give that bit."
        raise RecordingError(
            f"{stream.path}: channel {stream.channel!r} holds no marker: its "
            f"lines stay at {idle} throughout.{hint} Check that the cable was in and that this is "
            "the right file and channel."
        )
    if idle:
        notes.append(f"The lines idle at code {idle}; a line that idles active may be stuck.")
    sample = start[event]
    end_us = stream.spans.times_us(np.array([end]), stream.rate)
    return RecordedEvents(
        stream.path,
        stream.format,
        stream.channel,
        stream.rate,
        sample,
        stream.spans.times_us(sample, stream.rate),
        code[event],
        width[event],
        0.0,
        float(end_us[0]),
        idle,
        always_active,
        never_active,
        "low" if low else "high",
        f"{rule.in_words()} ({'low' if low else 'high'} found)"
        if rule.active == "auto"
        else rule.in_words(),
        notes,
    )


def _steps(
    stream: StatusStream, rule: Rule, progress: Callable[[int, int], None] | None
) -> tuple[Ints, Codes, int, int]:
    """Starts and raw codes of all steps, the number of samples, and which other bits changed."""
    starts: list[Ints] = []
    codes: list[Codes] = []
    position, steps, last, other_bits = 0, 0, -1, 0
    first_value: int | None = None
    for piece in stream.pieces():
        if not len(piece):
            continue
        if first_value is None:
            first_value = int(piece[0])
        low, high = int(np.bitwise_and.reduce(piece)), int(np.bitwise_or.reduce(piece))
        other_bits |= (low ^ high) | (int(piece[0]) ^ first_value)
        code = ((piece >> rule.first_bit) & rule.lines).astype(np.uint8)
        change = np.flatnonzero(code[1:] != code[:-1]) + 1
        if int(code[0]) != last:
            change = np.concatenate(([0], change))
        starts.append(change + position)
        codes.append(code[change])
        last = int(code[-1])
        position += len(piece)
        steps += len(change)
        if position > 100_000 and steps > position / 2:
            raise RecordingError(
                f"{stream.path}: channel {stream.channel!r} changes at more than half of its "
                "samples: it looks like a signal, not like a status channel. Name another channel."
            )
        if progress is not None:
            progress(position, stream.samples)
    if not position:
        raise RecordingError(f"{stream.path}: the recording holds no samples.")
    other_bits &= (1 << stream.bits) - 1
    other_bits &= ~(rule.lines << rule.first_bit)
    return np.concatenate(starts), np.concatenate(codes), position, other_bits


def _longest_held(start: Ints, code: Codes, end: int) -> int:
    held = np.bincount(code, weights=np.diff(start, append=end), minlength=256)
    return int(held.argmax())


def _join_edges(start: Ints, code: Codes, idle: int) -> tuple[Ints, Codes]:
    """Take out one-sample steps that are the sampling of an edge (rule 3)."""
    if len(code) < 3:
        return start, code
    length = np.diff(start)  # the last step has no follower and stays
    before, here, after = code[:-2], code[1:-1], code[2:]
    mixed = ((here ^ before) & (here ^ after)) == 0
    edge: Bools = np.zeros(len(code), bool)
    edge[1:-1] = (length[1:] == 1) & mixed & (here != idle)
    edge[2:] &= ~edge[1:-1]  # of two in a row, the first is taken
    start = start.copy()
    rising = np.flatnonzero(edge[:-1]) + 1
    to_code = rising[code[rising] != idle]
    start[to_code] = start[to_code - 1]
    return start[~edge], code[~edge]
