"""The live screen: each byte that comes in, and what became of it."""

from __future__ import annotations

from types import TracebackType
from typing import Any

from rich.console import Console

from tallymark.markerlog import LoggedMarker
from tallymark.plan import Plan
from tallymark.settings import Settings


class IncomingScreen:
    """Shows what comes in, while it comes. A context manager.

    On a terminal: rows, at most ten refreshes a second; when more bytes come than a person can
    read they are summed up. Elsewhere: a line a byte. `as_json`: JSON Lines, an object a byte and
    a last object `{"summary": ...}`.

    summary: what the last object will say; add to it before the end (`{"comparison": ...}`).
    """

    def __init__(
        self,
        plan: Plan | None,
        settings: Settings,
        *,
        as_json: bool = False,
        console: Console | None = None,
    ) -> None:
        self.summary: dict[str, Any] = {}

    def show(self, marker: LoggedMarker) -> None:
        """One byte and what became of it, in order, from one thread. Returns at once."""

    def say(self, text: str, *, bad: bool = False) -> None:
        """A sentence among the rows. From any thread; returns at once."""

    def __enter__(self) -> IncomingScreen:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Shows what is still waiting, then the sums."""
