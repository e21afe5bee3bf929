"""Displays that show the lamp: a window, or a simulated one for a computer without a screen."""

from __future__ import annotations

import random
from typing import Any, Protocol

from tallymark.box.ports.timebase import Pacing


class Display(Protocol):
    """A display that shows frames at a steady rate.

    period_s: nominal seconds from one frame to the next.
    """

    period_s: float

    def draw(self, lit: bool) -> None:
        """Prepares the next frame: the lamp is lit, or dark."""

    def flip(self) -> None:
        """Shows that frame with the display's next refresh, and returns once it is shown."""

    def close(self) -> None:
        """Ends it."""


class SimulatedDisplay:
    """Refreshes on a grid of its own; `flips` are the true times of its refreshes, host time (s).

    delay_s: mean of how much later than its refresh `flip` returns, in addition to what the
    computer takes anyway; random, with a long tail, as the scheduler of an operating system does.
    """

    def __init__(
        self, pacing: Pacing, period_s: float = 1 / 60, delay_s: float = 0.0, seed: int = 1
    ) -> None:
        self.period_s = period_s
        self.flips: list[float] = []
        self._pacing = pacing
        self._delay_s = delay_s
        self._chance = random.Random(seed)
        self._origin = pacing.now()

    def draw(self, lit: bool) -> None:
        """See `Display`."""

    def flip(self) -> None:
        """See `Display`."""
        now = self._pacing.now()
        frames = int((now - self._origin) / self.period_s) + 1
        refresh = self._origin + frames * self.period_s
        self.flips.append(refresh)
        late = self._chance.expovariate(1 / self._delay_s) if self._delay_s else 0.0
        self._pacing.sleep(refresh + late - now)

    def close(self) -> None:
        """See `Display`."""


class WindowDisplay:
    """A window of pygame over the whole screen, whose `flip` waits for the refresh.

    Raises ImportError without pygame, and pygame.error where a screen can't wait for its refresh.
    """

    def __init__(self) -> None:
        import pygame  # type: ignore[import-not-found, unused-ignore]

        self._pygame: Any = pygame
        pygame.init()
        flags = pygame.FULLSCREEN | pygame.SCALED
        self._window = pygame.display.set_mode((640, 480), flags, vsync=1)
        self.period_s = 1 / (pygame.display.get_current_refresh_rate() or 60)

    def draw(self, lit: bool) -> None:
        """See `Display`."""
        self._pygame.event.pump()
        self._window.fill("black")
        if lit:
            self._pygame.draw.circle(self._window, "white", (320, 240), 100)

    def flip(self) -> None:
        """See `Display`."""
        self._pygame.display.flip()

    def close(self) -> None:
        """See `Display`."""
        self._pygame.quit()
