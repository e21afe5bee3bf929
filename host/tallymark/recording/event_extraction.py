"""Events out of a status channel.

The rule, in order:

1. Of each sample, the eight bits from `first_bit` on are kept, and of those the ones in `lines`.
2. The idle levels are those given, or found as `idle` says. A line that is active at idle is
   reported (it may be stuck, inverted or not in use).
3. The sampling of edges is joined to the codes it belongs to, as `settling` says.
4. Start 'every-code' (the default): every step whose code is not idle is an event. Start
   'after-idle': only a step that follows idle is one.
5. The width is the number of samples to the next step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tallymark.common.errors import describe_lines
from tallymark.common.formatting import listed, some
from tallymark.recording.idle import Idle, find_idle, given_idle
from tallymark.recording.recording_data import (
    Codes,
    Ints,
    NoEvent,
    RecordedEvents,
    RecordingError,
    StatusStream,
)
from tallymark.recording.settling import Settled, settle


@dataclass(frozen=True)
class Rule:
    """How events are extracted.

    lines: those that carry markers, 1..255, bit n for line n; first_bit: bit of the channel that
    carries line 0; active: level of an active line; start: what begins an event, see the
    module's text. idle: levels of the lines at idle as recorded, 0..255, or None to find them.
    settling: samples within which changes of the lines are one, 0..1000, or None to find it.
    """

    lines: int = 0xFF
    first_bit: int = 0
    active: Literal["high", "low", "auto"] = "auto"
    start: Literal["every-code", "after-idle"] = "every-code"
    idle: int | None = None
    settling: int | None = None


@dataclass(frozen=True)
class Design:
    """What is known beforehand of the markers in a recording; None: not known.

    held: whether codes stay until the next one. apart_us: least time from one change of the code to
    the next, in microseconds. active: level of an active line as it should be; all lines are taken
    to be inverted only if none of those that change is as it should be.
    """

    held: bool | None = None
    apart_us: float | None = None
    active: Literal["high", "low"] | None = None


def extract(
    stream: StatusStream,
    rule: Rule | None = None,
    progress: Callable[[int, int], None] | None = None,
    design: Design | None = None,
) -> RecordedEvents:
    """Extract the events of a status channel, reading it in pieces.

    Args:
        progress: called with (samples read, samples in all) after each piece.
        design: helps where the recording alone leaves open what is idle, and what is an edge.

    Raises:
        RecordingError: the channel holds no marker, or isn't a status channel at all, or what is
            idle can't be known.
    """
    rule, design = rule or Rule(), design or Design()
    start, code, end, other_bits = _steps(stream, rule, progress)
    found = _idle(stream, rule, design, start, code, end)
    idle, low = found.levels, found.active == "low"
    if low:
        code = code ^ np.uint8(rule.lines)
        idle ^= rule.lines
    always_active = int(np.bitwise_and.reduce(code)) & rule.lines
    never_active = ~int(np.bitwise_or.reduce(code)) & rule.lines
    apart = None if design.apart_us is None else design.apart_us * stream.rate / 1e6
    settled = settle(start, code, end, idle, rule.settling, apart)
    start, code = settled.start, settled.code
    width = np.diff(start, append=end)
    event = code != idle
    if rule.start == "after-idle":
        event[1:] &= code[:-1] == idle
    if code[0] != idle:
        event[0] = False  # out before the recording began: its start isn't in it
    if not event.any():
        raise _no_marker(stream, idle, other_bits)
    notes = [*stream.notes, *found.notes, *_notes(idle, settled, stream.rate)]
    if other_bits:
        notes.append(
            f"Other bits of the channel change as well (from bit {_lowest(other_bits)} on) and "
            "were left out; if they carry the lines, give --first-bit."
        )
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
        found.active,
        _in_words(rule, found, settled),
        notes,
        list(stream.incomplete),
        settled.samples,
        began=stream.began,
        pauses_us=stream.spans.pauses_us(stream.rate),
    )


def _idle(
    stream: StatusStream, rule: Rule, design: Design, start: Ints, code: Codes, end: int
) -> Idle:
    active = None if rule.active == "auto" else rule.active
    if rule.idle is not None:
        return given_idle(rule.idle, code, rule.lines, active, design.active)
    lines, path = rule.lines, stream.path
    return find_idle(start, code, end, lines, active, design.held, path, design.active)


def _lowest(bits: int) -> int:
    return (bits & -bits).bit_length() - 1


def _no_marker(stream: StatusStream, idle: int, other_bits: int) -> NoEvent:
    hint = ""
    if other_bits:
        hint = (
            f" Bits from {_lowest(other_bits)} on do change: if the lines are there, give that bit."
        )
    return NoEvent(
        f"{stream.path}: channel {stream.channel!r} holds no marker: its lines stay at {idle} "
        f"throughout.{hint} Check that the cable was in, and that this is the right channel."
    )


def _notes(idle: int, settled: Settled, rate: float) -> list[str]:
    notes = []
    if idle:
        notes.append(
            f"The lines idle at code {idle}; a line that is active at idle may be stuck, inverted "
            "or not in use."
        )
    if settled.joined:
        notes.append(
            f"The lines settle within {settled.samples} samples "
            f"({settled.samples * 1e3 / rate:.3g} ms): {some(settled.joined, 'short step')} at "
            "edges were joined to their codes (to keep them, give --settling 1)."
        )
    if settled.late:
        notes.append(
            f"{_subject(settled.late)} later than the others, by up to "
            f"{some(settled.samples, 'sample')}: look for a weak driver, a filter or a long cable."
        )
    if settled.doubtful:
        notes.append(
            f"Taken for markers, but may be slow edges: {some(settled.doubtful, 'short step')}. If "
            "the receiver settles slowly, give --settling with the samples it takes."
        )
    return notes


def _subject(lines: tuple[int, ...]) -> str:
    """Lines as the subject of 'change(s)'."""
    if len(lines) == 1:
        return f"Line {lines[0]} changes"
    return f"Lines {listed([str(line) for line in lines])} change"


def _in_words(rule: Rule, found: Idle, settled: Settled) -> str:
    """The rule as a phrase for reports."""
    active = f"auto ({found.active} found)" if rule.active == "auto" else found.active
    start = "every code" if rule.start == "every-code" else "a code after idle"
    return (
        f"{describe_lines(rule.lines)} from bit {rule.first_bit}, active {active}, idle at levels "
        f"{found.levels} ({'found' if rule.idle is None else 'given'}), events start at {start}, "
        f"edges within {some(settled.samples, 'sample')} joined"
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
