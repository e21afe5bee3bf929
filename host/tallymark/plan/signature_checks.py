"""The session signature in a plan: can it be sent and seen, and does the design need one?"""

from __future__ import annotations

from collections.abc import Set

from tallymark.common.errors import describe_lines
from tallymark.common.formatting import duration, time_text
from tallymark.common.signature.pattern import UNITS_US, WIDTH
from tallymark.plan.findings import Finding
from tallymark.plan.model import Plan

FEW_CODES = 2  # at a constant interval they leave a stretch of events with many likenesses
LIKE = 0.8  # share of the events that have one code, from which on most stretches are alike


def check_signature(plan: Plan) -> list[Finding]:
    """What would go wrong with the plan's signature, or without one."""
    if plan.signature_code is None:
        return _needs_one(plan)
    return _wrong(plan, plan.signature_code) or _lasts(plan)


def _wrong(plan: Plan, code: int) -> list[Finding]:
    receiver = plan.receiver
    findings = []
    for event in plan.events:
        if event.code == code:
            text = (
                f"Event {event.name!r} has code {code}, which is reserved for the session "
                "signature: neither could be told from the other."
            )
            remedy = "Give the event another code, or change code under [signature]."
            findings.append(Finding("wrong", "signature code", text, remedy))
    if code in receiver.reserved:
        text = f"The session signature has code {code}, which is reserved for other equipment."
        findings.append(Finding("wrong", "signature code", text, "Use another code for it."))
    if code & ~receiver.lines:
        text = (
            f"The session signature (code {code}) needs {describe_lines(code & ~receiver.lines)}, "
            "which the receiver doesn't have: it would be recorded as another code, or not at all."
        )
        remedy = f"Use a code on {describe_lines(receiver.lines)}."
        findings.append(Finding("wrong", "signature code", text, remedy))
    if plan.signature_form is None:
        text = (
            f"A session signature's pulses last {time_text(WIDTH * UNITS_US[-1])} at most, which "
            "the receiver is too slow for."
        )
        remedy = "Remove [signature], or check sampling_rate and least_width_us."
        findings.append(Finding("wrong", "signature too fast", text, remedy))
    return findings


def _lasts(plan: Plan) -> list[Finding]:
    form = plan.signature_form
    assert form is not None
    text = (
        f"A session signature lasts {duration(form.shortest_us)} to {duration(form.longest_us)} "
        f"(pulses of {time_text(form.width_us)}); meanwhile the box refuses markers."
    )
    remedy = "Send it at the start and in pauses, when no event is due."
    if plan.receiver.sample_us is None:
        remedy += " It is made for receivers of at least 375 Hz; sampling_rate would tell."
    return [Finding("note", "signature", text, remedy)]


def _needs_one(plan: Plan) -> list[Finding]:
    why = _alike(plan)
    if why is None:
        return []
    sure, text = why
    text += (
        " If the recording starts late or has a gap, the check can't know which of them it holds, "
        "nor which session."
    )
    remedy = (
        "Reserve a code for the session signature, by two lines in the plan: '[signature]' and, "
        f"below it, 'code = {_free_code(plan)}'. Send it at the start and in each pause."
    )
    return [Finding("risk" if sure else "note", "places look alike", text, remedy)]


def _alike(plan: Plan) -> tuple[bool, str] | None:
    """What looks alike in a session of this design, and whether that is known or only likely."""
    session = plan.session
    if (session.blocks or 1) > 1:
        return True, f"Blocks 1 to {session.blocks} look alike."
    few = _few_codes(plan)
    if session.intervals == "constant" and few:
        return True, f"All intervals are the same, and {few}: most stretches look alike."
    if session.intervals == "varied":
        return None
    framed = _framed_blocks(plan)
    if framed:
        return False, (
            f"By the counts, blocks 1 to {framed} have the same events; with the same order and "
            "intervals they look alike."
        )
    if few:
        said = few[0].upper() + few[1:]
        return False, f"{said}; at a constant interval most stretches look alike."
    return None


def _few_codes(plan: Plan) -> str:
    """In words, if there are too few codes to tell stretches apart; empty otherwise."""
    codes = {event.code for event in plan.events}
    if not codes:
        return ""
    if len(codes) == 1:
        return "there is only one code"
    counts = [(event.count or 0, event) for event in plan.events]
    total = sum(count for count, _ in counts)
    most, event = max(counts, key=lambda row: row[0])
    if all(count for count, _ in counts) and most >= LIKE * total:
        return f"{100 * most / total:.0f} % of the events are {event.name!r}"
    return f"there are only {len(codes)} codes" if len(codes) <= FEW_CODES else ""


def _framed_blocks(plan: Plan) -> int:
    """How many blocks a rare event frames, if all other counts are multiples of its own; else 0."""
    counts = [event.count for event in plan.events]
    known = [count for count in counts if count]
    if len(known) < 2 or len(known) < len(counts):
        return 0
    least = min(known)
    whole = all(count % least == 0 for count in known)
    return least if 1 < least < max(known) and whole else 0


def _free_code(plan: Plan) -> int:
    """A code that nothing uses and that has as many lines as possible."""
    used = {event.code for event in plan.events} | set(plan.receiver.reserved)
    return free_code(used, plan.receiver.lines) or 255


def free_code(used: Set[int], lines: int) -> int | None:
    """The code on these lines that nothing uses and that has as many lines as possible, or None."""
    free = [code for code in range(1, 256) if code not in used and not code & ~lines]
    return max(free, key=lambda code: (code.bit_count(), code), default=None)


__all__ = ["check_signature", "free_code"]
