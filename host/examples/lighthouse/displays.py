"""Displays that show the lamp: a window, or a simulated one for a computer without a screen."""

from __future__ import annotations

import random
from itertools import pairwise
from statistics import median
from typing import Any, Protocol

from tallymark.box.ports.timebase import Pacing, host_time_s

_MEASURED_FLIPS = 60
_SHORTEST_PERIOD_S = 1 / 600
"""No screen refreshes faster."""
_NEAR = 0.15
_REGULAR = 0.75


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


class NoRefresh(RuntimeError):
    """A screen does not make a program wait for its refresh, so no flip can be forecast."""


def refresh_period(flips_s: list[float]) -> float:
    """Seconds from one refresh to the next, of a screen whose flips took so long (seconds).

    A flip that waits for the refresh takes one period, or some whole ones. NoRefresh if they don't:
    many a screen, above all one without a graphics card, returns as soon as it has drawn."""
    period_s = median(flips_s)
    whole = [flip_s / period_s for flip_s in flips_s if flip_s / period_s > _NEAR]
    near = sum(abs(each - round(each)) < _NEAR for each in whole)
    if period_s < _SHORTEST_PERIOD_S or near < _REGULAR * len(flips_s):
        raise NoRefresh(
            f"a flip takes {min(flips_s) * 1e3:,.1f} to {max(flips_s) * 1e3:,.1f} ms, and does not "
            "wait for a refresh"
        )
    return period_s


class WindowDisplay:
    """A window of pygame over the whole screen, whose `flip` waits for the refresh.

    Raises ImportError without pygame, and NoRefresh where a screen can't wait for its refresh.
    """

    def __init__(self) -> None:
        import pygame  # type: ignore[import-not-found, unused-ignore]

        self._pygame: Any = pygame
        pygame.display.init()
        flags = pygame.FULLSCREEN | pygame.SCALED
        try:
            self._window = pygame.display.set_mode((640, 480), flags, vsync=1)
            self.period_s = self._measured()
        except (pygame.error, NoRefresh) as error:
            self.close()
            raise NoRefresh(f"This screen can't tell when it shows a picture: {error}.") from error

    def _measured(self) -> float:
        """Seconds from one refresh to the next."""
        began = []
        for _ in range(_MEASURED_FLIPS):
            self.draw(False)
            began.append(host_time_s())
            self.flip()
        return refresh_period([after - before for before, after in pairwise(began)])

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
