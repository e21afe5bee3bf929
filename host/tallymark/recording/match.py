"""One-to-one matching of predicted and recorded times within a tolerance."""

from __future__ import annotations

import numpy as np

from tallymark.recording.model import Bools, Codes, Floats, Ints


def nearest(sorted_times: Floats, wanted: Floats) -> Ints:
    """For each wanted time the index of the nearest in `sorted_times` (ascending, not empty)."""
    right = np.clip(np.searchsorted(sorted_times, wanted), 1, max(len(sorted_times) - 1, 1))
    if len(sorted_times) == 1:
        return np.zeros(len(wanted), np.int64)
    left_is_nearer = wanted - sorted_times[right - 1] <= sorted_times[right] - wanted
    result: Ints = right - left_is_nearer
    return result


def match(
    expected: Floats, code: Codes, recorded: Floats, recorded_code: Codes, tolerance: float
) -> Ints:
    """For each expected time the index of its event, or -1.

    Pairs of equal code go first, each time to the mutual nearest; what is left over is paired
    without regard to the code. Both time arrays ascend. Each event is used once.
    """
    partner = np.full(len(expected), -1, np.int64)
    if not len(expected) or not len(recorded):
        return partner
    free: Bools = np.ones(len(recorded), bool)
    for regard_code in (True, False):
        for _ in range(3):  # losers of a contest look for their next nearest
            open_sent = np.flatnonzero(partner < 0)
            open_recorded = np.flatnonzero(free)
            if not len(open_sent) or not len(open_recorded):
                return partner
            near = open_recorded[nearest(recorded[open_recorded], expected[open_sent])]
            if regard_code:
                near = _step_to_own_code(
                    near,
                    expected[open_sent],
                    code[open_sent],
                    recorded,
                    recorded_code,
                    free,
                    tolerance,
                )
            miss = np.abs(recorded[near] - expected[open_sent])
            good = (miss <= tolerance) & free[near]
            if regard_code:
                good &= recorded_code[near] == code[open_sent]
            if not good.any():
                break
            open_sent, near, miss = open_sent[good], near[good], miss[good]
            order = np.lexsort((miss, near))
            first = np.ones(len(order), bool)
            first[1:] = near[order][1:] != near[order][:-1]
            winner = order[first]
            partner[open_sent[winner]] = near[winner]
            free[near[winner]] = False
    return partner


def _step_to_own_code(
    near: Ints,
    expected: Floats,
    code: Codes,
    recorded: Floats,
    recorded_code: Codes,
    free: Bools,
    tolerance: float,
) -> Ints:
    """Where the nearest event has another code, a neighbour with the right one, if it is near."""
    chosen = near.copy()
    wrong = recorded_code[near] != code
    for step in (-1, 1):
        other = np.clip(near + step, 0, len(recorded) - 1)
        better = (
            wrong
            & free[other]
            & (recorded_code[other] == code)
            & (np.abs(recorded[other] - expected) <= tolerance)
        )
        chosen[better] = other[better]
    return chosen
