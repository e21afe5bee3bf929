"""A loudspeaker behind a sound card: a sound begins with a buffer, after a latency."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tallymark.virtual.stimuli.levels import Stimulus, half_way, ramp


@dataclass(frozen=True)
class Loudspeaker:
    """Times in µs.

    buffer_us: how long the sound card's buffer lasts; a sound begins with the next one. latency_us:
    from there to the membrane. attack_us: until the envelope has its full height. loud: its level,
    as distance from rest. first_buffer_us: when the first buffer begins.
    """

    buffer_us: float = 10_000.0
    latency_us: float = 25_000.0
    attack_us: float = 5_000.0
    loud: int = 20_000
    first_buffer_us: float = 0.0

    @property
    def threshold(self) -> int:
        """The level in the middle, for the setting `sound_threshold`."""
        return self.loud // 2

    def play(self, at_us: float, lasts_us: float = 100_000.0, dropped: int = 0) -> Stimulus:
        """A tone that the program begins at `at_us`. dropped: buffers that came too late before it.

        The levels are those of the envelope: the box has them from the wave."""
        buffers = math.ceil((at_us - self.first_buffer_us) / self.buffer_us - 1e-9) + dropped
        begin = self.first_buffer_us + buffers * self.buffer_us + self.latency_us
        end = begin + lasts_us
        levels = ramp(begin, self.attack_us, 0, self.loud) + ramp(end, 2_000, self.loud, 0)
        return Stimulus(half_way(begin, self.attack_us), levels)
