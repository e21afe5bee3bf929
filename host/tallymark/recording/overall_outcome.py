"""The rule for green: what the check says of a whole recording, and when all is well.

All is well only if

- the log is known to be that of the recorded session, or the user says so,
- every marker of the log is in the recording, with its code and alone,
- the lines are at the levels that the plan, the log or the user says,
- no samples are missing, and the file is whole,
- nothing was recorded that nobody sent, and
- the place of every marker and of every event is known, and the log could be read.

Markers that the log calls tests before the session are not asked for. Of a recording that the user
calls a part, the markers that were sent while it did not run are not asked for. Whatever else is so
has an outcome of its own. Several may hold; the worst comes first and gives the headline, the tile
and the exit code.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from tallymark.common.formatting import clock, listed, some
from tallymark.common.signature import in_text
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.fates import (
    ABSENT,
    ALTERED,
    ARRIVED,
    IN_GAP,
    IN_PAUSE,
    MERGED,
    MISSED,
    OUTSIDE,
    UNKNOWN,
)
from tallymark.recording.rival_places import place_sentence


@dataclass(frozen=True)
class Outcome:
    """What may be said of a recording. name: for scripts; title: for people. mood: 'good', 'bad',
    or 'doubt' where it can't be known. tells: says in sentences that it is so, '' if it isn't."""

    name: str
    title: str
    mood: Literal["good", "bad", "doubt"]
    tells: Callable[[Comparison], str]


@dataclass(frozen=True)
class Finding:
    """An outcome that holds, and what is known of it in sentences."""

    outcome: Outcome
    text: str


def _another_session(result: Comparison) -> str:
    if result.identity.session != "foreign":
        return ""
    if result.signatures.foreign:
        logged = sorted({in_text(one.signature.session) for one in result.signatures.sent})
        return (
            f"The recording holds the signature of session {listed(result.signatures.others)}, but "
            f"the log is of session {listed(logged)}. Nothing is said of single markers. Find the "
            "log of the session that was recorded."
        )
    return (
        "No place of the recording in the marker log explains its events better than chance would. "
        "Nothing is said of single markers. Check that log and recording are of the same session, "
        "and that lines in use, first bit and active level are right."
    )


def _not_known(result: Comparison) -> str:
    if result.certain or result.identity.session == "foreign":
        return ""
    why = result.alignment.refused or (
        "The recording fits the log equally well, or nearly so, in several places."
    )
    return (
        f"Of {result.count(UNKNOWN)} of {len(result.sent)} markers it can't be known what became "
        f"of them. {why} {place_sentence(result) or _first_event(result)}".rstrip()
    )


def _first_event(result: Comparison) -> str:
    rows = result.could_be()
    if len(rows) < 2:
        return ""
    some_of = [str(result.sent.number[row]) for row in rows[:4]]
    if len(rows) > 4:
        some_of.append(f"one of {len(rows) - 4} or more others")
    return (
        f"The first recorded event may be marker {listed(some_of, 'or')}. Start the recording "
        "before the first marker, or vary the codes or the intervals."
    )


def _untold_and_altered(result: Comparison) -> str:
    """Altered codes of a session that may be another one may be that session's own."""
    return _session_not_told(result) if result.count(ALTERED) else ""


def _missing(result: Comparison) -> str:
    text = _missing_markers(result)
    pulses = sum(told.count("missed", "merged") for told in result.signatures.told)
    if pulses:
        text += f" Of the session signatures, {some(pulses, 'pulse')} did not arrive."
    return text.lstrip()


def _missing_markers(result: Comparison) -> str:
    parts = [
        f"{number} {said}"
        for number, said in (
            (result.count_asked(MISSED), "missed"),
            (result.count_asked(MERGED), "merged with a neighbour"),
            (result.count_asked(ABSENT) - _unanswered(result), "never confirmed by the box"),
        )
        if number
    ]
    return f"Markers that are not in the recording as sent: {listed(parts)}." if parts else ""


def _unanswered(result: Comparison) -> int:
    """Markers that are not there, and of which the log may lack that the box refused them."""
    return int(((result.fate == ABSENT) & result.asked & result.answer_lost).sum())


