"""Problems with markers by kind: a broken wire or a fast program makes hundreds of one kind."""

from __future__ import annotations

import re
from typing import Any

_KINDS_SHOWN = 4
_ADVICE = (
    ("not in the plan", "Mend the program, or add the event to the plan."),
    ("too close", "The amplifier may take two for one: let the program wait longer."),
    ("cut previous pulse", "The amplifier may have missed the shorter one."),
    ("late", "Close what else keeps this computer busy."),
    ("unconfirmed", "It may or may not have gone out; the recording tells. Check the cable."),
    ("no edge", "The amplifier can't see it: let the lines go to idle in between."),
)
_MEASURED = re.compile(r"\d[\d.,]*")


class ProblemKinds:
    """Counts problems, and keeps the last one of each kind."""

    def __init__(self) -> None:
        self._kinds: dict[str, tuple[int, dict[str, Any]]] = {}

    def clear(self) -> None:
        """Forgets all."""
        self._kinds.clear()

    def add(self, problem: dict[str, Any]) -> None:
        """A problem: `text` says what it is."""
        kind = kind_of(problem["text"])
        count, _ = self._kinds.get(kind, (0, problem))
        self._kinds[kind] = count + 1, problem

    def as_data(self) -> list[dict[str, Any]]:
        """The most frequent kinds, for JSON. advice: what to do, where the problem does not say."""
        most = sorted(self._kinds.values(), key=lambda each: each[0], reverse=True)
        return [
            {"count": count, "last": last, "advice": _advice(last["text"])}
            for count, last in most[:_KINDS_SHOWN]
        ]


def kind_of(text: str) -> str:
    """What problems of one kind have in common: of a readback the lines, of others what comes
    before a measured value."""
    before, _, after = text.partition(": ")
    if before.startswith("readback"):
        return after
    return _MEASURED.sub("", text if before == "refused" else before.partition(" (")[0])


def _advice(text: str) -> str:
    return next((advice for begin, advice in _ADVICE if text.startswith(begin)), "")
