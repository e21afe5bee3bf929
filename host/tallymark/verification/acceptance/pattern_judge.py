"""Judges the pattern part: lines, widths, skew and clock, from what a witness saw."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tallymark.common.formatting import listed, time_text
from tallymark.common.lines.readback_wiring_model import LINES
from tallymark.verification.acceptance import limits
from tallymark.verification.acceptance.pulse_pattern_locator import (
    RATE_UNKNOWN,
    Place,
    joined,
    places,
)
from tallymark.verification.acceptance.step import Result
from tallymark.verification.acceptance.stimulus_driver import REST_US, Part
from tallymark.verification.acceptance.witness_observation import Seen
from tallymark.verification.selftest.fault_inference import Observation, infer
from tallymark.verification.selftest.report import places_of

NAMES = ("lines", "widths", "skew", "clock")
LOST = "Changes were lost on the way from the witness: repeat the step on a less busy computer."


@dataclass(frozen=True, slots=True)
class Subject:
    """What of the box has to be known to judge it."""

    board: str
    lines: int
    """Mask of the lines in use."""
    idle_levels: int


def judged(part: Part, seen: Seen, box: Subject) -> tuple[dict[str, Result], Place | None]:
    """The results of `NAMES`, and where the pattern is in the recording."""
    results = {name: Result() for name in NAMES}
    place, why = found(part, seen)
    if place is None:
        if not seen.lost and len(seen.times_us) == 1:  # a witness that is well saw no line move
            count = len(part.codes)
            results["lines"].figure(count, 0, _altered(count))
            results["lines"].look.append(
                "the wires between box and witness, ground first; then the supply of the driver U1"
            )
        for result in results.values():
            result.not_known(why)
        return results, None
    _judge_lines(part, seen, box, place, results["lines"])
    _judge_widths(part, seen, box, place, results["widths"])
    _judge_skew(part, seen, box, place, results["skew"])
    results["clock"].figure(
        (1 / place.rate - 1) * 1e6,
        (place.rate_bound + seen.rate_bound) * 1e6,
        limits.clock_limit(box.board),
    )
    if seen.lost:
        for result in results.values():
            result.not_known(LOST)
    return results, place


def found(part: Part, seen: Seen) -> tuple[Place | None, str]:
    """Where the pattern is, with the rate between the clocks; or why that can't be told."""
    begins = places(part.sync, seen)
    if len(begins) > 1:
        return None, "The recording has this pattern more than once: record one run per file."
    if not begins:
        if len(seen.times_us) == 1:
            return None, "The witness saw no line change at all."
        return None, (
            "The pattern at the begin was not found among what the witness saw. Is it this box's "
            "recording, from before the begin on, and are all lines connected?"
        )
    begin = begins[0]
    span = part.sync_end[0] - part.sync[0]
    slack = RATE_UNKNOWN * span + 1_000
    ends = [
        place
        for place in places(part.sync_end, seen, begin.seen_us)
        if abs(place.seen_us - begin.seen_us - span) <= slack
    ]
    if len(ends) != 1:
        return None, "The pattern at the end was not found among what the witness saw."
    return joined(begin, ends[0], seen.late_us), ""


def _altered(codes: int) -> limits.Limit:
    return limits.count_limit(f"codes altered, of {codes}")


def _judge_lines(part: Part, seen: Seen, box: Subject, place: Place, result: Result) -> None:
    rest_at = place.to_seen(part.sync[0]) - REST_US
    table = {box.idle_levels: seen.at(rest_at)}
    for start, code, width in part.codes:
        table[code ^ box.idle_levels] = seen.at(place.to_seen(start + width / 2))
    altered = [
        (driven ^ box.idle_levels, got ^ box.idle_levels)
        for driven, got in table.items()
        if (driven ^ got) & box.lines
    ]
    codes = [pair for pair in altered if pair[0]]
    result.figure(len(codes), 0, _altered(len(part.codes)))
    result.figure(len(altered) - len(codes), 0, limits.count_limit("lines not idle at idle"))
    if not altered:
        return
    if codes:
        result.notes.append(f"For instance, code {codes[0][0]} arrived as {codes[0][1]}.")
    # The witness has inputs for all eight lines; those that are not in use may hang free.
    masked = {driven: got & box.lines for driven, got in table.items()}
    explanations = places_of(infer(Observation.of_table(masked, 0xFF & ~box.lines)), "")
    if not explanations:
        result.look.append(
            "more than two faults: the wires between box and witness, line by line, then the "
            "pages of the build"
        )
    for number, group in enumerate(explanations[:4], 1):
        either = f"explanation {number}: " if len(explanations) > 1 else ""
        result.look += [f"{either}{one.what}. {one.look}" for one in group]
    result.look.append(
        "'tallymark selftest' sees the same lines through the box's own readback: if it finds "
        "nothing, the fault is in the wires of the witness or behind the readback"
    )


