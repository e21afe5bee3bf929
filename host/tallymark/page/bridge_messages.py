"""Sentences for every window: what the bridge tells, and what it means."""

from __future__ import annotations

import contextlib
from collections import deque
from typing import Any

from tallymark.box.wire.answer_values import HoldEnded
from tallymark.common.formatting import time_text
from tallymark.markerlog import MarkerLog, host_time_us

_KEPT = 200
_SHOWN = 20


class Messages:
    """A `BridgeScreen`. Its methods may be called from any thread. log: where bad news are noted,
    once there is one."""

    def __init__(self) -> None:
        self.log: MarkerLog | None = None
        self._count = 0
        self._pauses: dict[str, Any] | None = None
        self._said: deque[dict[str, Any]] = deque(maxlen=_KEPT)

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        """A sentence. logged: the log has it already."""
        self._add(text, bad, logged)

    def pauses(self, text: str, _due: bool, /) -> None:
        """How often this program did not run so far, instead of the last such sentence."""
        last = self._pauses
        if last is not None:
            with contextlib.suppress(ValueError):  # so much was said since that it is gone
                self._said.remove(last)
        self._pauses = self._add(text, bad=True, logged=True)

    def _add(self, text: str, bad: bool, logged: bool) -> dict[str, Any]:
        if bad and not logged and self.log is not None:
            self.log.note(text)
        self._count += 1
        said = {"id": self._count, "text": text, "bad": bad, "host_us": host_time_us()}
        self._said.append(said)
        return said

    def idle(self, text: str, *, logged: bool = False) -> None:
        """A sentence that says why the lines are at idle now."""
        self.say(text, bad=True, logged=logged)

    def hold_ended(self, notice: HoldEnded, limit_us: int) -> None:
        """The box took a code to idle after its hold limit."""
        self.say(
            f"The box took code {notice.code} to idle: it heard nothing for "
            f"{time_text(limit_us)}, the hold limit.",
            bad=True,
            logged=True,
        )

    def as_data(self) -> list[dict[str, Any]]:
        """The last ones, for JSON."""
        return list(self._said)[-_SHOWN:]
