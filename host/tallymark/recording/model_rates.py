"""The rates of the alignment's model: first guesses, and what a first result teaches."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tallymark.recording.event_series import Train
from tallymark.recording.kernel import Rates, Trains, Verdicts
from tallymark.recording.recording_data import Codes, Floats

JUMPS = 0.1  # places where samples are missing, expected in a recording
CUT = 0.005  # share of these that lead from one marker to another
AGAIN = 0.3  # probability of one marker more in what was recorded twice
DEAF = 0.02  # stretches without any marker, expected in a recording
LOST = 0.002  # changes to a place that is no candidate, expected in a recording
WIDE = 0.08  # share of events that are off by more than sampling explains
STAMPED_US = 20_000.0  # how late a program may stamp an event
MUCH_LOST = 0.4  # share of markers without an event, and of events without a marker
NEWS = 1e-3  # nats by which a rate must change to matter
TRUSTED = 20.0  # observations that the first guess of a code's confusions is worth


def first_rates(trains: Trains, grain: float, reach_us: float) -> Rates:
    """Before anything is known. grain: the time from sample to sample; reach_us: how far an event
    may be from its marker; microseconds."""
    duration = trains.duration
    core = 1.3 * grain + 75.0
    return Rates(
        missed=0.01,
        confusion=_confusion(trains, np.zeros((256, 256))),
        extra=_extra(trains, 0.01 * len(trains.seen)),
        unknown=len(trains.seen) / duration * Train(trains.seen, trains.seen_code).frequency(),
        core=core,
        tail=core / 3,
        reach=reach_us,
        loose_there=0.9,
        jump=JUMPS / duration,
        cell=2 * core,
        size=np.array([10 * grain, 3e5, 1e7, max(duration, float(np.ptp(trains.at)))]),
        cut=CUT,
        back=0.02,
        back_size=3e5,
        again=AGAIN,
        deaf=DEAF / duration,
        deaf_ends=0.3,
        deaf_missed=0.99,
        lost=LOST / duration,
        found=0.05,
        wide=WIDE,
    )


def with_unknown_codes(rates: Rates, trains: Trains) -> Rates:
    """The same, with every code as likely as any other to be seen for a marker."""
    share = 0.9 * Train(trains.seen, trains.seen_code).frequency() + 0.1 / 256
    return replace(rates, confusion=np.tile(share[:, None], (1, 256)))


def with_much_lost(rates: Rates, trains: Trains) -> Rates:
    """The same, with many markers missed and many events extra."""
    return replace(rates, missed=MUCH_LOST, extra=_extra(trains, MUCH_LOST * len(trains.seen)))


def reach(grain: float, sampled: bool) -> float:
    """How far an event may be from its marker, microseconds. sampled: the times are those of
    samples of the lines, and no program's."""
    return 3 * grain + 500.0 if sampled else max(3 * grain + 500.0, STAMPED_US)


def learned(rates: Rates, trains: Trains, verdicts: Verdicts, residuals: Floats) -> Rates:
    """The rates that a result shows, held by the first guesses where it shows little. residuals: of
    the events on the likeliest path, how far each is from its marker (shape of the events)."""
    own = slice(0, len(trains.at))
    there = verdicts.p_best[own] + verdicts.p_second[own] + verdicts.p_others[own]
    plain = trains.hidden == 0
    path = np.flatnonzero((verdicts.path_marker >= 0) & (verdicts.path_marker < len(trains.at)))
    wide = 0.0
    if len(path):
        off = residuals[path]
        wide = float(np.count_nonzero(np.abs(off) > rates.core + 2 * rates.tail))
    missed = float(verdicts.p_missed[own][plain].sum())
    expected = missed + float(there[plain].sum())
    return replace(
        rates,
        missed=min((missed + 0.5) / (expected + 50.0), 0.5),
        confusion=_confusion(trains, verdicts.seen_as),
        extra=_extra(trains, float(verdicts.event_extra.sum())),
        wide=min((wide + WIDE * TRUSTED) / (len(path) + TRUSTED), 0.5),
    )


def nothing_new(rates: Rates, before: Rates) -> bool:
    """Whether another sum with these rates would give what one with those before gave."""
    return all(
        np.array_equal(value, getattr(before, name))
        or bool(np.abs(np.log(value / getattr(before, name))).max() < NEWS)
        for name, value in vars(rates).items()
    )


def _extra(trains: Trains, expected: float) -> Floats:
    share = 0.5 * Train(trains.seen, trains.seen_code).frequency() + 0.5 / 256
    result: Floats = (expected + 0.5) / trains.duration * share
    return result


def _confusion(trains: Trains, seen_as: Floats) -> Floats:
    """Seen code by sent code: mostly the same, else likelier one of those seen than any other.
    An altered code is no evidence for itself, so one of a kind does not count."""
    codes: Codes = np.unique(trains.seen_code)
    prior = np.full((256, 256), 0.01 / 256)
    prior[codes] += 0.01 / max(len(codes), 1)
    prior[np.arange(256), np.arange(256)] += 0.98
    other = 1.0 - np.eye(256)
    counts = TRUSTED * prior + np.maximum(seen_as - other, 0.0)
    result: Floats = counts / counts.sum(axis=0)
    return result
