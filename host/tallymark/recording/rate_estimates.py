"""The rates of the alignment's model: first guesses, and what a first result teaches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tallymark.recording.event_trains import Train
from tallymark.recording.kernel import Rates, Trains, Verdicts
from tallymark.recording.model import Codes, Floats

JUMPS = 2.0  # places where samples are missing, expected in a recording
DEAF = 0.5  # stretches without any marker, expected in a recording
LOST = 0.2  # changes to a place that is no candidate, expected in a recording
TRUSTED = 20.0  # observations that the first guess of a code's confusions is worth


def first_rates(trains: Trains, grain: float) -> Rates:
    """Before anything is known. grain: the time from sample to sample, microseconds."""
    duration = trains.duration
    core = 1.3 * grain + 75.0
    return Rates(
        missed=0.01,
        confusion=_confusion(trains, np.zeros((256, 256))),
        extra=_extra(trains, 0.01 * len(trains.seen)),
        unknown=len(trains.seen) / duration * Train(trains.seen, trains.seen_code).frequency(),
        core=core,
        tail=core / 3,
        reach=reach(grain),
        loose_there=0.9,
        jump=JUMPS / duration,
        cell=2 * core,
        size=np.array([10 * grain, 3e5, 1e7, max(duration, float(np.ptp(trains.at)))]),
        back=0.02,
        back_size=3e5,
        deaf=DEAF / duration,
        deaf_ends=0.3,
        deaf_missed=0.99,
        lost=LOST / duration,
        found=0.05,
    )


def reach(grain: float) -> float:
    """How far an event may be from its marker, microseconds."""
    return 3 * grain + 500.0


def learned(rates: Rates, trains: Trains, verdicts: Verdicts) -> Rates:
    """The rates that a result shows, held by the first guesses where it shows little."""
    own = slice(0, len(trains.at))
    there = verdicts.p_best[own] + verdicts.p_second[own] + verdicts.p_others[own]
    plain = trains.hidden == 0
    missed = float(verdicts.p_missed[own][plain].sum())
    expected = missed + float(there[plain].sum())
    return replace(
        rates,
        missed=min((missed + 0.5) / (expected + 50.0), 0.5),
        confusion=_confusion(trains, verdicts.seen_as),
        extra=_extra(trains, float(verdicts.event_extra.sum())),
    )


def _extra(trains: Trains, expected: float) -> Floats:
    share = 0.5 * Train(trains.seen, trains.seen_code).frequency() + 0.5 / 256
    result: Floats = (expected + 0.5) / trains.duration * share
    return result


def _confusion(trains: Trains, seen_as: Floats) -> Floats:
    """Seen code by sent code: mostly the same, else likelier one of those seen than any other."""
    codes: Codes = np.unique(trains.seen_code)
    prior = np.full((256, 256), 0.01 / 256)
    prior[codes] += 0.01 / max(len(codes), 1)
    prior[np.arange(256), np.arange(256)] += 0.98
    counts = TRUSTED * prior + seen_as
    result: Floats = counts / counts.sum(axis=0)
    return result
