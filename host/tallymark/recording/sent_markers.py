"""The markers of a log as columns: what was sent, and when by the box's clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from tallymark.common.formatting import some
from tallymark.markerlog import LogData, LoggedMarker, LoggedSignature
from tallymark.markerlog.marker_durations import durations
from tallymark.recording.log_holes import MARGIN_US, Holes
from tallymark.recording.recording_data import Bools, Codes, Floats, Ints, RecordingError
from tallymark.recording.session_signatures import SentSignature


@dataclass(frozen=True)
class Sent:
    """The markers of a log as columns, in order of time (microseconds of box time).

    width: microseconds on the lines, NaN where the log doesn't tell. confirmed: the box answered.
    number: of the log (-1: came in on the byte input). name: by number of `names`, -1 without.
    signatures: session signatures, whose pulses are no markers.
    unread: what of the log is missing or can't be read, in sentences; it may have held more
    markers. holes: when. utc_us: when box time was 0 by the computer's clock, in microseconds since
    1970, None where the log doesn't tell. test: of a test before the session, so that the recording
    need not hold it; without an argument: none is. at: place of each among the markers of the log,
    -1 without an argument.
    """

    time: Floats
    code: Codes
    width: Floats
    confirmed: Bools
    number: Ints
    name: Ints
    names: list[str]
    unread: tuple[str, ...] = ()
    signatures: tuple[SentSignature, ...] = ()
    holes: Holes = ()
    utc_us: float | None = None
    test: Bools = field(default_factory=lambda: np.zeros(0, bool))
    at: Ints = field(default_factory=lambda: np.zeros(0, np.int64))

    def __post_init__(self) -> None:
        if not len(self.test):
            object.__setattr__(self, "test", np.zeros(len(self.time), bool))
        if not len(self.at):
            object.__setattr__(self, "at", np.full(len(self.time), -1, np.int64))

    def __len__(self) -> int:
        return len(self.time)


def columns(log: LogData) -> Sent:
    """Columns of a log's events. Unconfirmed markers get the box time that their host time maps to;
    box times of later parts (after a restart) are moved by the same map.

    Raises RecordingError if no marker has a box time, or if all are tests before the session.
    """
    found = [
        (marker, lasted.us, at)
        for at, (marker, lasted) in enumerate(zip(log.markers, durations(log), strict=True))
        if marker.fate != "refused" and marker.code
    ]
    rows = [marker for marker, _, _ in found]
    names = sorted({marker.name for marker in rows if marker.name is not None})
    number_of = {name: number for number, name in enumerate(names)}
    signed = [one for one in log.signatures if one.fate != "refused"]
    bounds = [at for hole in log.holes for at in (hole.since_us, hole.until_us)]
    known = [LoggedMarker(-1, 0, host_us=at) for at in bounds if at is not None]
    ends = [len(rows), len(rows) + len(signed)]
    time, signed_at, holes_at = np.split(_times([*rows, *map(_first_edge, signed), *known]), ends)
    if not len(rows) or np.isnan(time).all():
        raise RecordingError(
            f"{log.path}: the marker log holds no marker that the box confirmed, so there is "
            "nothing to look for. Check that it is the log of this session."
        )
    if all(marker.test for marker in rows):
        raise RecordingError(
            f"{log.path}: all markers of the log are tests before the session, so there is nothing "
            "to look for. Check that it is the log of this session."
        )
    order = np.argsort(time, kind="stable")
    return Sent(
        time[order],
        np.array([m.code for m in rows], np.uint8)[order],
        np.array([np.nan if width is None else width for _, width, _ in found], float)[order],
        np.array([m.fate == "done" for m in rows], bool)[order],
        np.array([m.number for m in rows], np.int64)[order],
        np.array([-1 if m.name is None else number_of[m.name] for m in rows], np.int64)[order],
        names,
        _unread(log),
        tuple(
            SentSignature(
                one.signature,
                one.form,
                one.count,
                float(at) if one.fate == "done" else None,
                one.pulses,
            )
            for one, at in zip(signed, signed_at, strict=True)
        ),
        _holes(bounds, holes_at),
        _utc_us(log, rows),
        np.array([m.test for m in rows], bool)[order],
        np.array([at for _, _, at in found], np.int64)[order],
    )


def _holes(bounds: list[int | None], known: Floats) -> Holes:
    """known: box times of those bounds that are."""
    times = iter(known.tolist())
    found = []
    for since, until in zip(bounds[::2], bounds[1::2], strict=True):
        begin = -np.inf if since is None else next(times) - MARGIN_US
        found.append((begin, np.inf if until is None else next(times) + MARGIN_US))
    return tuple(found)


def _first_edge(one: LoggedSignature) -> LoggedMarker:
    """A signature's beginning, as a marker with times."""
    return LoggedMarker(
        -1,
        one.form.code,
        sent_host_us=one.sent_host_us,
        box_us=one.box_us,
        host_us=one.host_us,
        part=one.part,
    )


def _unread(log: LogData) -> tuple[str, ...]:
    gaps = tuple(log.gap_notes())
    if not log.bad_lines:
        return gaps
    lines = some(len(log.bad_lines), "line")
    return (
        f"{lines} of the log can't be read (the first is line {log.bad_lines[0]}): markers in them "
        "were not looked for.",
        *gaps,
    )


def _utc_us(log: LogData, rows: list[LoggedMarker]) -> float | None:
    """When box time was 0, by the clock and the host time that the log's header has."""
    header = log.header
    try:
        start = datetime.fromisoformat(str(header.get("start")))
    except ValueError:
        return None
    offsets = [
        marker.host_us - marker.box_us
        for marker in rows
        if marker.part == rows[0].part and marker.box_us is not None and marker.host_us is not None
    ]
    if start.tzinfo is None or header.get("host") is None or not offsets:
        return None
    return start.timestamp() * 1e6 + float(np.median(offsets)) - float(header["host"])


def _times(rows: list[LoggedMarker]) -> Floats:
    box = np.array([np.nan if m.box_us is None else m.box_us for m in rows], float)
    host = np.array([m.host_us if m.host_us is not None else m.sent_host_us for m in rows], float)
    part = np.array([m.part for m in rows])
    known = ~np.isnan(box)
    if not known.any():
        return box
    # Parts are put on the first part's clock by the median of host time minus box time.
    base = float(np.median((host - box)[known & (part == part[known][0])]))
    for number in np.unique(part[known]):
        here = known & (part == number)
        if number != part[known][0]:
            box[here] += float(np.median(host[here] - box[here])) - base
    if not known.all():
        order = np.argsort(host[known], kind="stable")
        shift = np.interp(host[~known], host[known][order], (box - host)[known][order])
        box[~known] = host[~known] + shift
    return box
