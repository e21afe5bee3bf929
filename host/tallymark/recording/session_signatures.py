"""Session signatures in log and recording: which session it is, and known places.

A signature that is sound in the recording and has the number of one in the log proves the session,
and is an anchor for the alignment. One with another number says that the recording is of another
session. To the alignment each pulse of a signature is a marker like any other, so that a signature
of which a pulse was lost still helps; afterwards they are set apart, and are neither markers that
were missed nor events that nobody sent.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tallymark.common.formatting import clock, listed, some
from tallymark.common.signature import Form, Signature, in_text
from tallymark.common.signature.detector import Found, find
from tallymark.common.signature.pattern import PULSES
from tallymark.recording.alignment import BY_MARKER, Anchor
from tallymark.recording.recording_data import Bools, Codes, Floats, Ints, RecordedEvents

if TYPE_CHECKING:
    from tallymark.recording.comparison_result import Comparison
    from tallymark.recording.sent_markers import Sent


@dataclass(frozen=True)
class SentSignature:
    """A signature of the log. count: its number in its session, from 1. start_us: its first edge on
    the log's clock, None if the box did not confirm it. pulses: how many went out."""

    signature: Signature
    form: Form
    count: int
    start_us: float | None
    pulses: int = PULSES

    def times(self) -> Floats:
        """Start of each pulse on the log's clock, none if it isn't known."""
        if self.start_us is None:
            return np.zeros(0)
        starts = np.array(self.signature.starts[: self.pulses], float)
        return self.start_us + starts * self.form.unit_us


@dataclass(frozen=True)
class Told:
    """What became of a signature of the log. found: it is sound in the recording. start_us: where,
    on the recording's clock; where it should be if it wasn't found, NaN if that isn't known.
    fates: how many of its pulses arrived, were altered, are missing ... (names of `FATES`)."""

    sent: SentSignature
    found: bool
    start_us: float
    fates: dict[str, int]

    def count(self, *fates: str) -> int:
        """How many of its pulses have any of these fates."""
        return sum(self.fates.get(fate, 0) for fate in fates)


