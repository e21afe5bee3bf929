"""What the chip's receiver makes of bytes that are sent at quite another rate than its own.

As the datasheet has it (ATmega328P, 19.7): a fall of the line begins a start bit, which counts only
if the line is still low in its middle; then each bit is sampled in its middle, and from the middle
of the stop bit on the receiver looks for the next fall. At a boot loader's rate several bytes of
the host make one byte, and which one depends on the bits of all of them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from functools import partial


class OtherRate:
    """The line's levels, and a receiver that looks at them. Times are cycles.

    now: the time. later: has something called at a time. bit_cycles: how long the receiver takes a
    bit to last. received: takes each byte, half a bit before its stop bit is over.
    """

    def __init__(
        self,
        now: Callable[[], int],
        later: Callable[[int, Callable[[], None]], None],
        bit_cycles: Callable[[], int],
        received: Callable[[int], None],
    ) -> None:
        self._now = now
        self._later = later
        self._bit_cycles = bit_cycles
        self._received = received
        self._life = 0
        self.forget()

    def forget(self) -> None:
        """The chip was reset: what it was receiving is gone."""
        self._times: list[int] = []
        self._highs: list[bool] = []
        self._look_from = 0
        self._life += 1
        self._busy = False

    def send(self, data: bytes, start: int, bit: float) -> None:
        """Lays bytes on the line from `start` on, whose bits last `bit` cycles."""
        for place, byte in enumerate(data):
            for number in range(10):
                self._times.append(start + round((10 * place + number) * bit))
                self._highs.append(bool((byte << 1 | 0x200) >> number & 1))
        if not self._busy:
            self._look_from = max(self._look_from, start)
            self._look()

    def _is_high(self, time: float) -> bool:
        place = bisect_right(self._times, time)
        return place == 0 or self._highs[place - 1]

    def _look(self) -> None:
        """Waits for the end of the byte that the next fall begins."""
        self._busy = False
        before = self._is_high(self._look_from - 1)
        for time, high in zip(self._times, self._highs, strict=True):
            if time < self._look_from:
                continue
            if before and not high:
                self._busy = True
                end = max(self._now() + 1, time + round(9.5 * self._bit_cycles()))
                self._later(end, partial(self._end, time, self._life))
                return
            before = high

    def _end(self, fall: int, life: int) -> None:
        if life != self._life:
            return  # the chip was reset meanwhile
        bit = self._bit_cycles()
        if self._is_high(fall + bit / 2):
            self._look_from = fall + bit // 2
        else:
            samples = [self._is_high(fall + (number + 1.5) * bit) for number in range(8)]
            self._received(sum(high << number for number, high in enumerate(samples)))
            self._look_from = fall + round(9.5 * bit)
        self._look()
