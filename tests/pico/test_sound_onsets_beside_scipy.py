"""Onsets of sounds as the Pico tells them, beside an envelope that SciPy has of the same samples.

The image samples five tones in its chip simulator. SciPy's Hilbert transform gives the envelope of
what it sampled; a rectifier and a low-pass, also SciPy's, give a second reading. The protocol says:
the onset is at most half a period behind the envelope's crossing of the threshold, the end at most
half a period before it stays below the release.
"""

from __future__ import annotations

import functools
import json
import subprocess
from typing import Any

import numpy as np
import pytest
from pico_chip import HERE, prepare

signal = pytest.importorskip("scipy.signal")

SAMPLE_US = 10.0
SOUNDS = 5


@functools.cache
def sounds() -> list[dict[str, Any]]:
    prepare()
    run = subprocess.run(
        ["node", "sim/print_sounds.mjs"], cwd=HERE, check=True, capture_output=True, text=True)
    told: list[dict[str, Any]] = json.loads(run.stdout)
    return told


def envelopes(sound: dict[str, Any]) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Times in µs, and the loudness by two readings."""
    times, levels = np.array(sound["samples"]).T
    # noise aside: around the tone
    band = signal.butter(2, [0.5 * sound["hz"], 2 * sound["hz"]], "bandpass", fs=1e6 / SAMPLE_US,
                         output="sos")
    tone = signal.sosfiltfilt(band, levels - np.median(levels))
    slow = signal.butter(2, 0.5 * sound["hz"], fs=1e6 / SAMPLE_US, output="sos")
    rectified = signal.sosfiltfilt(slow, np.abs(tone)) * np.pi / 2  # mean of a sine to its peak
    return times, {"hilbert": np.abs(signal.hilbert(tone)), "rectifier": rectified}


@pytest.mark.parametrize("reading", ["hilbert", "rectifier"])
@pytest.mark.parametrize("number", range(SOUNDS))
def test_onset_and_end_are_those_of_the_envelope(number, reading) -> None:
    sound = sounds()[number]
    times, loud = envelopes(sound)
    above = np.flatnonzero(loud[reading] >= sound["threshold"])
    stays = np.flatnonzero(loud[reading] >= sound["release"])
    period = 1e6 / sound["hz"]
    assert [on for _, on in sound["edges"]] == [1, 0]
    (onset, _), (end, _) = sound["edges"]
    late, early = onset - times[above[0]], times[stays[-1]] - end
    print(f"{sound['hz']} Hz, {reading}: onset {late:.0f} µs behind, end {early:.0f} µs before")
    slack = 0.15 * period + 2 * SAMPLE_US  # the filters of this reading
    # The box takes the first sample beyond the threshold: noise brings it forward on a slow attack.
    least = -slack - sound["noiseUs"]
    assert least <= late <= period / 2 + slack
    assert least <= early <= period / 2 + slack


def test_the_readings_agree_with_each_other() -> None:
    for sound in sounds():
        times, loud = envelopes(sound)
        first = [times[np.flatnonzero(each >= sound["threshold"])[0]] for each in loud.values()]
        assert abs(first[0] - first[1]) < 0.25 * 1e6 / sound["hz"]


def test_the_definition_sample_by_sample() -> None:
    """The first sample whose distance from rest is the threshold, within the interval before it."""
    for sound in sounds():
        times, levels = np.array(sound["samples"]).T
        distance = np.abs(levels - sound["rest"])
        first = times[np.flatnonzero(distance >= sound["threshold"])[0]]
        assert sound["edges"][0][0] == pytest.approx(first - SAMPLE_US / 2, abs=3 * SAMPLE_US)
