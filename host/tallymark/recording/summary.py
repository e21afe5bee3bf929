"""What a comparison says: in sentences for people, and as JSON data for scripts."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from tallymark.common.formatting import clock, describe_change, duration, listed
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.fates import (
    ABSENT,
    ALTERED,
    ARRIVED,
    FATES,
    IN_GAP,
    IN_PAUSE,
    MERGED,
    MISSED,
)
from tallymark.recording.overall_outcome import findings
from tallymark.recording.rival_places import describe, rival_places
from tallymark.recording.session_signatures import as_data as signatures_as_data
from tallymark.recording.session_signatures import sentences as signature_sentences


def title(result: Comparison) -> str:
    """The worst that holds, in a few words."""
    return findings(result)[0].outcome.title


def headline(result: Comparison) -> str:
    """The result in a few sentences, the worst first."""
    found = findings(result)
    text = " ".join(finding.text for finding in found)
    if found[0].outcome.mood == "good" or not result.certain:
        return text
    return f"{result.count_asked(ARRIVED)} of {result.expected()} markers arrived rightly. {text}"


def timing_sentences(result: Comparison) -> list[str]:
    """Offset, drift and jitter in words; empty if there are too few markers."""
    timing = result.timing
    if timing.drift_ppm is None or timing.offset_us is None or timing.jitter_us is None:
        return ["Too few markers were found to measure the clocks."]
    worst_at = clock((timing.worst_at_us or 0.0) / 1e6)
    faster = "faster" if timing.drift_ppm >= 0 else "slower"
    sentences = [
        f"The recording's clock runs {abs(timing.drift_ppm):.3g} ppm {faster} than the box's "
        f"(within {timing.drift_error_ppm:.2g} ppm).",
        f"The recording began at {clock(-timing.offset_us / 1e6)} of the box's time.",
    ]
    if timing.limit_us is not None:
        sentences.append(
            f"Jitter (standard deviation) {timing.jitter_us:.4g} µs; sampling alone gives "
            f"{timing.limit_us:.4g} µs. Worst {timing.worst_us:.4g} µs, at {worst_at}; one sample "
            f"is {result.recorded.sample_us:.4g} µs."
        )
    else:
        sentences.append(
            f"Jitter (standard deviation) {timing.jitter_us:.4g} µs, worst {timing.worst_us:.4g} "
            f"µs, at {worst_at}; the sampling rate is not known, so there is no limit to set "
            "beside it."
        )
    late = {code: us for code, us in result.late_us.items() if us >= result.recorded.sample_us}
    if late:
        most = max(late.values())
        codes = listed([str(code) for code in sorted(late)[:6]])
        more = f" and {len(late) - 6} others" if len(late) > 6 else ""
        sentences.append(
            f"Code{'s' if len(late) > 1 else ''} {codes}{more} come{'s' if len(late) == 1 else ''} "
            f"later than others, by up to {duration(most)}: look for a weak driver, a filter or a "
            "long cable in the lines of these codes."
        )
    for when, shift in result.jumps:
        verb = "lacks" if shift < 0 else "has too many:"
        size = f"{abs(shift) / 1e3:.1f} ms"
        if result.recorded.rate is not None:
            samples = round(abs(shift) / result.recorded.sample_us)
            size = f"{samples} samples ({samples * result.recorded.sample_us / 1e3:g} ms)"
        if result.pause_at(when, shift) is not None:
            verb = "had paused for"
        sentences.append(f"At {clock(when / 1e6)} the recording {verb} {size}.")
    return sentences


def width_sentence(result: Comparison) -> str | None:
    """Widths against the log in words, or None if either isn't known."""
    error = result.width_us() - result.sent.width
    known = error[np.isfinite(error) & (result.fate == ARRIVED)]
    if not len(known):
        return None
    sample = result.recorded.sample_us
    off = int((np.abs(known) > 1.5 * sample).sum())
    said = "all within" if not off else f"{off} of {len(known)} off by more than"
    return (
        f"Widths: {said} 1.5 samples of those in the log (mean {known.mean() / sample:+.2f}, from "
        f"{known.min() / sample:+.1f} to {known.max() / sample:+.1f} samples)."
    )


def problems(result: Comparison, most: int = 10) -> list[str]:
    """The worst cases, one sentence each, with their times on the recording's clock."""
    rows: list[str] = []
    at = result.alignment_times()
    for fate in (ALTERED, MERGED, MISSED, IN_GAP, IN_PAUSE, ABSENT):
        found = np.flatnonzero(result.fate == fate)
        for row in found[:most]:
            code = int(result.sent.code[row])
            text = f"{clock(at[row] / 1e6)}  {FATES[fate]}: {label(result, int(row))}"
            if fate == ALTERED:
                seen = int(result.recorded.code[result.partner[row]])
                text += f" was recorded as {seen} ({describe_change(code, seen)})"
            rows.append(text)
        if len(found) > most:
            rows.append(f"            and {len(found) - most} more {FATES[fate]}")
    for row in result.extra[:most]:
        when = result.recorded.time_us[row]
        rows.append(f"{clock(when / 1e6)}  extra: code {result.recorded.code[row]}, never sent")
    if len(result.extra) > most:
        rows.append(f"            and {len(result.extra) - most} more extra")
    return rows


