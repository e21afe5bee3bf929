"""A marker log against a plan: what a program sent, and what it should have sent."""

from __future__ import annotations

from tallymark.common.formatting import clock, differing_lines, duration, listed, some, times
from tallymark.markerlog import LogData
from tallymark.markerlog.problem_summary import Problems, add_problem
from tallymark.monitor.comparable_markers import Entry, Session, places
from tallymark.monitor.duration_findings import duration_findings, idle_findings
from tallymark.monitor.event_text import LATE_US
from tallymark.monitor.findings import LogComparison, LogFinding
from tallymark.monitor.interval_findings import interval_findings
from tallymark.monitor.text_and_unflushed_findings import Groups, text_and_unflushed_findings
from tallymark.plan import Plan, PlanError


def compare_log(plan: Plan, log: LogData) -> LogComparison:
    """Compare what a log holds with a plan.

    Works on every marker log, whoever sent the markers. Raises PlanError if the plan names no
    event.
    """
    if not plan.events:
        raise PlanError("The plan names no event: nothing to compare with.")
    session = Session(plan, log)
    together, groups = text_and_unflushed_findings(session)
    late, hardly_late = _late(session)
    wrong = [
        *_not_logged(session),
        *_missing(session),
        *together,
        *_unknown(session, groups),
        *_too_many(session),
        *_unconfirmed(session),
        *interval_findings(session, groups),
        *duration_findings(session),
        *late,
        *_reported(session),
    ]
    remarks = [*hardly_late, *idle_findings(session), *_about_the_log(session)]
    return LogComparison(_counts(session), wrong, remarks)


def _counts(session: Session) -> list[tuple[str, int, int | None, int, int]]:
    rows = []
    for event in session.plan.events:
        sent = session.of(event.code)
        out = sum(entry.out for entry in sent)
        rows.append((event.name, event.code, event.count, len(sent), out))
    return rows


def _not_logged(session: Session) -> list[LogFinding]:
    return [
        LogFinding(
            "not logged",
            f"Not in the log: {some(missing.count, 'byte')} that came in; {missing.why}",
            "Markers may have gone out that are not in this comparison.",
            "Compare the recording with the plan too: tallymark check RECORDING --plan PLAN",
            missing.count,
        )
        for missing in session.log.missing
    ] + [
        LogFinding(
            "not logged",
            note,
            "What this comparison calls missing may have been sent.",
            "Compare the recording with the plan too: tallymark check RECORDING --plan PLAN",
            lost.count,
        )
        for lost, note in zip(session.log.lost, session.log.gap_notes(), strict=True)
    ]


def _missing(session: Session) -> list[LogFinding]:
    findings = []
    for code in session.codes():
        sent, planned = session.of(code), session.planned(code)
        if sent and (planned is None or len(sent) >= planned):
            continue
        lacking = 1 if planned is None else planned - len(sent)
        if lacking == 0:
            continue
        if sent:
            text = f"{session.name(code)} came {times(len(sent))} instead of {times(planned or 0)}."
        elif planned is None:
            text = f"{session.name(code)} never came."
        else:
            text = f"{session.name(code)} never came; {times(planned)} in the plan."
        meaning = "Events that lack their marker can't be found in the recording."
        if session.log.lost or session.log.bad_lines:
            meaning = "The log lacks records, so that they may have been sent all the same."
        remedy = (
            "Check where the program should send it. If the session was stopped early, or the "
            "event did not happen, this is correct."
        )
        findings.append(LogFinding("missing", text, meaning, remedy, lacking))
    return findings


def _too_many(session: Session) -> list[LogFinding]:
    findings = []
    for code in session.codes():
        sent, planned = session.of(code), session.planned(code)
        if planned is None or len(sent) <= planned:
            continue
        more = len(sent) - planned
        wanted = "never" if planned == 0 else times(planned)
        findings.append(
            LogFinding(
                "too many",
                f"{session.name(code)} came {times(len(sent))} instead of {wanted}.",
                "The recording has more of them than the plan; it is not known which are extra.",
                "Check whether the program sends it twice, or whether the log holds two sessions.",
                more,
                places((entry, "one more than planned") for entry in sent[planned:]),
            )
        )
    return findings


