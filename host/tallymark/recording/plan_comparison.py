"""A recording against a plan alone, where no marker log was kept.

A plan says which codes may come, how wide, how often and how close together, but not when. So it
can tell unknown codes, wrong counts and wrong widths; it can't tell which marker is missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tallymark.common.errors import describe_times
from tallymark.common.formatting import clock, describe_change
from tallymark.common.signature import in_text
from tallymark.common.signature.detector import Found, find
from tallymark.plan import Plan
from tallymark.recording.recording_data import RecordedEvents, RecordingError
from tallymark.recording.session_signatures import without


@dataclass(frozen=True)
class PlanComparison:
    """What the recording shows of a plan.

    counts: for each event (name, code, planned count or None, recorded). wrong: what contradicts
    the plan, in sentences. remarks: what else is worth knowing.
    """

    counts: list[tuple[str, int, int | None, int]]
    wrong: list[str]
    remarks: list[str]

    def as_data(self) -> dict[str, Any]:
        """As JSON data."""
        names = ("name", "code", "planned", "recorded")
        return {
            "clean": not self.wrong,
            "events": [dict(zip(names, row, strict=True)) for row in self.counts],
            "wrong": self.wrong,
            "remarks": self.remarks,
        }


def compare_with_plan(plan: Plan, events: RecordedEvents) -> PlanComparison:
    """Compare a recording with a plan. Raises RecordingError if the plan names no event."""
    if not plan.events:
        raise RecordingError("The plan names no event, so there is nothing to compare with.")
    signatures = signatures_of(plan, events)
    pulses = np.zeros(len(events), bool)
    for one in signatures:
        pulses[one.events] = True
    events = without(events, pulses)
    found = np.bincount(events.code, minlength=256)
    counts = [(e.name, e.code, e.count, int(found[e.code & 0xFF])) for e in plan.events]
    wrong = _unknown_codes(plan, events, found.tolist())
    for name, code, planned, recorded in counts:
        if planned is not None and planned != recorded:
            often = describe_times(recorded)
            wrong.append(f"{name!r} (code {code}) came {often} instead of {planned}.")
        elif planned is None and not recorded:
            wrong.append(f"{name!r} (code {code}) never came.")
    wrong += _widths(plan, events)
    least = plan.session.least_interval_us
    if least is not None and len(events) > 1:
        gaps = np.diff(events.time_us)
        close = np.flatnonzero(gaps < least - 1.5 * events.sample_us)
        if len(close):
            when = clock(events.time_us[close[0] + 1] / 1e6)
            wrong.append(
                f"{len(close)} markers follow the one before sooner than the plan's least interval "
                f"of {least / 1e3:g} ms, the first at {when}."
            )
    remarks = [
        f"At {clock(one.start_us / 1e6)}: signature {one.signature.ordinal} of session "
        f"{in_text(one.signature.session)}."
        for one in signatures
    ]
    remarks.append(
        "Without a marker log, a marker that is missing can't be told from one that was never sent."
    )
    return PlanComparison(counts, wrong, remarks + events.notes)


def signatures_of(plan: Plan, events: RecordedEvents) -> list[Found]:
    """The session signatures with the code that the plan reserves for them."""
    return [one for one in find(events.time_us, events.code) if one.code == plan.signature_code]


def _unknown_codes(plan: Plan, events: RecordedEvents, found: list[int]) -> list[str]:
    known = {event.code: event.name for event in plan.events}
    reserved = set(plan.receiver.reserved)
    sentences = []
    for code, number in enumerate(found):
        if not number or code in known or code in reserved:
            continue
        first = clock(float(events.time_us[np.flatnonzero(events.code == code)[0]]) / 1e6)
        often = describe_times(number)
        if code == plan.signature_code:
            sentences.append(
                f"The code of the session signature ({code}) came {often} outside a whole "
                f"signature, first at {first}: a signature is damaged, or something else uses it."
            )
            continue
        text = f"Code {code} is not in the plan; it came {often}, first at {first}."
        near = [other for other in known if (other ^ code).bit_count() == 1]
        if near:
            like = ", ".join(f"{known[c]!r} with {describe_change(c, code)}" for c in near[:3])
            text += f" It looks like {like}."
        sentences.append(text)
    return sentences


def _widths(plan: Plan, events: RecordedEvents) -> list[str]:
    if events.rate is None:
        return []
    sentences = []
    for event in plan.events:
        widths = events.width[(events.code == event.code) & (events.width > 0)] * events.sample_us
        off = widths[np.abs(widths - event.width_us) > 1.5 * events.sample_us]
        if len(off):
            sentences.append(
                f"{event.name!r} (code {event.code}): {len(off)} of {len(widths)} widths differ "
                f"from the planned {event.width_us / 1e3:g} ms by more than 1.5 samples (from "
                f"{off.min() / 1e3:g} to {off.max() / 1e3:g} ms)."
            )
    return sentences
