"""Write BREADBOARD.md and the drawings of this folder.

Usage: python write_breadboard.py [<folder>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import draw_breadboard
import draw_stripboard
import on_breadboard
import paper
from circuit_on_holes import NANO_VARIANT, PICO_VARIANT, Variant
from pins import DSUB_OF_LINE, LINES

HERE = Path(__file__).resolve().parent
VARIANTS = {"pico": PICO_VARIANT, "nano": NANO_VARIANT}

TEXT = """\
# The box without a board: breadboard and stripboard

> **Caution.** Not a medical device, not isolated. For the bench and for classes, never where a person is wired to the
> receiver. Read the [cautions](../CAUTIONS.md) first. Pull the USB plug before you change a wire.

Flash the USB board first ([README](../../README.md#building-one)).

It is the circuit of the board with fewer parts: one driver, a resistor in each line, pull-downs that hold the lines low while
the USB board starts, and the readback. It has no static clamps, no LEDs and no isolation. Figures on the board's driver and
cables ([RESULTS](../simulation/RESULTS.md)) hold here too; long loose wires add crosstalk, so keep them short.

| | breadboard, Pico | breadboard, Nano | stripboard, Pico |
| --- | --- | --- | --- |
| drawing | [pico.svg](pico.svg) | [nano.svg](nano.svg) | [parts](stripboard-parts.svg), [copper](stripboard-copper.svg) |
| to print, A4 | [pico.pdf](pico.pdf) | [nano.pdf](nano.pdf) | [stripboard.pdf](stripboard.pdf) |
| built from | plug and wire | plug and wire | solder |
| time to build | an hour | an hour | an afternoon |

## Parts

| part | value | for the Pico | for the Nano |
| --- | --- | --- | --- |
| A1 | USB board with pins, flashed with the firmware | 1 Pico | 1 Nano |
| U1 | 74ACT541, DIP-20 | 1 | 1 |
| RN3 | 8 × 10 kΩ, nine pins in a row, the first is common to all | 1 | 1 |
| R10 to R17 | 270 Ω, 1/4 W: red violet black black brown (1 %) | 8 | 8 |
| R20 to R27 | readback: 2.2 kΩ, 1 %: red red black brown brown; Nano: 1 kΩ: brown black black brown brown | 8 of 2.2 kΩ | 8 of 1 kΩ |
| R30 to R37 | readback: 4.7 kΩ, 1 %: yellow violet black brown brown | 8 | none |
| C1 | 100 nF, ceramic | 1 | 1 |
| C2 | 10 µF, 16 V, electrolytic | 1 | 1 |
| J1 | D-sub 25 socket with solder cups | 1 | 1 |
| | breadboard with 63 rows, two rails at each side | 1 | 1 |
| | wire, 0.6 mm solid, {wires_pico} pieces (Pico) or {wires_nano} (Nano) | | |

Why a divider on the Pico: a line is 5 V, and a pin of the Pico stands 3.6 V (0.3 V above its supply). With 1 % resistors it gets at
most 3.60 V, and only if something else puts 5.25 V on the line; from the box's own driver it gets at most 3.5 V. A Nano stands 5 V; its 1 kΩ only limits the current if a receiver's fault reaches the line.

{variants}
## Before power

Everything is in place but A1 and U1. Meter on ohms, no receiver:

| between | must read | if not |
| --- | --- | --- |
| + rail and − rail | over 100 kΩ, rising | a wire in the wrong row, C2 the wrong way round |
| upper and lower half of each rail | under 1 Ω | P8 to P11 (Nano: P7 to P10): the bridges of the rails |
| left and right rail of the same sign | under 1 Ω | P12 and P13 (Nano: P11 and P12) |
| D-sub pin 2 to 3, 3 to 4, ... 8 to 9 | over 10 kΩ | two lines in one row |
| D-sub pin 2, 3, ... 9 to the − rail | Pico: 6.5 to 7.3 kΩ; Nano: over 100 kΩ | R2 or R3 of that line, or wire L |
| D-sub pins 18 to 25 and the − rail | under 1 Ω | wire G |
| the USB board's row for line 0 and e25, ... line 7 and e32 | under 1 Ω | wires O |
| e25, e26, ... e32 to the − rail | 9 to 11 kΩ | RN3 the wrong way round, or wire P6 (Nano: P5) |

Then press in U1 and A1, with the USB socket beyond row 1.

## First power-up

1. Nothing on the D-sub. Plug the USB cable. + to − must read 4.4 to 5.25 V, D-sub pins 2 to 9 under 0.1 V. If anything gets warm,
   pull the cable.
2. Run the self-test. It drives every code, reads it back through R2 and R3, and names the pin of a fault:

       tallymark selftest

   To see first what it says of a wire that is missing (line 3), without any hardware:

       tallymark selftest --box "virtual://?time=stepped&fault=open:3"

3. `tallymark set 255`, and read 4.1 V or more on D-sub pins 2 to 9 (meter against pin 25); then `tallymark idle`, and under 0.1 V.

**Power order:** USB first, then the receiver; the receiver off before you pull USB. A receiver with pull-ups feeds a box without
power through its lines. **Active-low receivers:** lines are low until the program has read its settings; switch the
receiver on after that.

## Stripboard

[Side of the parts](stripboard-parts.svg) and [copper side](stripboard-copper.svg), for a Pico. Each line has a strip of its own:
driver, 270 Ω, tap for the D-sub, 2.2 kΩ, tap for the readback, 4.7 kΩ, ground, with a cut under each resistor. The checks
before power are the same, without those of the rails.

![Side of the parts](stripboard-parts.svg)

![Copper side](stripboard-copper.svg)

## How this was checked

The drawings are made by script from a list of parts, wires and holes. A test follows the copper, as a meter would, and compares
what is joined with the circuit; it compares the pins, the outline and the USB end of Pico and Nano with KiCad's own
footprints, and the pins of the 74ACT541 with KiCad's symbol. No one has built it yet; all figures are calculated or simulated.
"""

VARIANT = """\
## Breadboard with a {name}

![Breadboard with a {name}]({file}.svg)

Seen from above, the USB socket at the top. Place the parts first: {name} with pin 1 ({pin1_name}) in **{pin1}** and {corner} in **{corner_hole}**, U1 with pin 1 in **e24** (notch up),
RN3 with its dot in **b24**, C1 in **h24** and **h25**, C2 with its + in the right + rail and its other leg in the right − rail, in row 38.
Each resistor of 270 Ω goes from column d to column g{lower}. Each {upper} stands upright in column b.

Then the wires, one to a hole, of any colour. Rails: go by their sign; a hole near that row will do.

{tables}
"""


def _table(head: str, rows: list[str]) -> str:
    return "\n".join([head, "| --- " * (head.count("|") - 1) + "|", *rows]) + "\n"


def variant_text(name: str, variant: Variant) -> str:
    """Where the parts and the wires of one USB board go."""
    layout = on_breadboard.plan(variant)
    hole = layout.board.name
    part_of = {part.name: part for part in layout.parts}
    supply = [
        f"| {w.name} | {'+5 V' if w.supply else 'ground'} | {hole(w.start)} | {layout.end_name(w.end)} |"
        for w in layout.wires
        if w.line is None and not isinstance(w.end, str)
    ]
    ground = next(w for w in layout.wires if w.name == "G")
    supply.append(f"| G | ground | {hole(ground.start)} | D-sub pins 18 to 25, from pin to pin |")
    wire_of = {w.name: w for w in layout.wires}
    module = variant.module.name
    lines = []
    for n in LINES:
        o, d, b, tap = (wire_of[f"{letter}{n}"] for letter in "ODBL")
        cells = (
            variant.uses[f"OUT{n}"], hole(o.start), layout.end_name(o.end), hole(d.start),
            layout.end_name(d.end), hole(tap.start), DSUB_OF_LINE[n], hole(b.start),
            layout.end_name(b.end), variant.uses[f"BACK{n}"],
        )  # fmt: skip
        lines.append(f"| {n} | " + " | ".join(cells) + " |")
    resistors = []
    for n in LINES:
        cells = []
        for group in (1, 2, 3) if variant.lower else (1, 2):
            holes = part_of[f"R{group}{n}"].holes
            cells.append(f"{hole(holes['1'])}, {hole(holes['2'])}")
        resistors.append(f"| {n} | " + " | ".join(cells) + " |")
    heads = ["R1: 270 Ω", f"R2: {variant.upper}", f"R3: {variant.lower}"][
        : 3 if variant.lower else 2
    ]
    corner = next(p for p in range(1, 41) if variant.module.usb_up(p) == (1, 1))
    tables = "\n".join(
        [
            _table("| line | " + " | ".join(heads) + " |", resistors),
            _table("| wire | for | from | to |", supply),
            _table(
                f"| line | {module} output | O: from | to U1 | D: from | to 270 Ω | L: from | D-sub pin "
                f"| B: from | to | {module} readback |",
                lines,
            ),
        ]
    )
    return VARIANT.format(
        name=module,
        file=name,
        pin1=hole(part_of["A1"].holes["1"]),
        pin1_name=variant.module.pin_names[0],
        corner=variant.module.pin_names[corner - 1],
        corner_hole=hole(part_of["A1"].holes[str(corner)]),
        upper=variant.upper,
        lower=f", each of {variant.lower} from column a to the left − rail"
        if variant.lower
        else "",
        tables=tables,
    )


def guide() -> str:
    """The whole of BREADBOARD.md."""
    counts = {
        f"wires_{name}": str(len({w.name for w in on_breadboard.plan(variant).wires}))
        for name, variant in VARIANTS.items()
    }
    texts = "".join(variant_text(name, variant) for name, variant in VARIANTS.items())
    return TEXT.format(variants=texts, **counts)


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
    (target / "BREADBOARD.md").write_text(guide())
    for name, pages in sheets().items():
        paper.pdf(target / f"{name}.pdf", pages, stale=bool(changed))
