"""What a recording should hold, as the log, the plan or the user says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tallymark.markerlog import LogData
from tallymark.plan import Plan
from tallymark.recording.recording_data import Bools, Ints, RecordingError

Level = Literal["low", "high"]


@dataclass(frozen=True)
class Expectation:
    """What the recording should hold.

    idle: level of the lines at idle, None if any is right; said_by: who says so, with its verb.
    part: the recording is known to be a part of the session; what was sent before, after or in its
    pauses is not asked for. first, last: numbers of the first and the last marker that it should
    hold, None for no limit. same_session: the user knows that log and recording are of one session,
    whatever they show of it.
    """

    idle: Level | None = None
    said_by: str = ""
    part: bool = False
    first: int | None = None
    last: int | None = None
    same_session: bool = False

    def asked(self, number: Ints, test: Bools) -> Bools:
        """Which of the log's markers the recording should hold. test: those of a test before the
        session, which it need not.

        Raises RecordingError if first or last is no marker's number, or that of several, or if
        none is left.
        """
        asked = np.ones(len(number), bool)
        for limit, option in ((self.first, "--from"), (self.last, "--to")):
            if limit is None:
                continue
            rows = np.flatnonzero(number == limit)
            if len(rows) != 1:
                raise RecordingError(_no_limit(limit, option, number, len(rows)))
            if option == "--from":
                asked[: rows[0]] = False
            else:
                asked[rows[0] + 1 :] = False
        if not asked.any():
            raise RecordingError(
                f"No marker of the log lies from {self.first} to {self.last}. Give --from the "
                "number of an earlier marker than --to."
            )
        asked &= ~test
        if not asked.any():
            raise RecordingError(
                "All markers of the log that are asked for are tests before the session, so the "
                "recording need not hold any. Check that it is the log of this session."
            )
        return asked


def _no_limit(limit: int, option: str, number: Ints, times: int) -> str:
    known = number[number >= 0]
    if times:
        return (
            f"{option} {limit}: the log holds {times} markers of that number, because it was kept "
            "in several parts. Use --part instead."
        )
    if not len(known):
        return (
            f"{option} {limit}: the log's markers have no numbers, because other programs sent "
            "them. Use --part instead."
        )
    return (
        f"{option} {limit}: the log holds no marker of that number that could be in a recording; "
        f"its markers are {known.min()} to {known.max()}."
    )


def idle_of(log: LogData, plan: Plan | None) -> tuple[Level | None, str]:
    """Level of the lines at idle, and who says so.

    The plan goes first, because it knows the receiver, before which a buffer may invert the lines;
    then the box's settings in the log; else it is the default of the box. None if parts of the log
    were kept with different settings.
    """
    if plan is not None:
        return ("low" if plan.receiver.active == "high" else "high"), "the plan says"
    said = {(header.get("settings") or {}).get("idle") for header in log.headers}
    said &= {"low", "high"}
    if len(said) > 1:
        return None, ""
    for level in said:
        return level, "the box's settings in the log say"
    return "low", "the box does by default (neither log nor plan says otherwise)"