def _judge_widths(part: Part, seen: Seen, box: Subject, place: Place, result: Result) -> None:
    """Widths on each input that moves, whatever line it is; the worst of each width is told."""
    moving = _moving(part, seen, place, box)
    worst: dict[int, tuple[float, int]] = {}
    missing: dict[int, set[int]] = {}
    extra: set[int] = set()
    for start, _, width in part.widths:
        begin, end = _window(place, start, width)
        for line in range(LINES):
            if not box.lines >> line & 1:
                continue
            times = seen.changes(line, begin, end)
            if len(times) < 2 or line not in moving:
                missing.setdefault(line, set()).add(width)
                continue
            if len(times) > 2:
                extra.add(line)
            got = times[-1] - times[0]
            if width not in worst or abs(got - width) > abs(worst[width][0] - width):
                worst[width] = (got, line)
    for width, (got, line) in sorted(worst.items()):
        bound = seen.late_us + width * seen.rate_bound
        limit = limits.width_limit(f"width of {time_text(width)}", width, box.board)
        if result.figure(got, bound, limit).value == "failed":
            result.look.append(f"line {line}: {time_text(width)} lasted {time_text(got)}")
    result.figure(len(extra), 0, limits.count_limit("lines with more than two changes a pulse"))
    if extra:
        result.look.append(f"{_lines_text(extra)}: a loose contact, or something else that drives")
    if missing:
        result.figure(
            sum(len(widths) for widths in missing.values()), 0,
            limits.count_limit("widths that did not arrive on a line"),
        )
        result.look.append(_lines_text(missing) + ": no pulse, or not at every width")


def _judge_skew(part: Part, seen: Seen, box: Subject, place: Place, result: Result) -> None:
    moving = _moving(part, seen, place, box)
    rises: tuple[float, tuple[int, int]] | None = None
    falls: tuple[float, tuple[int, int]] | None = None
    for start, _, width in part.widths:
        if width < 1_000:
            continue
        begin, end = _window(place, start, width)
        middle = place.to_seen(start + width / 2)
        leaves = {n: at[-1] for n in moving if (at := seen.changes(n, begin, middle))}
        returns = {n: at[-1] for n in moving if (at := seen.changes(n, middle, end))}
        rises = _wider(rises, leaves)
        falls = _wider(falls, returns)
    if len(moving) < 2 or rises is None or falls is None:
        result.not_known("Fewer than two lines moved.")
        return
    for spread, limit in ((rises, limits.SKEW_RISE), (falls, limits.SKEW_FALL)):
        bound = seen.late_us + spread[0] * seen.rate_bound
        if result.figure(spread[0], bound, limit).value == "failed":
            result.look.append(
                f"line {spread[1][1]} changes {time_text(spread[0])} after line {spread[1][0]}"
            )
    if len(moving) < box.lines.bit_count():
        result.not_known("Not every line moved: see the step before.")


def _wider(
    before: tuple[float, tuple[int, int]] | None, times: dict[int, float]
) -> tuple[float, tuple[int, int]] | None:
    if len(times) < 2:
        return before
    first, last = min(times, key=times.__getitem__), max(times, key=times.__getitem__)
    spread = times[last] - times[first]
    return (spread, (first, last)) if before is None or spread > before[0] else before


def _window(place: Place, start: int, width: int) -> tuple[float, float]:
    """From shortly before a pulse until the next one may begin, in witness time."""
    early = REST_US / 4
    return place.to_seen(start - early), place.to_seen(start + width + REST_US - early)


def _moving(part: Part, seen: Seen, place: Place, box: Subject) -> list[int]:
    """Inputs that changed at all while the codes were out."""
    begin = place.to_seen(part.sync[0] - REST_US)
    end = place.to_seen(part.sync_end[-1] + REST_US)
    return [
        line
        for line in range(LINES)
        if box.lines >> line & 1 and seen.changes(line, begin, end)
    ]


def _lines_text(lines: Iterable[int]) -> str:
    named = [str(line) for line in sorted(lines)]
    return f"line{'s' if len(named) > 1 else ''} {listed(named)}"
