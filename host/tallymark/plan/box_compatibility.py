"""Is a box set up for a plan, and if not, what has to be changed?"""

from __future__ import annotations

from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Identity
from tallymark.common.errors import describe_lines
from tallymark.common.formatting import time_text, time_value
from tallymark.plan.findings import Finding, Level, worst_first
from tallymark.plan.model import Plan


def needed_settings(plan: Plan, settings: Settings) -> Settings:
    """The settings of a box, changed where the plan needs it: idle level, lines, width and gap.

    A strobe stays as it is, and its line in use, also where the plan doesn't list it among the
    receiver's lines. Raises BadValue if no box can keep the plan's width or gap.
    """
    width = max(plan.session.width_us or settings.width_us, plan.receiver.needed_us)
    if settings.strobe and width != settings.width_us:
        # lead and hold are at least the shortest time of the box, which isn't known here
        shortest_us = min(settings.strobe_lead_us, settings.strobe_hold_us)
        width = max(width, settings.least_width_us(shortest_us))
    needed = settings.changed(
        idle=plan.receiver.box_idle,
        lines=plan.receiver.lines | settings.strobe,
        width_us=width,
        gap_us=round(plan.session.gap_us),
    )
    needed.check()
    return needed


def settings_line(plan: Plan, settings: Settings, where: str) -> str | None:
    """The command that makes the box at `where` fit the plan; None if it does already."""
    needed = needed_settings(plan, settings)
    names = settings.differences(needed)
    if not names:
        return None
    written = {
        "idle": needed.idle.label,
        "lines": ",".join(str(line) for line in range(8) if needed.lines >> line & 1),
    }
    written |= {
        name: time_value(getattr(needed, name)) for name in names if name.endswith("_us")
    }
    changes = " ".join(f"{name}={written[name]}" for name in names)
    return f"tallymark settings change {changes} --box {where}"


def fit(plan: Plan, settings: Settings, identity: Identity) -> list[Finding]:
    """What would go wrong with a plan on this box as it is set now, worst first."""
    needed = needed_settings(plan, settings)
    findings: list[Finding] = []
    if settings.idle is not needed.idle:
        text = (
            f"The box keeps its lines {settings.idle.label} between markers, but the receiver "
            f"needs {needed.idle.label}: it would read every idle line as active."
        )
        findings.append(Finding("wrong", "idle level", text, f"Set idle={needed.idle.label}."))
    findings += _lines(plan, settings, needed)
    findings += _strobe(plan, settings)
    findings += _widths(plan, settings, needed, identity)
    findings += _gap(plan, settings, needed)
    findings += _signature(plan, settings, identity)
    findings += _probes(plan, settings)
    return worst_first(findings)


def _probes(plan: Plan, settings: Settings) -> list[Finding]:
    """Probes of the plan's events that the box doesn't watch."""
    findings = []
    for probe in ("light", "sound", "ttl"):
        if getattr(settings, probe) or not any(event.probe == probe for event in plan.events):
            continue
        text = (f"Events of the plan are to be seen by the probe {probe!r}, which the box doesn't "
                "watch: the marker log would have no onset of them.")
        remedy = (f"Find its threshold with 'tallymark probe --calibrate {probe}', or set "
                  f"{probe}=edge." if probe != "ttl" else "Set ttl=high or ttl=low.")
        findings.append(Finding("risk", "probe", text, remedy))
    return findings


def _lines(plan: Plan, settings: Settings, needed: Settings) -> list[Finding]:
    if settings.lines == needed.lines:
        return []
    remedy = f"Let the box use {describe_lines(needed.lines)}."
    refused = [event for event in plan.events if event.code & ~settings.lines & 0xFF]
    if refused:
        named = ", ".join(f"{event.name!r} (code {event.code})" for event in refused[:8])
        more = f" and {len(refused) - 8} more" if len(refused) > 8 else ""
        text = (
            f"The box uses {describe_lines(settings.lines)} only and would refuse {named}{more}."
        )
        return [Finding("wrong", "lines in use", text, remedy)]
    beyond = settings.lines & ~needed.lines
    if beyond:
        text = (
            f"The box also uses {describe_lines(beyond)}, which the receiver doesn't have: a code "
            "sent by mistake would arrive as another one instead of being refused."
        )
        return [Finding("risk", "lines in use", text, remedy)]
    text = f"The box uses {describe_lines(settings.lines)} only; that is enough for these events."
    return [Finding("note", "lines in use", text, remedy)]


