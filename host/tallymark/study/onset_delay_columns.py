"""What a recording's log says of onsets: how long after its marker the light changed or the sound
began. Columns of `result_columns.RECORDINGS`."""

from __future__ import annotations

from typing import Any

import numpy as np

from tallymark.markerlog.delay import FOUND, MISSING, Delays
from tallymark.markerlog.delay.result import ProbeDelay

PROBES = ("light", "sound", "ttl")
LEAST_ONSETS = 10
"""Onsets of a recording below which nothing is said of their delay."""


def onset_values(delays: Delays | None) -> dict[str, Any]:
    """The columns of each probe. delays: of the log, by the events of a plan; None: the plan names
    no probe, or the log holds no edge of one.

    Times are in µs, None where there are too few onsets, or where a probe can't tell them apart, as
    with a flicker. Medians and jitter leave out what is off from the others, such as a frame that
    was dropped; the share of those is a column of its own.
    """
    values: dict[str, Any] = {}
    for probe in PROBES:
        parts = [] if delays is None else [one for one in delays.probes if one.probe == probe]
        values |= {f"{probe}_{name}": value for name, value in _of_probe(parts).items()}
    return values


def _of_probe(parts: list[ProbeDelay]) -> dict[str, Any]:
    told = [part for part in parts if not part.why]
    found = [part.delays_us[part.fates == FOUND] for part in told]
    off = [part.off[part.fates == FOUND] for part in told]
    count = sum(map(len, found))
    missing = sum(int((part.fates == MISSING).sum()) for part in told)
    values: dict[str, Any] = {
        "onsets": count if parts else None, "onset_us": None, "onset_jitter_us": None,
        "late_onsets": None, "no_onset": None,
    }
    if count < LEAST_ONSETS:
        return values
    every, apart = np.concatenate(found), np.concatenate(off)
    main = every[apart == 0]
    values["late_onsets"] = int((apart > 0).sum())
    values["no_onset"] = missing
    if len(main) >= LEAST_ONSETS:
        values["onset_us"] = float(np.median(main))
        values["onset_jitter_us"] = float(main.std(ddof=1))
    return values
