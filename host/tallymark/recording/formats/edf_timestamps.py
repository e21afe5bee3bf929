"""Time stamps and annotations in the data records of EDF+ and BDF+ files.

EDF+, section 2.2: each data record has lists that end in a zero byte: an onset, byte 21 and a
duration if there is one, then byte 20 and texts that each end in byte 20. The first list of a
record has an empty first text; its onset is the time at which the record begins.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right, insort

import numpy as np

from tallymark.common.formatting import duration, some
from tallymark.recording.recording_data import Floats, Ints, Spans

_ONSET = re.compile(rb"[+-]\d{1,9}(?:\.\d*)?")
_DURATION = re.compile(rb"\d{1,9}(?:\.\d*)?")


def annotations_in(record: bytes) -> tuple[list[tuple[float, float, str]], bool]:
    """Annotations of one data record as (onset in seconds, duration or 0, text), and whether all of
    it could be read."""
    rows: list[tuple[float, float, str]] = []
    whole = True
    for part in record.split(b"\x00"):
        if not part:
            continue
        stamp, _, texts = part.partition(b"\x14")
        onset, mark, length = stamp.partition(b"\x15")
        if (
            not _ONSET.fullmatch(onset)
            or (mark and not _DURATION.fullmatch(length))
            or not texts.endswith(b"\x14")
        ):
            whole = False
            continue
        rows += [
            (float(onset), float(length or 0), _text(text))
            for text in texts[:-1].split(b"\x14")
            if text
        ]
    return rows, whole


def stamp_in(record: bytes) -> float | None:
    """Time in seconds at which a data record begins, None where that can't be read."""
    onset, mark, rest = record.partition(b"\x14")
    kept = mark and rest.startswith(b"\x14") and _ONSET.fullmatch(onset)
    return float(onset) if kept else None


def spans_of(stamps: Floats, record_s: float, samples: int, incomplete: list[str]) -> Spans:
    """Stretches without a pause, from the time stamps of the data records.

    Args:
        stamps: seconds, NaN where one can't be read. Stamps that don't go on in order with most of
            the others are taken as damaged.
        record_s: duration of a data record in seconds. samples: of the channel in a record.
        incomplete: gets a sentence for each thing that can't be known.
    """
    half_sample = 0.5 * record_s / samples
    pause = stamps - np.arange(len(stamps)) * record_s  # before each record, and the first stamp
    good = _in_order(_levels(pause, half_sample))
    if not len(good):
        incomplete.append(
            "The file says that it pauses, but none of its time stamps can be read: when it pauses "
            "and for how long is not known."
        )
        return Spans.unbroken()
    damaged = len(stamps) - len(good)
    bad = np.setdiff1d(np.arange(len(stamps)), good)
    pause = pause[good] - pause[good[0]]
    step = np.flatnonzero(np.diff(pause) > half_sample)
    if damaged:
        incomplete.append(
            f"The time stamps of {some(damaged, 'data record')} (the first is record "
            f"{bad[0] + 1:,}) are damaged; each of them is taken to follow the record before it."
        )
    incomplete.extend(
        f"A pause of {duration((pause[at + 1] - pause[at]) * 1e6)} lies somewhere between data "
        f"records {good[at] + 1:,} and {good[at + 1] + 1:,}; it is taken to lie at the end."
        for at in step[np.diff(good)[step] > 1]
    )
    first = np.concatenate(([0], good[step + 1])).astype(np.int64)
    before = np.concatenate(([0.0], pause[step + 1]))
    return Spans(first * samples, np.asarray((first * record_s + before) * 1e6, np.float64))


def _levels(values: Floats, margin: float) -> list[float]:
    """The values, with those that differ by less than the rounding of time stamps made equal."""
    levels: list[float] = []
    result: list[float] = []
    for value in values.tolist():
        at = bisect_left(levels, value)
        near = [level for level in levels[max(at - 1, 0) : at + 1] if abs(level - value) < margin]
        if not near and value == value:
            insort(levels, value)
        result.append(near[0] if near else value)
    return result


def _in_order(values: list[float]) -> Ints:
    """Indices of the longest part of `values` that doesn't descend; NaN are left out."""
    tails: list[float] = []
    ends: list[int] = []
    previous = np.full(len(values), -1, np.int64)
    for index, value in enumerate(values):
        if value != value:
            continue
        at = bisect_right(tails, value)
        previous[index] = ends[at - 1] if at else -1
        if at == len(tails):
            tails.append(value)
            ends.append(index)
        else:
            tails[at], ends[at] = value, index
    chosen: list[int] = []
    index = ends[-1] if ends else -1
    while index >= 0:
        chosen.append(index)
        index = int(previous[index])
    return np.array(chosen[::-1], np.int64)


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")
