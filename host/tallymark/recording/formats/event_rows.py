"""Lists of events: rows of time, code and width become a recording."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import numpy as np

from tallymark.common.formatting import duration, some
from tallymark.recording.formats.sampling_interval import find_grid, may_be_chance
from tallymark.recording.recording_data import Floats, NoEvent, RecordedEvents, RecordingError

_FASTEST_HZ = 1e7
TWICE = 0.9  # share of the rows that must have a second one like it


def check_rate(rate: float | None) -> None:
    """Raises RecordingError for a sampling rate in Hz that can't be one."""
    if rate is not None and not 0 < rate <= _FASTEST_HZ:
        raise RecordingError(
            f"The sampling rate must be above 0 and at most {_FASTEST_HZ:,.0f} Hz, not {rate:g}."
        )


def written_step_us(seconds: list[float]) -> float:
    """With how fine a step times in seconds were written, in microseconds; 0 if none is."""
    decimals = [len(f"{value:.9f}".rstrip("0").partition(".")[2]) for value in seconds]
    return 1e6 * 10.0 ** -max(decimals, default=0) if seconds else 0.0


def from_rows(
    path: Path,
    column: str,
    rows: list[tuple[float, int, float]],
    rate: float | None = None,
    notes: list[str] | None = None,
    *,
    format: str = "event list",
    step_us: float = 0.0,
    covers_us: tuple[float, float] | None = None,
    incomplete: list[str] | None = None,
    began: datetime | None = None,
    zero_us: list[float] | None = None,
) -> RecordedEvents:
    """Events from rows of (time, code 1..255, width), times in microseconds.

    Args:
        rate: sampling rate in Hz, None if it isn't known; then the time grid is looked for.
        step_us: with how fine a step the times are written, 0 if they are not rounded.
        covers_us: the time that the recording covers, if the file tells.
        zero_us: times of rows of code 0.

    Raises RecordingError if there is no row.
    """
    said = list(notes or [])
    if not rows:
        why = " ".join(said)
        raise NoEvent(f"{path}: holds no event with a code from 1 to 255. {why}".rstrip())
    check_rate(rate)
    values = _once(np.array(sorted(rows)), said)
    time = values[:, 0]
    grid_us, gridless = 1.0, False
    if rate is None:
        found = find_grid(time, step_us)
        gridless = found is None or may_be_chance(time, found, step_us)
        grid_us = found or max(step_us, 1.0)
        said.append(_about_grid(found, step_us))
    unit = grid_us if rate is None else 1e6 / rate
    if covers_us is None:
        covers_us = float(time[0]) - 1.0, float(time[-1]) + 1.0
        said.append(
            "An event list doesn't say when the recording began and ended; it is taken to cover "
            "its first to its last event."
        )
    return RecordedEvents(
        path,
        format,
        column,
        rate,
        np.round(time / unit).astype(np.int64),
        time,
        values[:, 1].astype(np.uint8),
        np.round(np.clip(values[:, 2], 0, 1e15) / unit).astype(np.int64),
        *covers_us,
        rule=f"codes from {column!r}",
        notes=said,
        incomplete=list(incomplete or []),
        grid_us=grid_us,
        gridless=gridless,
        zero_us=np.sort(np.array(zero_us or [], float)),
        began=began,
    )


def _once(values: Floats, said: list[str]) -> Floats:
    """The rows, one of each time and code if nearly all are there several times, as two channels
    with the same markers make them; tells so."""
    _, first, count = np.unique(values[:, :2], axis=0, return_index=True, return_counts=True)
    if count[count > 1].sum() < TWICE * len(values):
        return values
    twice = some(len(values) - len(first), "row")
    said.append(f"Left out: {twice} with the time and the code of another one.")
    once: Floats = values[first]
    return once


def _about_grid(found: float | None, step_us: float) -> str:
    if found is not None:
        return (
            f"The times lie on a grid of {duration(found)} ({1e6 / found:,.6g} Hz); it is taken "
            "for the sampling interval."
        )
    written = f" They are written in steps of {duration(step_us)}." if step_us >= 1 else ""
    return (
        f"No sampling interval shows in the times.{written} If you know the sampling rate of the "
        "recording, give it (--rate)."
    )
