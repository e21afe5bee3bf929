"""Sends a session by a plan through the virtual box."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from statistics import median

import numpy as np
import serial
from numpy.typing import NDArray

from tallymark.box.box import Box
from tallymark.markerlog import MarkerLog
from tallymark.plan import Plan, PlanError, needed_settings
from tallymark.virtual.stimuli import Stage

USUAL = 200  # markers in a session of which the plan counts nothing
MOST = 1_000_000
FRAME = 8  # an event that is this many times rarer than the commonest one frames a block


def in_order(plan: Plan, random: np.random.Generator, markers: int | None = None) -> list[int]:
    """A plausible order of the plan's events, as their places in the plan.

    Each event comes as often as the plan counts it, and one without a count as often as the median
    of the others; in random order, but rare events frame blocks: of those that come equally often,
    the first begins each block and the last ends it. With `markers`, or if the plan counts nothing,
    so many events (default 200) are drawn at random, in the proportion of their counts.

    Raises:
        PlanError: the plan has no events, counts none of them, or counts more than a million.
    """
    known = [event.count for event in plan.events if event.count is not None]
    usual = round(median(known)) if known else 1
    counts = [usual if event.count is None else event.count for event in plan.events]
    total = sum(counts)
    if not total:
        raise PlanError("The plan has no event with a count above 0: nothing to send.")
    if markers is not None or not known:
        share = np.array(counts) / total
        return [int(place) for place in random.choice(len(counts), markers or USUAL, p=share)]
    if total > MOST:
        raise PlanError(f"The plan counts {total:,} markers; {MOST:,} are the most. Use --markers.")
    return _blocks({place: count for place, count in enumerate(counts) if count}, random)


def _blocks(counts: dict[int, int], random: np.random.Generator) -> list[int]:
    if not counts:
        return []
    rounds = min(counts.values())
    if rounds * FRAME > max(counts.values()):
        shuffled = random.permutation(np.repeat(list(counts), list(counts.values())))
        return [int(place) for place in shuffled]
    first, *others = (place for place, count in counts.items() if count == rounds)
    inner = {place: count for place, count in counts.items() if count > rounds}
    order: list[int] = []
    for number in range(rounds):
        share = {
            place: count * (number + 1) // rounds - count * number // rounds
            for place, count in inner.items()
        }
        order += [first, *_blocks(share, random), *others]
    return order


def play(
    plan: Plan,
    markers: int | None,
    log_path: str | Path,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
    stage: Stage | None = None,
) -> list[tuple[int, int]]:
    """Send a session by a plan through the virtual box, set up as the plan needs it; keep its
    marker log, and return the changes of its lines.

    The firmware's own core carries out each marker; its time is stepped, so that a session of an
    hour takes seconds. Events come in the order of `in_order`, at intervals from the plan's least
    (default 0.5 s) to twice that, the first some three seconds after the box's start. If the plan
    reserves a code for it, a session signature comes before them and after half of them.

    Args:
        markers: how many; None: as many as the plan counts.
        progress: called with (markers sent, markers in all).
        stage: shows and plays the events that have a probe, for the sensors of the box.

    Raises:
        PlanError: the plan has no events, or one that its lines can't carry.
        MarkerLogError: the log exists or can't be written.
        BadValue: the box can't do what the plan asks for.
    """
    random = np.random.default_rng(seed)
    chosen = in_order(plan, random, markers)
    for event in plan.events:
        if event.code & ~plan.receiver.lines:
            raise PlanError(
                f"Event {event.name!r} (code {event.code}) needs a line that the plan's receiver "
                "doesn't have, so the box would refuse it. 'tallymark plan check' says more."
            )
    least = plan.session.least_interval_us or 500_000.0
    waits = random.uniform(least, 2 * least, len(chosen)) / 1e6
    changes: list[tuple[int, int]] = []
    port = serial.serial_for_url("virtual://?time=stepped")
    with Box(port) as box:
        needed = needed_settings(plan, box.settings.read())
        if stage is not None and stage.room is not None:
            stage.pass_time(box, 0.0)
        box.settings.write(needed.changed(**stage.settings(plan)) if stage else needed)
        with MarkerLog.for_box(log_path, box, plan):
            changes += _send(box, plan, waits, chosen, progress, stage)
    return changes


def _send(
    box: Box,
    plan: Plan,
    waits: NDArray[np.float64],
    chosen: Sequence[int],
    progress: Callable[[int, int], None] | None,
    stage: Stage | None,
) -> list[tuple[int, int]]:
    changes: list[tuple[int, int]] = []
    device = box.port.device
    sleep = box.pacing.sleep if stage is None else partial(stage.pass_time, box)
    sleep(3.0)
    for number, (wait, event) in enumerate(zip(waits, chosen, strict=True), 1):
        if plan.signature_code is not None and number in (1, len(waits) // 2 + 1):
            box.wait()
            sleep(1.0)
            plan.sign(box)
        sleep(float(wait))
        shown = plan.events[event]
        if stage is not None:
            stage.wait(box, shown)
        sent_us = device.life_us
        plan.pulse(box, shown.name)
        if stage is not None:
            stage.present(box, shown, sent_us, number)
        if number % 500 == 0 or number == len(waits):
            changes += device.edges()
            if progress is not None:
                progress(number, len(waits))
    sleep(1.0)
    box.wait()
    changes += device.edges()
    return changes
