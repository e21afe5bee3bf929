"""Judges hold limit, restart and power cut, from what a witness saw."""

from __future__ import annotations

from tallymark.verification.acceptance import limits
from tallymark.verification.acceptance.pattern_judge import LOST, Subject
from tallymark.verification.acceptance.pulse_pattern_locator import RATE_UNKNOWN, Place, places
from tallymark.verification.acceptance.step import Result
from tallymark.verification.acceptance.stimulus_driver import REST_US, SYNC_WIDTH_US, Part
from tallymark.verification.acceptance.witness_observation import Seen


def _place(starts: list[int], seen: Seen, result: Result) -> Place | None:
    found = places(starts, seen)
    if len(found) == 1:
        return found[0]
    result.not_known(
        "The pattern of this step was not found among what the witness saw."
        if not found
        else "The recording has this step more than once: record one run per file."
    )
    return None


def _held(part: Part, seen: Seen, result: Result) -> tuple[Place, float] | None:
    """The place of the part, and when the first line left idle for its held code, in witness time.

    None, with the reason in `result`, if either was not found.
    """
    assert part.held is not None
    place = _place(part.sync, seen, result)
    if place is None:
        return None
    after = part.held[0] - part.sync[-1]
    last = place.to_seen(part.sync[-1])
    slack = RATE_UNKNOWN * (part.held[0] - part.sync[0]) + REST_US
    index = seen.index_after(max(last + after - slack, last + SYNC_WIDTH_US + REST_US))
    if index < len(seen.times_us) and abs(seen.times_us[index] - last - after) <= slack:
        return place, seen.times_us[index]
    result.not_known("The held code was not found among what the witness saw.")
    return None


def hold(part: Part, seen: Seen, box: Subject) -> Result:
    """How long a held code lasted in silence."""
    result = Result()
    found = _held(part, seen, result)
    if found is None:
        return result
    place, begin = found
    after = seen.index_after(begin) + 1
    while after < len(seen.times_us) and seen.levels[after] != place.rest:
        after += 1
    if after == len(seen.times_us):
        return result.not_known("The witness did not see the lines return to idle.")
    lasted = seen.times_us[after] - begin
    limit = limits.hold_limit(part.hold_limit_us, box.board)
    result.figure(lasted, seen.late_us + lasted * seen.rate_bound, limit)
    return result.not_known(LOST) if seen.lost else result


def start(part: Part, seen: Seen, box: Subject) -> Result:
    """Whether a line moved while the box restarted."""
    result = Result()
    before = _place(part.sync, seen, result)
    if before is None:
        return result
    quiet_from = before.to_seen(part.sync[-1]) + SYNC_WIDTH_US + REST_US
    # If lines rest otherwise after the restart, the pattern is found from that other level.
    after = places(part.sync_end, seen, quiet_from)
    if len(after) != 1:
        changed = seen.count(quiet_from, seen.end_us)
        return result.not_known(
            f"The pattern after the restart was not found; {changed} changes were seen."
        )
    moved = seen.count(quiet_from, after[0].seen_us)
    result.figure(moved, 0, limits.count_limit("changes of the lines during the restart"))
    wrong = (after[0].rest ^ box.idle_levels) & box.lines
    result.figure(wrong.bit_count(), 0, limits.count_limit("lines not idle after the restart"))
    return result.not_known(LOST) if seen.lost else result


def cut(part: Part, seen: Seen, box: Subject, powered_again: bool) -> Result:
    """Whether all lines went low when the power was cut, and stayed so when it came back."""
    result = Result()
    found = _held(part, seen, result)
    if found is None:
        return result
    _, begin = found
    held = seen.index_after(begin)
    while held + 1 < len(seen.times_us) and seen.times_us[held + 1] < begin + REST_US:
        held += 1  # until the slowest line has followed
    first = held + 1
    low = first
    while low < len(seen.times_us) and seen.levels[low] & box.lines:
        low += 1
    if low == len(seen.times_us):
        if first == low:
            return result.not_known(
                "The witness saw no change after the held code: was the plug pulled, and is no "
                "other supply connected?"
            )
        stays = (seen.levels[-1] & box.lines).bit_count()
        result.figure(stays, 0, limits.count_limit("lines not low without power"))
        return result
    spread = seen.times_us[low] - seen.times_us[first]
    result.figure(spread, seen.late_us + spread * seen.rate_bound, limits.CUT)
    changes = len(seen.times_us) - 1 - low
    if box.idle_levels:
        result.notes.append("Idle is high: without power all lines are low, which is code 255.")
    elif powered_again:
        what = "changes of the lines until the box was on again"
        result.figure(changes, 0, limits.count_limit(what))
    else:
        result.not_known("The return of the power was not observed.")
    return result.not_known(LOST) if seen.lost else result