def _widths(
    plan: Plan, settings: Settings, needed: Settings, identity: Identity
) -> list[Finding]:
    findings = []
    least, most = settings.least_width_us(identity.least_width_us), identity.longest_width_us
    for event in plan.events:
        if not least <= event.width_us <= most:
            text = (
                f"Event {event.name!r}: this box can't make a pulse of {time_text(event.width_us)} "
                f"and would refuse it; its range is {time_text(least)} to {most // 1_000_000:,} s."
            )
            remedy = "Change the event's width, or use another kind of box."
            if identity.least_width_us <= event.width_us < least:
                text = (
                    f"Event {event.name!r}: a pulse of {time_text(event.width_us)} has no room for "
                    f"the strobe, and the box would refuse it. It needs {time_text(least)} at "
                    f"least: lead {time_text(settings.strobe_lead_us)}, "
                    f"{time_text(identity.least_width_us)} of strobe, hold "
                    f"{time_text(settings.strobe_hold_us)}."
                )
                remedy = "Make the pulse longer, or strobe_lead_us or strobe_hold_us shorter."
            findings.append(Finding("wrong", "width out of range", text, remedy))
    if settings.width_us != needed.width_us:
        short = settings.width_us < plan.receiver.needed_us
        said = (
            f", below the {time_text(plan.receiver.needed_us)} that the receiver needs"
            if short
            else f", not the plan's {time_text(needed.width_us)}"
        )
        text = (
            f"A pulse that is sent without a width (by hand, or as a byte) lasts "
            f"{time_text(settings.width_us)}{said}. Events that are sent by name keep their own."
        )
        remedy = f"Set width_us={time_value(needed.width_us)}."
        findings.append(Finding("risk" if short else "note", "width", text, remedy))
    return findings


def _strobe(plan: Plan, settings: Settings) -> list[Finding]:
    """What the receiver makes of the strobe's line, and whether the strobe is long enough."""
    line = settings.strobe_line
    if line is None:
        return []
    findings = []
    refused = [event for event in plan.events if event.code & settings.strobe]
    if refused:
        named = ", ".join(f"{event.name!r} (code {event.code})" for event in refused[:8])
        more = f" and {len(refused) - 8} more" if len(refused) > 8 else ""
        text = f"Line {line} is the strobe of this box, which would refuse {named}{more}."
        remedy = f"Use codes without line {line}, or set strobe=none."
        findings.append(Finding("wrong", "strobe", text, remedy))
    elif plan.receiver.lines & settings.strobe:
        text = (
            f"Line {line} is the strobe of this box, and the plan lists it among the lines that "
            f"the receiver reads: a receiver that doesn't latch would see each code with "
            f"{settings.strobe} added for a part of its time, as another event."
        )
        remedy = (
            f"If the receiver latches with line {line}, take it out of the plan's lines; if not, "
            "set strobe=none."
        )
        findings.append(Finding("risk", "strobe", text, remedy))
    around = settings.strobe_lead_us + settings.strobe_hold_us
    needed = plan.receiver.needed_us
    short = [event for event in plan.events if 0 < event.width_us - around < needed]
    if short:
        least = min(short, key=lambda event: event.width_us)
        text = (
            f"The strobe of {least.name!r} lasts {time_text(least.width_us - around)}, less than "
            f"the {time_text(needed)} that the receiver needs to see a pulse."
        )
        if len(short) > 1:
            text += f" {len(short)} events have so short a strobe."
        remedy = (
            f"Make these pulses {time_text(needed + around)} long, or strobe_lead_us and "
            "strobe_hold_us shorter, or check in the receiver's manual what its latch needs."
        )
        findings.append(Finding("risk", "strobe", text, remedy))
    return findings


def _signature(plan: Plan, settings: Settings, identity: Identity) -> list[Finding]:
    code = plan.signature_code or 0
    outside = code & ~settings.lines & 0xFF
    if code & settings.strobe:
        text = (
            f"Line {settings.strobe_line} is the strobe of this box, which would refuse the "
            f"session signature (code {code})."
        )
        remedy = f"Use a code without line {settings.strobe_line} for the signature."
        return [Finding("wrong", "signature", text, remedy)]
    least, form = settings.least_width_us(identity.least_width_us), plan.signature_form
    if not outside and form is not None and form.width_us < least:
        text = (
            f"The session signature has pulses of {time_text(form.width_us)}, which have no room "
            f"for the strobe: the box would refuse them. They need {time_text(least)} at least."
        )
        remedy = "Make strobe_lead_us or strobe_hold_us shorter."
        return [Finding("wrong", "signature", text, remedy)]
    if not outside:
        return []
    text = (
        f"The box uses {describe_lines(settings.lines)} only and would refuse the session "
        f"signature (code {code})."
    )
    return [Finding("wrong", "signature", text, f"Let the box use {describe_lines(outside)} too.")]


def _gap(plan: Plan, settings: Settings, needed: Settings) -> list[Finding]:
    if settings.gap_us == needed.gap_us:
        return []
    remedy = f"Set gap_us={needed.gap_us}us."
    longest = max((event.width_us for event in plan.events), default=0)
    interval = plan.session.least_interval_us
    if settings.gap_us < needed.gap_us:
        text = (
            f"The box keeps a gap of {time_text(settings.gap_us)}, the plan expects "
            f"{time_text(needed.gap_us)}: markers may be closer than the receiver can separate."
        )
        return [Finding("wrong", "gap", text, remedy)]
    delays = interval is None or interval < longest + settings.gap_us
    text = (
        f"The box keeps a gap of {time_text(settings.gap_us)} where the plan has "
        f"{time_text(needed.gap_us)}: "
        + (
            "markers that follow each other closely would be delayed."
            if delays
            else "no marker is delayed at the plan's least interval."
        )
    )
    level: Level = "wrong" if delays and interval is not None else "risk" if delays else "note"
    return [Finding(level, "gap", text, remedy)]
