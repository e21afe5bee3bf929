"""Write the pages and the drawings of this folder.

Usage: python write_breadboard.py [<folder>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import draw_breadboard
import draw_stripboard
import guide_pages
import paper
from required_nets import NANO_VARIANT, PICO_VARIANT, SERIES

HERE = Path(__file__).resolve().parent
VARIANTS = {"pico": PICO_VARIANT, "nano": NANO_VARIANT}

TEXT = """\
# The box without a board: breadboard and stripboard

> **Caution.** Not a medical device, not isolated. For the bench and for classes, never where a person is wired to the
> receiver. Read the [cautions](../CAUTIONS.md) first. Pull the USB plug before you change a wire.

| | breadboard, Pico | breadboard, Nano | stripboard, Pico |
| --- | --- | --- | --- |
| **build it** | [PICO.md](PICO.md) | [NANO.md](NANO.md) | [STRIPBOARD.md](STRIPBOARD.md) |
| drawing | [pico.svg](pico.svg) | [nano.svg](nano.svg) | [parts](stripboard-parts.svg), [copper](stripboard-copper.svg) |
| to print, A4 | [pico.pdf](pico.pdf) | [nano.pdf](nano.pdf) | [stripboard.pdf](stripboard.pdf) |
| built from | plug and wire | plug and wire | solder |
| time to build | two hours | two hours | an afternoon |

Each page has parts, tools, drawing, and after each step a table of what a meter must read. A Nano on stripboard has no plan.

## The circuit, and how it differs from the board

One driver for eight lines, {series} in each line, pull-downs that hold the lines low while the USB board starts, and the readback
through resistors. On a cable it drives what the board drives, with edges up to a quarter faster ([figures](../simulation/RESULTS.md#the-driver-of-the-breadboard)).

| | board | breadboard, stripboard | what follows |
| --- | --- | --- | --- |
| driver | two 74VHCT541A | one 74ACT541 | The 74VHCT541A is made for soldering on a surface only. The 74ACT541 has **no power-off protection**: keep to the power order below. |
| resistor in a line | 330 Ω | 330 Ω | one line shorted carries 15 mA, all eight 124 mA, within the driver's ratings |
| level at start | low, or high with JP2 | low | with an active-low receiver every line is active until the program has read its settings |
| static clamps | yes | none | touch grounded metal before you plug the D-sub |
| line LEDs, inputs for light, sound and TTL | yes | none | |
| readback | buffer with TTL inputs | Pico: 2.2 kΩ and 4.7 kΩ; Nano: 1 kΩ | Pico: 3.6 V at most at its pin; Nano: needs 3 V, which a line with an opto-coupler may miss |
| isolation | isolated variant | none | |

Why a divider on the Pico: a line is 5 V, and a pin of the Pico stands 3.6 V (0.3 V above its supply). With 1 % resistors it gets at
most 3.60 V, and only if something else puts 5.25 V on the line; from the box's own driver it gets at most 3.5 V. A Nano stands 5 V; its 1 kΩ
only limits the current if a receiver's fault reaches the line.

## Power order

Idle **low** (the default): USB first, then the receiver; the receiver off before you pull USB. A receiver that is on feeds a box without USB:
its pull-ups lift the 5 V of the box to 1.1 to 1.4 V, a driver of 5 V to 1.8 V, and the lines stand at 1.7 to 2.7 V, which is no level
at all ([simulated](../simulation/RESULTS.md#one-side-without-supply)).

Idle **high** (active-low receivers): the receiver first, then USB, as with the board; off in the reverse order. A box that is on would feed a
receiver that is off, with 4 mA a line. Until USB is plugged the pull-ups of the receiver feed the box instead, with 2.5 mA a line at most, which harms neither; the lines stand between the levels
then, and are all active from the plug until the program has read its settings. Begin to record after that. The board has no such gap (JP2, and power-off protection).

## How this was checked

The drawings and pages are made by script from lists of parts, wires and holes. A test follows the copper, as a meter would, and compares
what is joined with the circuit; it compares the pins, the outline and the USB end of Pico and Nano with KiCad's own
footprints, and the pins of the driver with KiCad's symbol. The readings of the meter are calculated from the same lists: the right board passes
each check at the step where it stands, and on the breadboards each of more than 300 slips (a wire or a resistor forgotten, one hole off, or of another value)
fails one at least. Not found by a meter: C2 the wrong way round. No one has built it yet; all figures are calculated or simulated.
"""


def guide() -> dict[str, str]:
    """The pages of this folder by their file names."""
    return {"BREADBOARD.md": TEXT.format(series=SERIES), **guide_pages.pages()}


def sheets() -> dict[str, list[paper.Page]]:
    """File names without ending, and the pages that each has on paper."""
    found: dict[str, list[paper.Page]] = {}
    for name, variant in VARIANTS.items():
        sheet = draw_breadboard.draw(variant)
        cut = draw_breadboard.TOP + 34.6
        found[name] = [
            paper.Page(sheet, (0.0, 0.0, sheet.width, cut)),
            paper.Page(sheet, (0.0, cut - 12.0, sheet.width, sheet.height)),
        ]
    parts, copper = draw_stripboard.front(), draw_stripboard.back()
    cut = copper.height
    found["stripboard"] = [
        paper.Page(parts, (0.0, 0.0, parts.width, cut)),
        paper.Page(copper),
        paper.Page(parts, (0.0, cut, parts.width, parts.height)),
    ]
    return found


def drawings() -> dict[str, str]:
    """Every SVG file of this folder."""
    found = {f"{name}.svg": draw_breadboard.draw(v).svg() for name, v in VARIANTS.items()}
    found["stripboard-parts.svg"] = draw_stripboard.front().svg()
    found["stripboard-copper.svg"] = draw_stripboard.back().svg()
    return found


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    changed = paper.write(target, drawings())
    paper.write(target, guide())
    for name, pages in sheets().items():
        paper.pdf(target / f"{name}.pdf", pages, stale=bool(changed))
