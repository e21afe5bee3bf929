"""Identical blocks, each with a session signature in the pause before it, and the same without.

    .venv/bin/python tests/recording/signature_benefit.py [RECORDINGS]

prints for both how many markers are right, cannot be known, and false.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from generator.amplifier import EITHER, NOT_THERE, SHARED, Recording, record, straight, whole
from generator.damages import DAMAGES, World
from generator.designs import Sent as Made
from generator.designs import blocks

from tallymark.common.signature import Form, Session
from tallymark.recording import AnotherSession, Comparison, RecordedEvents, Sent, compare
from tallymark.recording.fates import ALTERED, ARRIVED, UNKNOWN
from tallymark.recording.session_signatures import SentSignature

BEFORE_US = 3e6  # from a signature's first edge to its block's first marker
USED = ("late_start", "early_end", "gap_10_s", "gap_60_s", "restart", "drop_20_ms", "missing",
        "unconfirmed", "extra", "late start, loose line, drop")
RATES = (250.0, 500.0, 512.0, 1000.0, 2048.0)


@dataclass
class Signed:
    """A session with or without signatures, its recording, and the truth: event of each marker."""

    log: Sent
    recorded: RecordedEvents
    truth: np.ndarray
    damage: str


def make(seed: int, damage: str, *, signed: bool, session: Session | None = None) -> Signed:
    """The recording of a seed. signed: with signatures."""
    random = np.random.default_rng(seed)
    sent = blocks(random, int(random.choice((120, 240, 480))))
    rate = float(random.choice(RATES))
    signatures = _signatures(sent, rate, session or Session(1 + seed)) if signed else ()
    pulses = [(at, one.form) for one in signatures for at in one.times().tolist()]
    count = len(sent.time)
    every = Made(
        np.concatenate((sent.time, [at for at, _ in pulses])),
        np.concatenate((sent.code, np.array([form.code for _, form in pulses], np.int64))),
        np.concatenate((sent.width, [form.width_us for _, form in pulses])),
    )
    order = np.argsort(every.time, kind="stable")
    every = Made(every.time[order], every.code[order], every.width[order])
    world = World("identical blocks", every, straight(every), whole(every, random, rate))
    DAMAGES[damage](world, random)
    made = record(world.sent, world.lines, world.amplifier)
    marker = order < count
    known = ~np.isin(np.arange(len(order)), sorted(world.unconfirmed))
    lost = {int(row) // 15 for row in order[~marker & ~known] - count}  # then of the whole series
    log = Sent(
        (every.time + np.where(known, 0.0, random.uniform(0.0, 3_000.0, len(order))))[marker],
        every.code[marker].astype(np.uint8),
        every.width[marker],
        known[marker],
        np.arange(1, count + 1),
        np.full(count, -1),
        [],
        signatures=tuple(
            replace(one, start_us=None) if number in lost else one
            for number, one in enumerate(signatures)
        ),
    )
    return Signed(log, _events(made), made.event[marker], damage)


def _signatures(sent: Made, rate: float, session: Session) -> tuple[SentSignature, ...]:
    pauses = np.flatnonzero(np.diff(sent.time, prepend=-np.inf) > 2e6)
    form = Form.for_receiver(255, 0.0, 1e6 / rate)
    assert form is not None
    form = replace(form, unit_us=8_000)  # short enough for the pauses, though hard at 250 Hz
    made = []
    for row in pauses:
        signature = session.next()
        start = float(round(sent.time[row] - BEFORE_US))
        made.append(SentSignature(signature, form, session.signed, start))
    return tuple(made)


def _events(made: Recording) -> RecordedEvents:
    return RecordedEvents(
        Path("made-up"),
        "none",
        "Status",
        made.rate,
        made.sample,
        made.sample * (1e6 / made.rate),
        made.code.astype(np.uint8),
        made.width,
        0.0,
        made.samples * 1e6 / made.rate,
        active="high",
    )


def judge(case: Signed) -> tuple[int, int, int, Comparison | None]:
    """How many markers are right, can't be known, and are false; and the comparison."""
    try:
        result = compare(case.log, case.recorded)
    except AnotherSession as error:
        return 0, 0, len(case.log), error.result
    truth, fate = case.truth, result.fate
    unknown = fate == UNKNOWN
    there = np.isin(fate, (ARRIVED, ALTERED))
    of = np.searchsorted(case.recorded.sample, result.recorded.sample)  # some may be left out
    right = there & (of[result.partner] == truth)
    right |= ~there & ~unknown & (truth == NOT_THERE)
    either = np.isin(truth, (EITHER, SHARED)) & ~unknown
    right |= either
    false = int((~right & ~unknown).sum())
    return int(right.sum()), int(unknown.sum()), false, result


def main(count: int) -> None:
    """Print the table."""
    print("| | recordings | proven | markers | right | cannot be known | false |")
    print("| --- | ---: | ---: | ---: | ---: | ---: | ---: |")
    for signed in (False, True):
        sums = np.zeros(3, int)
        proven = 0
        for seed in range(count):
            case = make(seed, USED[seed % len(USED)], signed=signed)
            *said, result = judge(case)
            sums += said
            proven += bool(result is not None and result.signatures.proven)
            print(f"  {seed} {case.damage} {signed} {said}", file=sys.stderr)
        total = sums.sum()
        share = " | ".join(f"{value:,} ({100 * value / total:.1f} %)" for value in sums.tolist())
        name = "with signatures" if signed else "without"
        print(f"| {name} | {count} | {proven} | {total:,} | {share} |")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 50)
