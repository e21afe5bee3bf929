"""Bytes that came at once: a program that does not flush, or sends a number as text."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, field

from tallymark.common.formatting import ms

APART_US = 500
"""Bytes that are less apart come from one piece: a program that makes them one by one, each with
its own call of the system, and times them by a screen or an answer, is slower."""
_LEAST = 3
_KEPT = 32
_ENDS = {"\n": " and a newline", "\r": " and a carriage return", "\r\n": " and a line end"}


@dataclass
class Burst:
    """Bytes that came at once. count: how many. codes: the first of them. took_us: from the first
    to the last. at: of the first, for whoever collects them."""

    at: int
    count: int = 0
    took_us: int = 0
    codes: list[int] = field(default_factory=list)

    def text(self, known: Container[int] = ()) -> str | None:
        """What it is if it is text, and not all codes that are known; otherwise None."""
        if self.count < 2 or self.count > _KEPT or all(code in known for code in self.codes):
            return None
        whole = bytes(self.codes).decode("latin-1")
        words = whole.rstrip("\r\n")
        end = whole[len(words) :]
        if not (words.isascii() and words.isprintable() and words) or end not in ("", *_ENDS):
            return None
        if not end and not words.isdecimal():  # some codes that are letters by chance
            return None
        return f"{words!r}{_ENDS.get(end, '')}"

    def description(self, known: Container[int] = ()) -> str:
        """What came; empty if that is nothing to speak of."""
        if text := self.text(known):
            return f"{' '.join(map(str, self.codes))} came at once: that is the text {text}."
        if self.count < _LEAST:
            return ""
        within = f", within {ms(self.took_us)}" if self.took_us else ""
        return f"{self.count:,} bytes came at once{within}."

    def advice(self, known: Container[int] = ()) -> str:
        """What to do about it."""
        if self.text(known):
            word = bytes(self.codes).decode("latin-1").strip("\r\n")
            value = f", here {int(word)}" if word.isdecimal() and int(word) < 256 else ""
            return (
                f"Let the program send one byte that has the value of the code{value}, and no text."
            )
        return (
            "Does the program flush (or close) the port after each? Otherwise they wait in it, and "
            "are late."
        )


class BurstDetector:
    """Takes bytes in order, and finds those that came at once."""

    def __init__(self) -> None:
        self._burst = Burst(0)
        self._taken = 0

    def add(self, code: int, since_us: int | None) -> Burst | None:
        """The next byte, so long after the one before. Returns what ended with that one."""
        ended = self.end() if since_us is None or since_us >= APART_US else None
        burst = self._burst
        burst.took_us += (since_us or 0) if burst.count else 0
        burst.count += 1
        if burst.count <= _KEPT:
            burst.codes.append(code)
        self._taken += 1
        return ended

    def end(self) -> Burst | None:
        """No more comes at once. Returns what ended; None if that was a single byte or none."""
        ended, self._burst = self._burst, Burst(self._taken)
        return ended if ended.count > 1 else None
