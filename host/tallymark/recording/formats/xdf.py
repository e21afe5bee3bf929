"""XDF recordings: streams of markers, and numeric channels as status channels.

pyxdf joins the streams on one clock. A stream of irregular samples, in text or numbers, is a list
of events on its own time stamps. A channel of a regular stream is a status channel, whose events
get the time stamps of their samples.
"""

from __future__ import annotations

import io
import logging
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tallymark.recording.event_extraction import Design, Rule, extract
from tallymark.recording.formats.code_text import Codes
from tallymark.recording.formats.event_rows import from_rows
from tallymark.recording.formats.xdf_chunk_checks import sound_chunks
from tallymark.recording.recording_data import Floats, RecordedEvents, RecordingError, StatusStream

_STATUS = re.compile(r"status|trig|stim|marker|digital|event|\bttl\b", re.IGNORECASE)


@dataclass(frozen=True)
class _Stream:
    """rate: nominal, in Hz, 0 for irregular samples. values: rows of texts, or an array of shape
    (n, channels). times: in seconds on the clock that all streams share."""

    name: str
    type: str
    labels: list[str]
    rate: float
    values: Any
    times: Floats

    @property
    def lists_events(self) -> bool:
        """Whether each sample is an event."""
        return self.rate == 0 or not isinstance(self.values, np.ndarray)

    def place(self, column: int) -> str:
        """How a channel is named."""
        return self.name if len(self.labels) == 1 else f"{self.name}/{self.labels[column]}"


def read_events(
    path: Path,
    rule: Rule | None = None,
    channel: str | None = None,
    progress: Callable[[int, int], None] | None = None,
    design: Design | None = None,
    hexadecimal: bool = False,
) -> RecordedEvents:
    """Events of an XDF file.

    Args:
        channel: name of a stream, or 'stream/channel'; default: the only one that carries markers.
        rule, progress, design: for status channels, as in `extract`.
        hexadecimal: whether codes in texts are hexadecimal.

    Raises:
        RecordingError: the file can't be read, pyxdf isn't installed, or no stream carries markers.
    """
    streams, began, notes, incomplete = _load(path)
    stream, column = _choose(path, streams, channel)
    ends = [end for s in streams if len(s.times) for end in (s.times.min(), s.times.max())]
    zero = min(ends)
    if stream.lists_events:
        codes = Codes("sample", hexadecimal)
        rows = []
        for number, (when, row) in enumerate(zip(stream.times, stream.values, strict=True), 1):
            code = codes.take(_text(row[column]), f"number {number}")
            if code:
                rows.append(((float(when) - zero) * 1e6, code, 0.0))
        return from_rows(
            path,
            stream.place(column),
            rows,
            notes=notes + codes.notes(),
            format="XDF",
            covers_us=(0.0, (max(ends) - zero) * 1e6),
            incomplete=incomplete,
            began=began,
        )
    values = stream.values[:, column]

    def pieces() -> Iterator[NDArray[np.int32]]:
        limit = 2.0**31 - 129
        yield np.rint(np.clip(np.nan_to_num(values), -limit, limit)).astype(np.int32)

    times = (stream.times - stream.times[0]) * 1e6
    found = StatusStream(
        path,
        "XDF",
        stream.place(column),
        _measured_rate(stream),
        len(values),
        pieces,
        32,
        notes=notes,
        incomplete=incomplete,
        began=began,
    )
    events = extract(found, rule, progress, design)
    events.time_us = times[events.sample]
    events.end_us = float(times[-1]) + events.sample_us
    gaps = np.flatnonzero(np.diff(times) > 2 * events.sample_us)
    events.pauses_us = [(float(times[at] + events.sample_us), float(times[at + 1])) for at in gaps]
    return events


def _measured_rate(stream: _Stream) -> float:
    """Sampling rate in Hz on the common clock; the nominal one where it can't be measured."""
    step = float(np.median(np.diff(stream.times))) if len(stream.times) > 1 else 0.0
    return 1 / step if 1e-7 < step < 1e6 else stream.rate