def doubts(result: Comparison, most: int = 10) -> list[str]:
    """Where markers could be whose place isn't known, one sentence for each stretch of them."""
    places = rival_places(result)
    rows = [f"{clock(place.at_us / 1e6)}  {describe(result, place)}" for place in places[:most]]
    if len(places) > most:
        rows.append(f"            and {len(places) - most} more stretches")
    return rows


def label(result: Comparison, row: int) -> str:
    """Number, name and code of a marker of the log."""
    sent = result.sent
    number = int(sent.number[row])
    name = f" {sent.names[sent.name[row]]!r}" if sent.name[row] >= 0 else ""
    which = f"marker {number}" if number >= 0 else "a marker from the byte input"
    return f"{which}{name} (code {int(sent.code[row])})"


def sentences(result: Comparison) -> list[str]:
    """The whole result in words, the most important first."""
    lines = [headline(result), *signature_sentences(result)]
    if result.certain:
        lines += timing_sentences(result)
    width = width_sentence(result)
    if width is not None:
        lines.append(width)
    return lines + [f"Note: {note}" for note in result.recorded.notes]


def as_data(result: Comparison, rows: bool = True) -> dict[str, Any]:
    """The result as JSON data. Times in microseconds; `markers` only if `rows`."""
    timing, sent, recorded = result.timing, result.sent, result.recorded
    found = findings(result)
    data: dict[str, Any] = {
        "outcome": found[0].outcome.name,
        "title": found[0].outcome.title,
        "summary": headline(result),
        "findings": [
            {
                "outcome": f.outcome.name,
                "title": f.outcome.title,
                "mood": f.outcome.mood,
                "text": f.text,
            }
            for f in found
        ],
        "certain": result.certain,
        "clean": result.clean,
        "counts": {name: result.count(number) for number, name in enumerate(FATES)}
        | {"extra": len(result.extra), "extra_outside": result.extra_outside},
        "expected": result.expected(),
        "faults": [
            {"kind": f.kind, "lines": list(f.lines), "text": f.text, "remedy": f.remedy}
            for f in result.faults
        ],
        "timing": {name: _plain(value) for name, value in vars(timing).items()},
        "jumps": [{"at_us": when, "shift_us": shift} for when, shift in result.jumps],
        "doubtful_jumps": [
            {"at_us": when, "shift_us": shift} for when, shift in result.doubtful_jumps
        ],
        "places": [
            {
                "from": int(sent.number[place.first]),
                "to": int(sent.number[place.last]),
                "markers": place.count,
                "at_us": place.at_us,
                "or_us": place.or_us,
                "more": place.more,
            }
            for place in rival_places(result)
        ],
        "first_event_could_be": [int(sent.number[row]) for row in result.could_be()],
        "recording": {
            "file": str(recorded.path),
            "format": recorded.format,
            "channel": recorded.channel,
            "rate_hz": recorded.rate,
            "events": len(recorded),
            "start_us": recorded.start_us,
            "end_us": recorded.end_us,
            "rule": recorded.rule,
            "settling_samples": recorded.settling,
            "incomplete": recorded.incomplete,
            "pauses_us": [list(pause) for pause in recorded.pauses_us],
            "notes": recorded.notes,
        },
        "session": result.identity.session,
        "signatures": signatures_as_data(result.signatures),
        "unplaced": len(result.unplaced),
        "unlogged": len(result.unlogged),
        "tolerance_us": result.alignment.tolerance_us,
    }
    if rows:
        at, width = result.alignment_times(), result.width_us()
        data["markers"] = [
            {
                "number": int(sent.number[row]),
                "name": sent.names[sent.name[row]] if sent.name[row] >= 0 else None,
                "code": int(sent.code[row]),
                "box_us": _plain(sent.time[row]),
                "fate": FATES[result.fate[row]],
                "doubt": float(f"{result.doubt[row]:.3g}"),
                "recorded_us": _plain(at[row]),
                "recorded_code": int(recorded.code[result.partner[row]])
                if result.partner[row] >= 0
                else None,
                "residual_us": _plain(result.residual_us[row]),
                "width_us": _plain(width[row]),
            }
            for row in range(len(sent))
        ]
        data["extra"] = [
            {"recorded_us": _plain(recorded.time_us[row]), "code": int(recorded.code[row])}
            for row in result.extra
        ]
    return data


def as_json(result: Comparison, rows: bool = True) -> str:
    """`as_data` as text."""
    return json.dumps(as_data(result, rows), ensure_ascii=False, allow_nan=False, indent=1)


def _plain(value: Any) -> float | None:
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), 6)