def _wrong_codes(result: Comparison) -> str:
    altered = result.count(ALTERED)
    texts = [] if not altered else [f"{some(altered, 'marker')} arrived with another code."]
    pulses = sum(told.count("altered") for told in result.signatures.told)
    if pulses:
        many = some(pulses, "pulse")
        texts.append(f"Of the session signatures, {many} arrived with another code.")
    if not result.wrong_level:
        texts += [f"{fault.text} {fault.remedy}" for fault in result.faults]
    return " ".join(texts)


def _wrong_level(result: Comparison) -> str:
    if not result.wrong_level or not result.certain:
        return ""
    wanted = result.expectation
    is_idle = "high" if wanted.idle == "low" else "low"
    return (
        f"The lines idle {is_idle} in the recording, but {wanted.idle} is what {wanted.said_by}: "
        f"all lines are inverted on their way. The codes here are read with that undone; a program "
        "that doesn't undo it reads others. Compare the idle level in the box's settings with what "
        "the receiver needs, and look for an inverting buffer or opto-isolator. If the receiver "
        f"inverts on purpose, give --active {wanted.idle}."
    )


def _samples_missing(result: Comparison) -> str:
    lost = result.lost_samples
    in_gaps = result.count_asked(IN_GAP)
    if not lost and not in_gaps:
        return ""
    texts = []
    if lost:
        texts.append("Samples are missing or were inserted " + _where(lost) + ".")
    if in_gaps:
        texts.append(f"{some(in_gaps, 'marker')} fell where samples are missing.")
    return " ".join(texts)


def _samples_not_known(result: Comparison) -> str:
    doubtful = result.doubtful_jumps
    if not doubtful:
        return ""
    most = max(abs(shift) for _, shift in doubtful)
    if result.recorded.gridless:
        return (
            f"The times step by up to {most / 1e3:.1f} ms {_where(doubtful)}. The times don't tell "
            "the sampling interval, so it can't be known whether samples are missing there or "
            "markers fell on the next sample. If you know the sampling rate, give it (--rate)."
        )
    return (
        f"A loss of some {most / 1e3:.1f} ms is possible {_where(doubtful)}, but the times of the "
        "events scatter by more than one sample, so that it can't be known. Look whether the "
        "lines take two samples to settle (long cable, filter, slow driver), and whether the "
        "acquisition program tells of lost data."
    )


def _where(jumps: list[tuple[float, float]]) -> str:
    first = ", ".join(clock(when / 1e6) for when, _ in jumps[:3])
    more = f" and {len(jumps) - 3} other places" if len(jumps) > 3 else ""
    return f"just before {first}{more}"


def _incomplete(result: Comparison) -> str:
    return " ".join(result.recorded.incomplete)


def _extra(result: Comparison) -> str:
    number = len(result.extra)
    if not number:
        return ""
    text = f"{some(number, 'recorded event')} {'was' if number == 1 else 'were'} never sent"
    outside = result.extra_outside
    if outside:
        before = "before the first or after the last marker of the log"
        text += f", {'all' if outside == number else outside} of them {before}"
    return text + "."


def _partly_known(result: Comparison) -> str:
    if not result.certain:
        return " ".join(result.sent.unread)
    texts = []
    unknown = result.count_asked(UNKNOWN)
    if unknown:
        texts.append(
            f"Of {unknown} of {int(result.asked.sum())} markers it can't be known what became of "
            f"them. {place_sentence(result)}".rstrip()
        )
    unlogged = len(result.unlogged)
    if unplaced := len(result.unplaced) - unlogged:
        texts.append(f"Of {some(unplaced, 'recorded event')} it can't be known whose it is.")
    if unlogged:
        texts.append(
            f"{some(unlogged, 'recorded event')} may be of markers that the log lacks, or extra: "
            f"{'it' if unlogged == 1 else 'they'} came when records may be missing in it."
        )
    if unanswered := _unanswered(result):
        texts.append(
            f"{some(unanswered, 'marker')} of which the log lacks the answer "
            f"{'is' if unanswered == 1 else 'are'} not in the recording; it can't be known whether "
            "the box had refused them."
        )
    pulses = sum(told.count("unknown") for told in result.signatures.told)
    if pulses:
        many = some(pulses, "pulse")
        texts.append(f"Of {many} of the session signatures it can't be known what became of them.")
    unsure = _unsure_why(result)
    if unsure:
        texts.append(
            f"Of {some(unsure, 'marker')} it can't be known whether the recording ran when it was "
            "sent."
        )
    return " ".join([*texts, *result.sent.unread])