def _choose(path: Path, streams: list[_Stream], wanted: str | None) -> tuple[_Stream, int]:
    every = [(s, n) for s in streams for n in range(len(s.labels)) if len(s.times)]
    names = ", ".join(repr(s.place(n)) for s, n in every[:40]) or "none"
    if wanted is not None:
        low = wanted.lower()
        found = [
            (s, n)
            for s, n in every
            if s.place(n).lower() == low or (s.name.lower() == low and s.lists_events and n == 0)
        ]
    else:
        found = [(s, n) for s, n in every if s.lists_events and n == 0] or [
            (s, n) for s, n in every if _STATUS.search(f"{s.type} {s.place(n)}")
        ]
    if len(found) == 1:
        return found[0]
    if wanted is not None:
        what = f"{'no' if not found else 'more than one'} stream or channel is called {wanted!r}"
    elif not found:
        what = "no stream's name or type says that it carries markers; name one (--channel)"
    else:
        listed = ", ".join(repr(s.place(n)) for s, n in found[:40])
        what = f"{len(found)} could carry the markers: {listed}; name one (--channel)"
    raise RecordingError(f"{path}: {what}. The file holds: {names}.")


def _load(path: Path) -> tuple[list[_Stream], datetime | None, list[str], list[str]]:
    try:
        import pyxdf  # type: ignore[import-untyped]
    except ImportError as error:
        raise RecordingError(
            f"{path}: XDF files need pyxdf. Install it with: pip install pyxdf"
        ) from error
    incomplete: list[str] = []
    raw = sound_chunks(path, incomplete)
    with _remarks() as said, np.errstate(all="ignore"):
        try:
            found, head = pyxdf.load_xdf(io.BytesIO(raw))
        except Exception as error:  # whatever another's reader stumbles over is damage
            raise RecordingError(
                f"{path}: can't be read as XDF ({type(error).__name__}: {error}). It is damaged; "
                "copy it from the recording computer again."
            ) from error
    incomplete += [f"pyxdf says: {text}" for text in said if "corrupt" in text]
    notes = [f"pyxdf says: {text}" for text in said if "corrupt" not in text]
    streams = [stream for each in found if (stream := _stream(each, incomplete)) is not None]
    if not any(len(stream.times) for stream in streams):
        raise RecordingError(f"{path}: holds no samples; the recording is empty.")
    return streams, _began(head), notes, incomplete


def _stream(data: Any, incomplete: list[str]) -> _Stream | None:
    info, values = data["info"], data["time_series"]
    name = _first(info, "name") or "unnamed"
    times = np.asarray(data["time_stamps"], float)
    columns = values.shape[1] if isinstance(values, np.ndarray) else len(values[0]) if values else 1
    try:
        rate = float(_first(info, "nominal_srate") or 0)
    except ValueError:
        rate = 0.0
    good = np.isfinite(times) & (np.abs(times) < 1e11)
    if not good.all():
        incomplete.append(
            f"{int((~good).sum())} samples of stream {name!r} have a damaged time stamp and were "
            "left out."
        )
        times = times[good]
        values = (
            values[good]
            if isinstance(values, np.ndarray)
            else [row for row, keep in zip(values, good, strict=True) if keep]
        )
    if rate and (np.diff(times) <= 0).any():
        incomplete.append(f"The time stamps of stream {name!r} go back; don't trust its times.")
    return _Stream(name, _first(info, "type"), _labels(info, columns), rate, values, times)


def _labels(info: Any, columns: int) -> list[str]:
    """Labels of the channels, or their numbers from 1 on."""
    try:
        rows = info["desc"][0]["channels"][0]["channel"]
        labels = [str(row["label"][0]) for row in rows]
    except (KeyError, IndexError, TypeError):
        labels = []
    usable = len(labels) == columns and len(set(labels)) == columns
    return labels if usable else [str(number) for number in range(1, columns + 1)]


def _first(info: Any, key: str) -> str:
    """pyxdf gives each element of the XML as a list."""
    value = info.get(key) or [""]
    return str(value[0] or "") if isinstance(value, list) else str(value)


def _text(value: Any) -> str:
    return f"{value:.12g}" if isinstance(value, (float, np.floating)) else str(value)


def _began(head: Any) -> datetime | None:
    try:
        return datetime.fromisoformat(head["info"]["datetime"][0][:19])  # local time, without zone
    except (KeyError, IndexError, TypeError, ValueError):
        return None


@contextmanager
def _remarks() -> Iterator[list[str]]:
    """Collects what pyxdf logs from warnings on."""
    said: list[str] = []

    class Collect(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            said.append(record.getMessage())

    logger, handler = logging.getLogger("pyxdf"), Collect(logging.WARNING)
    before = logger.propagate
    logger.addHandler(handler)
    logger.propagate = False
    try:
        yield said
    finally:
        logger.removeHandler(handler)
        logger.propagate = before
