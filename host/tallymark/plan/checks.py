"""What would go wrong with a plan, in words."""

from __future__ import annotations

import math

from tallymark.common.errors import describe_lines
from tallymark.common.formatting import time_text
from tallymark.common.lines.distant_code_sets import distance, propose
from tallymark.plan.findings import Finding, Level, worst_first
from tallymark.plan.model import Plan
from tallymark.plan.signature_checks import check_signature


def check(plan: Plan) -> list[Finding]:
    """Everything that would go wrong with this plan, worst first."""
    findings: list[Finding] = []
    if not plan.events:
        findings.append(
            Finding("wrong", "no events", "The plan names no event.", "Add an [[event]].")
        )
    findings += _check_names(plan)
    findings += _check_codes(plan)
    findings += _check_widths(plan)
    findings += _check_distances(plan)
    findings += check_signature(plan)
    return worst_first(findings)


def _check_names(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    seen_names: set[str] = set()
    seen_codes: dict[int, str] = {}
    for event in plan.events:
        if event.name in seen_names:
            text = f"The name {event.name!r} is used twice; only the first can be sent by name."
            findings.append(Finding("wrong", "name twice", text, "Give each event its own name."))
        elif event.code in seen_codes:
            text = (
                f"Code {event.code} stands for {seen_codes[event.code]!r} and {event.name!r}; the "
                "recording can't distinguish them."
            )
            findings.append(Finding("wrong", "code twice", text, "Give each event its own code."))
        seen_names.add(event.name)
        seen_codes.setdefault(event.code, event.name)
    return findings


def _check_codes(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    lines = plan.receiver.lines
    for event in plan.events:
        label = f"Event {event.name!r}"
        if event.code == 0:
            text = f"{label} has code 0, which moves no line: nothing would be recorded."
            findings.append(Finding("wrong", "code 0", text, "Use a code from 1 to 255."))
        elif event.code > 255:
            text = f"{label} has code {event.code}, but eight lines carry at most 255."
            findings.append(Finding("wrong", "outside lines", text, "Use a code from 1 to 255."))
        elif event.code & ~lines:
            seen = event.code & lines
            becomes = f"it would be recorded as {seen}" if seen else "nothing would be recorded"
            missing = describe_lines(event.code & ~lines)
            text = (
                f"{label} (code {event.code}) needs {missing}, which the receiver doesn't have; "
                f"{becomes}."
            )
            remedy = f"Use codes on {describe_lines(lines)}."
            findings.append(Finding("wrong", "outside lines", text, remedy))
        if event.code in plan.receiver.reserved:
            text = f"{label} has code {event.code}, which is reserved for other equipment."
            findings.append(Finding("wrong", "reserved", text, "Use another code."))
    return findings


def _check_widths(plan: Plan) -> list[Finding]:
    findings: list[Finding] = []
    sample = plan.receiver.sample_us
    if sample is None:
        text = "The plan gives no sampling rate, so widths can't be judged against samples."
        findings.append(
            Finding("note", "no sampling rate", text, "Add sampling_rate under [receiver].")
        )
    longest = max((event.width_us for event in plan.events), default=0)
    needed = plan.receiver.needed_us
    for event in plan.events:
        label = f"Event {event.name!r}: its width of {time_text(event.width_us)}"
        if event.width_us < needed:
            by_samples = needed > plan.receiver.least_width_us
            samples = f" ({plan.receiver.least_samples} samples)" if by_samples else ""
            text = (
                f"{label} is below the {time_text(needed)}{samples} that the receiver needs; it "
                "may be missed."
            )
            remedy = f"Use at least {time_text(needed)}."
            findings.append(Finding("wrong", "width too short", text, remedy))
        elif (
            sample is not None
            and plan.receiver.least_samples is None
            and event.width_us < 2 * sample
        ):
            fate = (
                "it sometimes falls between two samples and is missed"
                if event.width_us < sample
                else "it is sometimes seen in one sample only, like interference"
            )
            text = f"{label} is {event.width_us / sample:.2f} samples long; {fate}."
            remedy = (
                f"Use at least {time_text(math.ceil(2 * sample))}, or say under [receiver] how "
                "many samples it needs (least_samples)."
            )
            findings.append(Finding("wrong", "width too short", text, remedy))
    interval, gap = plan.session.least_interval_us, plan.session.gap_us
    if interval is not None and plan.events:
        idle = interval - longest
        if interval < longest and not gap:
            text = (
                f"The same event twice within {time_text(longest)} makes no edge the second time: "
                "the lines have its code already, so that the receiver sees one event, not two."
            )
            remedy = "Shorten the widths, or set a gap (gap_us under [session])."
            findings.append(Finding("wrong", "no edge", text, remedy))
        if interval < longest + gap:
            text = (
                f"Markers may follow each other after {time_text(interval)}, but the longest width "
                f"and the gap take {time_text(longest + gap)}: markers would be cut short or "
                "delayed."
            )
            remedy = _shorten(interval - gap)
            findings.append(Finding("wrong", "interval too short", text, remedy))
        elif sample is not None and idle < 2 * sample:
            text = (
                f"Between two markers the lines may be idle for only {time_text(idle)}, less than "
                "two samples: the receiver may see both as one."
            )
            remedy = _shorten(interval - 2 * sample)
            findings.append(Finding("risk", "idle too short", text, remedy))
    return findings


def _shorten(most_us: float) -> str:
    if most_us < 1:
        return "Leave more time between markers."
    return f"Shorten the widths to {time_text(math.floor(most_us))} or less."


def _check_distances(plan: Plan) -> list[Finding]:
    events = [event for event in plan.events if 0 < event.code <= 255]
    wanted = max(plan.session.distance, 1)
    findings: list[Finding] = []
    close = [
        (a, b)
        for position, a in enumerate(events)
        for b in events[position + 1 :]
        if a.code != b.code and distance(a.code, b.code) < max(wanted, 2)
    ]
    if close:
        one_line = [(a, b) for a, b in close if distance(a.code, b.code) == 1]
        for a, b in (one_line or close)[:5]:
            lines = describe_lines(a.code ^ b.code)
            text = (
                f"{a.name!r} (code {a.code}) and {b.name!r} (code {b.code}) differ in {lines} "
                "only; if "
                + ("that line is" if distance(a.code, b.code) == 1 else "those lines are")
                + " stuck or open, one is recorded as the other."
            )
            level: Level = (
                "wrong" if distance(a.code, b.code) < wanted else "risk"
            )
            findings.append(Finding(level, "codes too close", text, _better_codes(plan, wanted)))
        more = len(one_line or close) - 5
        if more > 0:
            text = f"{more} more pairs of codes are as close as these."
            findings.append(Finding("risk", "codes too close", text, _better_codes(plan, wanted)))
    lone = [event for event in events if event.code.bit_count() == 1]
    if lone:
        names = ", ".join(f"{event.name!r} (code {event.code})" for event in lone[:8])
        text = f"Carried by a single line, so that one open line makes them disappear: {names}."
        findings.append(Finding("note", "one line", text, "Codes with two or more lines survive."))
    return findings


def _better_codes(plan: Plan, wanted: int) -> str:
    least = max(wanted, 2)
    count = len({event.code for event in plan.events})
    reserved = {*plan.receiver.reserved, plan.signature_code or 0}
    found = propose(count, least, plan.receiver.lines, reserved)
    if found.codes:
        codes = ", ".join(map(str, found.codes))
        return f"{count} codes for all events that keep {least} lines apart: {codes}."
    return (
        f"{count} codes that keep {least} lines apart "
        + ("don't exist" if found.proven else "were not found")
        + " on these lines; use more lines or fewer codes, and check each recording."
    )