def _unsure_why(result: Comparison) -> int:
    """Markers that are gone, and of which it isn't certain that the recording did not run."""
    if not result.expectation.part:
        return 0
    gone = np.isin(result.fate, (OUTSIDE, IN_PAUSE)) & result.asked
    return int((gone & ~result.why_known).sum())


def _part(result: Comparison) -> str:
    number = result.not_recorded()
    if result.expectation.part and result.count_asked(ARRIVED):
        return ""
    if not number:
        return ""
    texts = [
        f"{count} {said}"
        for count, said in (
            (result.count_early(), "before it began"),
            (result.count_asked(OUTSIDE) - result.count_early(), "after it ended"),
            (result.count_asked(IN_PAUSE), "while it was paused, as the file says"),
        )
        if count
    ]
    text = f"Markers that were sent while the recording did not run: {listed(texts)}."
    if result.expectation.part:
        return text + " No marker of the log arrived."
    return text + (
        " If the recording is meant to hold only a part of the session, say so: --part, or --from "
        "and --to with numbers of markers."
    )


def _session_not_told(result: Comparison) -> str:
    if result.identity.session != "untold" or result.expectation.same_session:
        return ""
    return (
        "What is recorded would fit other sessions of this design as well, so it can't be known "
        "whether the recording is of the log's session. All that is said of markers holds only if "
        "it is. If you know that, say so: --same-session."
    )


def _all_arrived(result: Comparison) -> str:
    expected = result.expected()
    markers = "marker is" if expected == 1 else "markers are"
    text = f"All {expected} {markers} in the recording, each with its own code."
    tests = int(result.sent.test.sum())
    if tests:
        text += f" {some(tests, 'marker')} of a test before the session "
        text += "was not asked for." if tests == 1 else "were not asked for."
    left_out = result.not_recorded() + int((~result.asked & ~result.sent.test).sum())
    if left_out:
        text += f" {some(left_out, 'marker')} outside the part that was asked for "
        text += "was left out." if left_out == 1 else "were left out."
    return text


NOT_KNOWN = Outcome("not known", "It can't be known which marker is which", "doubt", _not_known)
ALL_ARRIVED = Outcome("all arrived", "All markers arrived", "good", _all_arrived)
_NOT_TOLD = "The session can't be told"

OUTCOMES = (
    Outcome("another session", "Another session", "bad", _another_session),
    NOT_KNOWN,
    Outcome("session not told", _NOT_TOLD, "doubt", _untold_and_altered),
    Outcome("markers missing", "Markers are missing", "bad", _missing),
    Outcome("wrong codes", "Markers have wrong codes", "bad", _wrong_codes),
    Outcome("wrong level", "The lines are inverted", "bad", _wrong_level),
    Outcome("samples missing", "Samples are missing", "bad", _samples_missing),
    Outcome("file incomplete", "The recording is incomplete", "bad", _incomplete),
    Outcome("extra events", "Events were recorded that nobody sent", "bad", _extra),
    Outcome(
        "samples not known",
        "It can't be known whether samples are missing",
        "doubt",
        _samples_not_known,
    ),
    Outcome("partly known", "Of some markers it can't be known", "doubt", _partly_known),
    Outcome("part recorded", "Only a part was recorded", "bad", _part),
    Outcome("session not told", _NOT_TOLD, "doubt", _session_not_told),
    ALL_ARRIVED,
)
"""All outcomes, the worst first."""


def findings(result: Comparison) -> list[Finding]:
    """Everything that holds of a recording, the worst first; at least one."""
    found: list[Finding] = []
    for kind in OUTCOMES[:-1]:
        text = kind.tells(result)
        if text and kind.name not in {finding.outcome.name for finding in found}:
            found.append(Finding(kind, text))
    return found or [Finding(ALL_ARRIVED, ALL_ARRIVED.tells(result))]


def outcome(result: Comparison) -> Outcome:
    """The worst that holds: what the headline, the tile and the exit code tell."""
    return findings(result)[0].outcome


__all__ = ["ALL_ARRIVED", "OUTCOMES", "Finding", "Outcome", "findings", "outcome"]
