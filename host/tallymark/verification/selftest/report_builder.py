"""Makes the report of a self-test out of everything that was seen. No box is needed for that."""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Edge, Identity
from tallymark.common.errors import describe_times
from tallymark.common.lines.readback_wiring_model import LINES, STRAIGHT, Fault, Kind
from tallymark.verification.selftest import timing
from tallymark.verification.selftest.fault_inference import Diagnosis, Observation, infer
from tallymark.verification.selftest.fault_text import way
from tallymark.verification.selftest.readback_boolean_functions import pattern_of
from tallymark.verification.selftest.readback_input_hints import input_hints
from tallymark.verification.selftest.report import (
    Input,
    Latency,
    Place,
    Report,
    Verdict,
    Width,
    place_of,
    places_of,
)
from tallymark.verification.selftest.timing import SLOW_FROM_US, Delays, Driven, PulseWidth

WIDTH_TOLERANCE_US = SLOW_FROM_US
"""A width that is further off than this is a fault; the capture itself may be wrong by less."""


@dataclass(frozen=True, slots=True)
class Observations:
    """Everything that a self-test saw. Times in microseconds of box time."""

    identity: Identity
    port: str
    settings: Settings
    tables: list[dict[int, int]]
    """Levels read back by levels driven, once for each pass."""
    driven: list[Driven]
    edges: list[Edge]
    steady_end_us: int
    """Until when `driven` tells what the box drove."""
    pulses: list[tuple[int, int]]
    """(start, width) of pulses on all lines in use, after that."""
    settle_us: int
    latency: Latency | None
    edges_lost: int
    started_utc: str
    seconds: float


def judge(seen: Observations) -> Report:
    """The report: what is wrong with the wiring, and how exact the times are."""
    settings, identity = seen.settings, seen.identity
    board = identity.board
    idle = settings.idle_levels
    table = seen.tables[0]
    unsteady = 0
    for again in seen.tables[1:]:
        for driven, readback in again.items():
            unsteady |= readback ^ table[driven]
    observation = Observation.of_table(table, unsteady)
    diagnosis = infer(observation)
    changes = timing.changes_of(seen.edges)
    late = timing.delays(seen.driven, changes, table, seen.steady_end_us)
    inputs = tuple(
        _input(line, observation, settings.lines, late[line]) for line in range(LINES)
    )
    moving = table[idle] ^ table[settings.lines ^ idle]
    pulses = [
        timing.pulse_width(width, start, start + width + seen.settle_us, changes, moving)
        for start, width in seen.pulses
    ]
    odd = sum(1 << entry.line for entry in inputs if entry.slow or entry.unsteady)
    error = max(
        (found for pulse in pulses if (found := timing.width_error_us(pulse, odd)) is not None),
        key=abs,
        default=None,
    )
    measured = _measured(inputs, board) + _wrong_widths(pulses, error, moving & ~odd, board)
    altered = [  # code 0 last: as an example, another one says more
        (code, arrived)
        for driven, readback in sorted(table.items(), key=lambda entry: entry[0] ^ idle or 256)
        if (arrived := readback ^ idle) != (code := driven ^ idle)
    ]
    return Report(
        verdict=_verdict(diagnosis, measured),
        started_utc=seen.started_utc,
        seconds=round(seen.seconds, 3),
        port=seen.port,
        board=board,
        serial=identity.serial,
        name=identity.name,
        firmware=identity.firmware,
        lines_in_use=tuple(line for line in range(LINES) if settings.lines >> line & 1),
        idle=settings.idle.label,
        codes_tested=len(table),
        codes_altered=len(altered),
        altered_example=altered[0] if altered else None,
        explanations=places_of(diagnosis, board),
        symptoms=() if diagnosis.explanations else input_hints(observation, board),
        hidden_faults=tuple(map(str, diagnosis.hidden)),
        measured=measured,
        inputs=inputs,
        widths=tuple(_width(pulse, moving, odd) for pulse in pulses),
        width_error_us=error,
        latency=seen.latency,
        edges_lost=seen.edges_lost,
    )


def _verdict(diagnosis: Diagnosis, measured: tuple[Place, ...]) -> Verdict:
    if not diagnosis.explanations:
        return Verdict.UNEXPLAINED
    return Verdict.FINE if diagnosis.faultless and not measured else Verdict.FAULTS


def _input(line: int, seen: Observation, in_use: int, late: Delays) -> Input:
    unsteady = bool(seen.unsteady >> line & 1)
    vector = seen.vectors[line]
    right = not unsteady and vector == STRAIGHT[line] & seen.driven
    if unsteady:
        saw = "unsteady"
    elif right and in_use >> line & 1:
        saw = f"follows line {line}"
    else:
        saw = pattern_of(vector, seen.driven).words
    return Input(
        line=line,
        in_use=bool(in_use >> line & 1),
        saw=saw,
        right=right,
        rise_us=late.rise_us,
        fall_us=late.fall_us,
        slow=late.slow,
        unsteady=unsteady,
        stray_edges=late.stray_edges,
    )


def _measured(inputs: tuple[Input, ...], board: str) -> tuple[Place, ...]:
    """Slow, unsteady and restless inputs."""
    places = []
    for entry in inputs:
        stops = way(board, entry.line)
        if entry.slow and not entry.unsteady:
            fault = Fault(Kind.SLOW, (entry.line,), entry.rise_us or 0, entry.fall_us or 0)
            places.append(place_of((fault,), board))
        if entry.unsteady:
            places.append(
                Place(
                    (f"unsteady:{entry.line}",),
                    f"Input {entry.line} is unsteady: the same code gave different levels",
                    f"{stops}: a loose plug, a cold solder joint, or an input that floats",
                )
            )
        elif entry.stray_edges:
            places.append(
                Place(
                    (f"stray:{entry.line}",),
                    f"Input {entry.line} moved {describe_times(entry.stray_edges)} without reason",
                    f"{stops}: a loose contact, a floating input, or crosstalk from other wires",
                )
            )
    return tuple(places)


def _wrong_widths(
    pulses: list[PulseWidth], error_us: int | None, watched: int, board: str
) -> tuple[Place, ...]:
    """Widths that are off, and pulses that good inputs did not see."""
    places = []
    if error_us is not None and abs(error_us) > WIDTH_TOLERANCE_US:
        places.append(
            Place(
                ("width",),
                f"Pulses are up to {error_us:+} µs off the width that was asked for",
                "the box itself: restart it and test again; if the error remains, load the "
                "firmware again or replace the board",
            )
        )
    for line in range(LINES):
        missed = [
            pulse.asked_us
            for pulse in pulses
            if watched >> line & 1 and pulse.seen_us[line] is None
            and pulse.asked_us > SLOW_FROM_US
        ]
        if missed:
            listed = ", ".join(map(str, missed))
            places.append(
                Place(
                    (f"missed:{line}",),
                    f"Input {line} did not see pulses of {listed} µs",
                    f"{way(board, line)}: a loose contact",
                )
            )
    return tuple(places)


def _width(pulse: PulseWidth, moving: int, odd: int) -> Width:
    good = [
        seen
        for line, seen in enumerate(pulse.seen_us)
        if seen is not None and not odd >> line & 1
    ]
    return Width(
        asked_us=pulse.asked_us,
        least_us=min(good, default=None),
        longest_us=max(good, default=None),
        missed_by=tuple(
            line
            for line, seen in enumerate(pulse.seen_us)
            if seen is None and moving >> line & 1
        ),
    )