@dataclass
class Signatures:
    """Signatures of log and recording.

    own: (signature of the log, the same in the recording). strange: those in the recording with the
    number of a session that the log doesn't have, or that its records lack. aside: which events are
    pulses of these. told: each signature of the log, after the comparison. foreign: the recording
    is of another session than the log.
    """

    sent: Sequence[SentSignature] = ()
    own: list[tuple[SentSignature, Found]] = field(default_factory=list)
    strange: list[Found] = field(default_factory=list)
    aside: Bools = field(default_factory=lambda: np.zeros(0, bool))
    told: list[Told] = field(default_factory=list)
    foreign: bool = False

    @property
    def proven(self) -> list[str]:
        """Numbers of the log's sessions that the recording holds for certain."""
        return sorted({in_text(sent.signature.session) for sent, _ in self.own})

    @property
    def others(self) -> list[str]:
        """Numbers of sessions in the recording that the log doesn't have."""
        logged = {sent.signature.session for sent in self.sent}
        there = {found.signature.session for found in self.strange}
        return sorted(map(in_text, there - logged))

    @property
    def only_others(self) -> bool:
        """Whether all whole signatures in the recording are of other sessions than the log's."""
        return bool(self.sent and self.others and not self.proven)

    def judge(self, which: Ints, arrived: Bools) -> None:
        """Whether the recording is of another session: unless a part of the log's own signatures is
        there, as where two sessions are in one recording and pulses of this one were lost.

        Args:
            which: of each row the number of its signature. arrived: which rows have an event.
        """
        pulses = np.bincount(which[arrived & (which >= 0)], minlength=1)
        self.foreign = self.only_others and bool(pulses.max() <= PULSES // 2)

    def anchors(self) -> tuple[Anchor, ...]:
        """Known places: of signatures whose time in the log is known and that are found once."""
        times = Counter((sent.signature, sent.form) for sent in self.sent)
        seen = Counter(found.signature for _, found in self.own)
        return tuple(
            Anchor(sent.start_us, found.start_us, found.off_us)
            for sent, found in self.own
            if sent.start_us is not None
            and times[sent.signature, sent.form] == 1
            and seen[found.signature] == 1
        )


def match(sent: Sequence[SentSignature], codes: Codes, recorded: RecordedEvents) -> Signatures:
    """Match the signatures of a log with those of a recording.

    Args:
        codes: of the log's markers. A sound signature with the number of another session counts
            only if its code is not among them, or if two have the same number: of as many events
            of one code as a recording may hold, some spell a signature by chance.
    """
    result = Signatures(sent, aside=np.zeros(len(recorded), bool))
    by_number: dict[tuple[Signature, int], SentSignature] = {}
    for one in sent:
        by_number.setdefault((one.signature, one.form.unit_us), one)
    sessions = {one.signature.session for one in sent}
    found = find(recorded.time_us, recorded.code)
    often = Counter(there.signature.session for there in found)
    used = np.zeros(256, bool)
    used[codes] = True
    for there in found:
        session = there.signature.session
        same = by_number.get((there.signature, there.unit_us))
        if same is not None:
            result.own.append((same, there))
            if same.start_us is None:
                result.aside[there.events] = True
        elif session in sessions or not used[there.code] or often[session] > 1:
            result.strange.append(there)
            if not used[there.code]:
                result.aside[there.events] = True
    return result


def without(recorded: RecordedEvents, events: Bools) -> RecordedEvents:
    """The recording without some of its events (a mask)."""
    if not events.any():
        return recorded
    keep = ~events
    return replace(
        recorded,
        sample=recorded.sample[keep],
        time_us=recorded.time_us[keep],
        code=recorded.code[keep],
        width=recorded.width[keep],
    )


def with_pulses(sent: Sent) -> tuple[Sent, Ints]:
    """The log's markers together with the pulses of its signatures, in order of time; and for each
    row the number of its signature, -1 for a marker."""
    parts = [(number, one, one.times()) for number, one in enumerate(sent.signatures)]
    count = sum(len(times) for _, _, times in parts)
    if not count:
        return sent, np.full(len(sent), -1)
    time = np.concatenate([sent.time, *(times for _, _, times in parts)])
    which = np.concatenate(
        [np.full(len(sent), -1), *(np.full(len(times), number) for number, _, times in parts)]
    )
    order = np.argsort(time, kind="stable")
    form = [one.form for _, one, times in parts for _ in times]
    made = replace(
        sent,
        time=time[order],
        code=np.concatenate((sent.code, np.array([f.code for f in form], np.uint8)))[order],
        width=np.concatenate((sent.width, np.array([f.width_us for f in form], float)))[order],
        confirmed=np.concatenate((sent.confirmed, np.ones(count, bool)))[order],
        number=np.concatenate((sent.number, np.full(count, -1)))[order],
        name=np.concatenate((sent.name, np.full(count, -1)))[order],
        test=np.concatenate((sent.test, np.zeros(count, bool)))[order],
    )
    return made, which[order]


def tell(result: Comparison, which: Ints, fates: Sequence[str]) -> None:
    """Fill in `Signatures.told`, and give the pulses of signatures that are sound in the recording
    the events that they have there.

    Args:
        result: with rows for pulses. which: of each row the number of its signature, -1 for none.
        fates: their names.
    """
    signatures = result.signatures
    found = {id(sent): there for sent, there in signatures.own}
    for number, sent in enumerate(signatures.sent):
        rows = np.flatnonzero(which == number)
        there = found.get(id(sent))
        start = float("nan")
        if there is not None:
            start = there.start_us
            if len(rows) == PULSES:
                unknown = result.fate[rows] == fates.index("unknown")
                result.partner[rows[unknown]] = _kept(there.events, signatures.aside)[unknown]
                same = there.code == sent.form.code
                result.fate[rows[unknown]] = fates.index("arrived" if same else "altered")
        elif len(rows):
            start = float(result.expected_us[rows[0]])
        counted = Counter(fates[fate] for fate in result.fate[rows].tolist())
        signatures.told.append(Told(sent, there is not None, start, dict(counted)))
    taken = result.partner[(which >= 0) & (result.partner >= 0)]
    result.extra = np.setdiff1d(result.extra, taken)
    result.unplaced = np.setdiff1d(result.unplaced, taken)


def markers_alone(result: Comparison, which: Ints) -> Comparison:
    """The comparison without the rows of pulses. which: as in `tell`."""
    keep = which < 0
    if keep.all():
        return result
    sent, alignment = result.sent, result.alignment
    columns = ("time", "code", "width", "confirmed", "number", "name", "test")
    by_row = ("fate", "doubt", "why_known", "partner", "expected_us", "residual_us")
    rows = np.where(keep, np.cumsum(keep) - 1, -1)
    marker = np.where(alignment.marker >= 0, rows[alignment.marker], -1)
    of_markers = {name: getattr(alignment, name)[keep] for name in BY_MARKER}
    return replace(
        result,
        sent=replace(sent, **{name: getattr(sent, name)[keep] for name in columns}),
        alignment=replace(alignment, marker=marker, **of_markers),
        **{name: getattr(result, name)[keep] for name in by_row},
    )


def _kept(events: Ints, aside: Bools) -> Ints:
    """Numbers of events when those aside are left out."""
    result: Ints = events - np.cumsum(aside)[events]
    return result


def sentences(result: Comparison) -> list[str]:
    """What signatures tell, in words; empty where there are none."""
    signatures = result.signatures
    lines = []
    if signatures.proven:
        number = some(len(signatures.own), "signature")
        lines.append(f"Session {listed(signatures.proven)}: proven by {number} in the recording.")
    elif signatures.sent and not signatures.foreign:
        lines.append(
            "No whole signature of the log's session is in the recording, so none proves that the "
            "recording is of this session."
        )
    lines += filter(None, map(_of_one, signatures.told))
    known = {sent.signature.session for sent in signatures.sent}
    if signatures.others and not signatures.foreign:
        whose = "which the log doesn't have" if signatures.sent else "and the log holds none"
        lines.append(
            f"The recording holds a signature of session {listed(signatures.others)}, {whose}."
        )
    lines += [
        f"At {clock(found.start_us / 1e6)} is signature {found.signature.ordinal} of session "
        f"{in_text(found.signature.session)}, which the log does not have."
        for found in signatures.strange
        if found.signature.session in known
    ]
    return lines


def _of_one(told: Told) -> str:
    """Of a signature that isn't whole in the recording."""
    if told.found or told.sent.start_us is None:
        return ""
    what = f"Signature {told.sent.count} of session {in_text(told.sent.signature.session)}"
    fates = dict(told.fates)
    if set(fates) <= {"outside", "in a pause"}:
        return f"{what} was sent while the recording did not run."
    where = "" if np.isnan(told.start_us) else f", at {clock(told.start_us / 1e6)},"
    said = listed([f"{number} {fate}" for fate, number in fates.items()])
    return f"{what}{where} is not whole: of its pulses, {said}."


def as_data(signatures: Signatures) -> dict[str, Any]:
    """As JSON data."""
    return {
        "proven": signatures.proven,
        "other_sessions": signatures.others,
        "sent": [
            {
                "session": in_text(told.sent.signature.session),
                "signature": told.sent.count,
                "found": told.found,
                "recorded_us": None if np.isnan(told.start_us) else round(told.start_us, 3),
                "pulses": told.fates,
            }
            for told in signatures.told
        ],
    }
