"""A lighthouse flashes on the screen; each flash gets a marker at the moment at which it is shown.

    python host/examples/lighthouse/flashes.py                       simulated display, virtual box
    python host/examples/lighthouse/flashes.py --box /dev/ttyACM0    simulated display, a real box
    python host/examples/lighthouse/flashes.py --window --box ...    a window (pip install pygame)

Two ways take turns. *After the flip* is the usual one: the marker is sent once the picture is on
the screen, and is late by whatever computer and bus take then. *Ahead* gives the marker before the
flip, for the moment of the coming refresh, and the box puts it out by its own timer. The table says
how far the edges were from the flips: with the simulated display from its true refreshes, with a
window from the forecast ones. A screen shows its picture some ms after its refresh, always by
the same time; only a light sensor can tell how much.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from statistics import median

from displays import Display, NoRefresh, SimulatedDisplay, WindowDisplay
from flip_forecast import FlipForecast
from rich.console import Console
from rich.table import Table

from tallymark import Box, Marker, Outcome, TallymarkError

FLASH_CODE = 21
WARM_UP = 60
EVERY = 6
"""A flash every so many frames."""
LATE_S = 0.002
"""A marker that comes too late may go out so much later; its `delay_us` tells."""


@dataclass
class Flash:
    """One flash: its marker, when the picture was to be shown, and whether it was shown then."""

    marker: Marker
    ahead: bool
    flip_s: float
    shown: bool


def flash_all(box: Box, display: Display, count: int) -> list[Flash]:
    """Shows `count` flashes, in turns with markers after the flip and ahead of it."""
    now = box.pacing.now
    forecast = FlipForecast(display.period_s)
    box.sync_clock(over_s=1.0)
    flashes = []
    for frame in range(WARM_UP + count * EVERY):
        lit = frame >= WARM_UP and frame % EVERY == 0
        display.draw(lit)
        ahead = lit and frame // EVERY % 2 == 0
        flip_s = forecast.next_s() if forecast.is_ready else 0.0
        marker = box.pulse(FLASH_CODE, at=flip_s, late_s=LATE_S) if ahead else None
        display.flip()
        if lit and not ahead:
            marker = box.pulse(FLASH_CODE)
        missed = forecast.saw(now()) > 1
        if marker is not None:
            if isinstance(display, SimulatedDisplay):
                missed = abs(display.flips[-1] - flip_s) > display.period_s / 2
                flip_s = display.flips[-1]
            flashes.append(Flash(marker, ahead, flip_s, not missed))
    box.wait()
    return flashes


def errors_us(box: Box, flashes: list[Flash], ahead: bool) -> list[float]:
    """How late the edges of one way were, in µs, sorted; of flashes that were shown in time."""
    found = []
    for flash in flashes:
        marker = flash.marker
        if flash.ahead == ahead and flash.shown and marker.outcome is Outcome.DONE:
            edge = marker.host_time or box.to_host_time(marker.box_time_us or 0)
            found.append((edge.seconds - flash.flip_s) * 1e6)
    return sorted(found)


def spread(values: list[float]) -> float:
    """From the 5th to the 95th of 100."""
    return values[round(0.95 * (len(values) - 1))] - values[round(0.05 * (len(values) - 1))]


def main() -> int:
    """Runs the example. Exit code 0; 1: an edge is missing; 3: no box, or no such screen."""
    parser = argparse.ArgumentParser(description="Markers for the coming flip of a display.")
    parser.add_argument("--box", default="virtual", help="a port, a name or 'virtual'")
    parser.add_argument("--window", action="store_true", help="show it in a window (pygame)")
    parser.add_argument("--flashes", type=int, default=100)
    arguments = parser.parse_args()
    try:
        with Box.open(arguments.box) as box:
            try:
                display = WindowDisplay() if arguments.window else SimulatedDisplay(box.pacing)
            except ImportError:
                print("--window needs pygame: pip install pygame", file=sys.stderr)
                return 3
            except NoRefresh as error:
                print(f"{error} Its markers would be early or late by an unknown time. Try a "
                      "screen of this computer, not one over a network.", file=sys.stderr)
                return 3
            try:
                flashes = flash_all(box, display, arguments.flashes)
            finally:
                display.close()
            return show(box, flashes)
    except TallymarkError as error:
        print(error, file=sys.stderr)
        return 3


def show(box: Box, flashes: list[Flash]) -> int:
    """Prints the table."""
    table = Table("marker", "flashes", "late by (median)", "jitter (5 to 95 of 100)", "most")
    for ahead, name in ((False, "after the flip"), (True, "ahead, for the flip")):
        late = errors_us(box, flashes, ahead)
        if late:
            cells = (median(late), spread(late), max(late, key=abs))
            table.add_row(name, str(len(late)), *(f"{each:,.0f} µs" for each in cells))
    Console().print(table)
    missed = sum(not flash.shown for flash in flashes)
    if missed:
        print(f"{missed} flashes were shown a frame late, and their markers ahead came a frame too "
              "early: draw faster.")
    wrong = [flash.marker for flash in flashes if flash.marker.outcome is not Outcome.DONE]
    for marker in wrong:
        print(f"marker {marker.number}: {marker.error}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
