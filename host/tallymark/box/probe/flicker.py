"""How often a light goes on and off by itself: a backlight's PWM, a display that scans."""

from __future__ import annotations

from collections.abc import Callable

from tallymark.box.wire.answer_values import Snippet

_LEAST_PERIODS = 3
_SHARE = 0.25  # of the brightest: with less between low and high, a modulation of 1/7, it is noise
SLOW, FAST = 8, 1
"""One of so many samples, which are 10 µs apart: a piece of 164 ms, and one of 20 ms."""


def flicker_hz(snippet: Snippet) -> float | None:
    """The frequency of a flicker in a piece of the signal; None where there is none.

    A period counts from where the level passes three quarters of its range after it was below one
    quarter. At least three periods have to fit into the snippet."""
    samples = snippet.samples
    if not samples:
        return None
    low, high = min(samples), max(samples)
    if high - low < _SHARE * high:
        return None
    up, down = low + 0.75 * (high - low), low + 0.25 * (high - low)
    armed, passed = False, []
    for place, level in enumerate(samples):
        if level <= down:
            armed = True
        elif armed and level >= up:
            passed.append(place)
            armed = False
    if len(passed) <= _LEAST_PERIODS:
        return None
    return (len(passed) - 1) * 1e6 / ((passed[-1] - passed[0]) * snippet.interval_us)


def flicker_hz_of(take: Callable[[int], Snippet]) -> float | None:
    """The frequency of a flicker, from a long piece of the signal and a short one.

    Samples that are too far apart show a fast flicker as a slow one, or as none. So what the short
    piece with its samples every 10 µs shows holds; up to 50 kHz that is the flicker itself.

    take: gives a piece with one of so many samples.
    """
    slow = flicker_hz(take(SLOW))
    fast = flicker_hz(take(FAST))
    return slow if fast is None else fast