def _unknown(session: Session, groups: Groups) -> list[LogFinding]:
    by_code: dict[int, list[Entry]] = {}
    for entry in session.entries:
        is_text = groups.get(entry.number, ("",))[0] == "text"
        if entry.code and not session.known(entry.code) and not is_text:
            by_code.setdefault(entry.code, []).append(entry)
    findings = []
    for code, entries in sorted(by_code.items(), key=lambda item: -len(item[1])):
        signature = code == session.plan.signature_code
        reserved = signature or code in session.plan.receiver.reserved
        text = f"Code {code} is not in the plan; it came {times(len(entries))}."
        if reserved:
            text = (
                f"Code {code} is reserved for "
                f"{'the session signature' if signature else 'other equipment'}, but the program "
                f"sent it {times(len(entries))}."
            )
        if near := session.near(code):
            like = [
                f"{session.name(other)} except line {differing_lines(other, code)[0]}"
                for other in near[:3]
            ]
            text += f" It is like {listed(like, 'or')}."
        meaning = (
            "A signature is still told from it, but the code no longer stands for that alone."
            if signature
            else "In the recording it can't be distinguished from a marker of that equipment."
            if reserved
            else "The recording holds markers that no event explains."
        )
        if not any(entry.out for entry in entries):
            meaning = "None of them went out."
        remedy = "Correct the code in the program, or add the event to the plan."
        findings.append(
            LogFinding(
                "not in the plan",
                text,
                meaning,
                remedy,
                len(entries),
                places((entry, "not in the plan") for entry in entries),
            )
        )
    return findings


def _unconfirmed(session: Session) -> list[LogFinding]:
    found = [entry for entry in session.entries if entry.marker.fate == "unconfirmed"]
    if not found:
        return []
    count = f"{some(len(found), 'marker')} {'is' if len(found) == 1 else 'are'}"
    return [
        LogFinding(
            "unconfirmed",
            f"{count} unconfirmed: it is not known whether they went out.",
            "Each may be in the recording or not.",
            "Check the recording: tallymark check RECORDING LOG",
            len(found),
            places((entry, entry.marker.why or "no answer") for entry in found),
        )
    ]


def _late(session: Session) -> tuple[list[LogFinding], list[LogFinding]]:
    """Bytes that may have waited before they were sent: wrong, and not worth more than a remark."""
    sample_us = session.plan.receiver.sample_us
    limit = max(sample_us or 0.0, LATE_US)
    found = [entry for entry in session.entries if entry.marker.late_us]
    bad = [entry for entry in found if (entry.marker.late_us or 0) > limit]
    good = [entry for entry in found if (entry.marker.late_us or 0) <= limit]

    def tell(entries: list[Entry], meaning: str, remedy: str) -> list[LogFinding]:
        if not entries:
            return []
        most = duration(max(entry.marker.late_us or 0 for entry in entries))
        text = f"{some(len(entries), 'marker')} may have been sent late, by up to {most}."
        noted = ((e, f"late by up to {duration(e.marker.late_us or 0)}") for e in entries)
        return [LogFinding("late", text, meaning, remedy, len(entries), places(noted))]

    return (
        tell(
            bad,
            "They may be that much later in the recording than the event that they mark.",
            "The messages logged at that time may show the cause."
            if session.log.said
            else "The log does not show the cause. One possible cause is a busy computer.",
        ),
        tell(good, _little(sample_us), ""),
    )


def _reported(session: Session) -> list[LogFinding]:
    """What was said while the log was kept, and is none of its markers' fate."""
    reports: Problems = {}
    when: dict[int, float | None] = {}
    for said in session.log.said:
        found = add_problem(reports, said.text)
        when.setdefault(id(found), session.time_s(said.host_us, said.session))
    findings = []
    for found in reports.values():
        first = when[id(found)]
        at = "" if first is None else f"{clock(first)}  "
        findings.append(LogFinding("reported", f"{at}{found}", count=found.times))
    return findings


def _little(sample_us: float | None) -> str:
    if sample_us is None:
        return "This is the upper bound; most are less late."
    return f"This is the upper bound; a sample takes {duration(sample_us)}."


def _about_the_log(session: Session) -> list[LogFinding]:
    # Missing bytes and ended holds are findings of their own.
    log = session.log
    plain = LogData(log.path, ended=log.ended, torn=log.torn, bad_lines=log.bad_lines)
    plain.restarts = log.restarts
    plain.markers = [marker for marker in log.markers if marker.test]
    remarks = [LogFinding("log", note) for note in plain.notes()]
    again = sum(bool(header.get("again")) for header in log.headers)
    if again:
        text = f"The box was disconnected and opened again {times(again)}; times continue."
        remarks.append(LogFinding("log", text))
    if len(log.headers) - again > 1:
        remarks.append(
            LogFinding(
                "log",
                f"The log holds {len(log.headers) - again} sessions, one appended to the other; "
                "counts are for all sessions together, and times start with each session.",
            )
        )
    kept = log.headers[-1].get("plan")
    if kept and kept.get("digest") not in (None, session.plan.digest):
        remarks.append(
            LogFinding(
                "log", f"The log was written with another plan, or the plan {kept.get('name')!r} "
                       "was changed since."
            )
        )
    return remarks
