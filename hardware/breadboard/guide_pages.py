"""The pages by which a box without a board is built: PICO.md and NANO.md on a breadboard,
STRIPBOARD.md with a Pico. Every table comes from the lists of parts, wires and checks.
"""

from __future__ import annotations

import math

import build_steps
import on_stripboard
from build_steps import Build, Check
from layout import End, Hole, Wire
from on_breadboard import BREAK, RAILS
from pins import DSUB_OF_LINE, LINES
from required_nets import DRIVER, SERIES

CAUTION = """\
> **Caution.** Not a medical device, not isolated. For the bench and for classes, never where a person is wired to the
> receiver. Read the [cautions](../CAUTIONS.md) first. Pull the USB plug before you change a wire.
"""
COLOURS = {
    "330 Ω": "orange orange black black brown",
    "1 kΩ": "brown black black brown brown",
    "2.2 kΩ": "red red black brown brown",
    "4.7 kΩ": "yellow violet black brown brown",
}
"""Rings of 1 % resistors of metal film (IEC 60062): three digits, the factor, the tolerance."""
METERING = """\
**Meter.** Ohms, USB plug out, no receiver. The tip of a probe does not go into a hole: push a *stub* into it, a piece of the wire, 2 cm
long and bare at both ends, and hold the probe to the stub. `c1 to e25` means: one probe at a stub in c1, the other at a stub in e25.
First hold the probes together and note what the meter reads: leads have up to 0.5 Ω.
"""
SOLDER_DSUB = """\
Solder the D-sub with a clamp or a plug of the other sex to hold it. Its numbers are moulded beside the cups; the drawing shows the side
that you solder, where pin 1 is at the **left** of the longer row. For each wire: push 10 mm of sleeve over it, fill the cup with solder, strip 4 mm, melt
the solder and push the wire in, hold it still until it is hard, push the sleeve over the cup and shrink it. G: bare wire through all eight cups
18 to 25, and one insulated wire from there. Tie the wires together with a cable tie behind the D-sub: solid wire breaks at the joint when it moves.
"""


def number(ohm: float) -> str:
    """A limit as a meter shows it."""
    return f"{ohm / 1e3:.3g} kΩ" if ohm >= 900 else f"{ohm:.0f} Ω"


def limits(check: Check) -> str:
    low, high = check.limits
    if low == 0:
        return f"under {number(high)}"
    if math.isinf(high):
        return f"over {number(low)}"
    first, last = number(low), number(high)
    same_unit = first.split()[1] == last.split()[1]
    return f"{first.split()[0] if same_unit else first} to {last}"


class Namer:
    """How places are called on a page."""

    def __init__(self, build: Build) -> None:
        self.build = build
        self.is_breadboard = build.layout.board.name((1, 0)) == "a1"

    def __call__(self, end: End) -> str:
        if isinstance(end, str):
            return f"pin {end}"
        if not self.is_breadboard:
            return f"{end[0]}/{end[1]}"
        row, column = end
        if column in RAILS:
            return f"{RAILS[column]} rail ({'upper' if row < BREAK else 'lower'} half)"
        return self.build.layout.board.name(end)


def check_table(build: Build, number_of_step: int) -> str:
    """What the meter must read after a step."""
    name = Namer(build)
    rows = ["| measure | must read | if not |", "| --- | --- | --- |"]
    for check in build.steps[number_of_step].checks:
        pairs = [f"{name(a)} to {name(b)}" for a, b in check.pairs]
        ends = {name(b) for _, b in check.pairs}
        if len(ends) == 1 and len(pairs) > 1:
            pairs = [", ".join(name(a) for a, _ in check.pairs) + f", each to {ends.pop()}"]
        rows.append(f"| {', '.join(pairs)} | {limits(check)} | {check.fault} |")
    return "\n".join(rows) + "\n"


def cut_length(start: Hole, end: Hole) -> int:
    """Millimetres of wire between two holes: along rows and columns, 8 mm bare at each end, and
    some slack.
    """
    pitches = abs(start[0] - end[0]) + abs(start[1] - end[1])
    return 10 * math.ceil((2.54 * pitches + 16 + 6) / 10)


def _wires(build: Build) -> dict[str, Wire]:
    return {wire.name: wire for wire in reversed(build.layout.wires)}


def _cut(wire: Wire) -> int:
    assert not isinstance(wire.end, str)
    return cut_length(wire.start, wire.end)


def _longest(build: Build, letter: str) -> int:
    return max(
        _cut(w)
        for w in build.layout.wires
        if w.name[0] == letter and w.line is not None and not isinstance(w.end, str)
    )


def supply_table(build: Build) -> str:
    """The wires P."""
    name = Namer(build)
    rows = ["| wire | for | from | to | cut |", "| --- | --- | --- | --- | --- |"]
    for wire in build.layout.wires:
        if wire.name[0] == "P" and wire.use == "supply":
            start, end = build.layout.board.name(wire.start), build.layout.end_name(wire.end)
            if not name.is_breadboard:
                start, end = name(wire.start), name(wire.end)
            kind = "+5 V" if wire.supply else "ground"
            rows.append(
                f"| {wire.name} | {kind} | {start} | {end} | {_cut(wire)} mm |"
            )
    return "\n".join(rows) + "\n"


def resistor_table(build: Build) -> str:
    """The resistors of each line."""
    part_of = {part.name: part for part in build.layout.parts}
    variant = build.variant
    name = Namer(build)
    values = [(1, SERIES), (2, variant.upper), *([(3, variant.lower)] if variant.lower else [])]
    heads = [f"R{group}0 to R{group}7, {value}" for group, value in values]
    rows = ["| line | " + " | ".join(heads) + " |", "| --- " * (len(heads) + 1) + "|"]
    for n in LINES:
        cells = []
        for group, _ in values:
            holes = part_of[f"R{group}{n}"].holes
            ends = [name(holes["1"]), name(holes["2"])]
            if name.is_breadboard and holes["2"][1] in RAILS:
                ends[1] = build.layout.board.name(holes["2"])
            cells.append(f"{ends[0]} and {ends[1]}")
        rows.append(f"| {n} | " + " | ".join(cells) + " |")
    return "\n".join(rows) + "\n"


def line_table(build: Build) -> str:
    """The wires O, D and B."""
    variant, wires, name = build.variant, _wires(build), Namer(build)
    module = variant.module.name
    letters = [letter for letter in "ODB" if f"{letter}0" in wires]
    heads = {
        "O": "wire O: from the output to U1",
        "D": "wire D: from U1 to its resistor",
        "B": "wire B: from R2n to the readback",
    }
    columns = [
        "line",
        f"{module} output",
        *(heads[k] for k in letters),
        f"{module} readback",
    ]
    rows = ["| " + " | ".join(columns) + " |", "| --- " * len(columns) + "|"]
    for n in LINES:
        cells = [variant.uses[f"OUT{n}"]]
        for wire in (wires[f"{k}{n}"] for k in letters):
            places = f"{name(wire.start)} to {name(wire.end)}"
            if not name.is_breadboard:
                places += f", {_cut(wire)} mm"
            cells.append(places)
        rows.append(f"| {n} | " + " | ".join([*cells, variant.uses[f"BACK{n}"]]) + " |")
    return "\n".join(rows) + "\n"


def dsub_table(build: Build) -> str:
    """The wires L and G."""
    wires, name = _wires(build), Namer(build)
    rows = ["| line | wire L: from | D-sub pin |", "| --- | --- | --- |"]
    rows += [f"| {n} | {name(wires[f'L{n}'].start)} | {DSUB_OF_LINE[n]} |" for n in LINES]
    start = wires["G"].start
    place = build.layout.board.name(start) if name.is_breadboard else name(start)
    return "\n".join(rows) + f"\n\nWire G: from {place} to D-sub pins 18 to 25.\n"


def parts_table(build: Build) -> str:
    """What to have at hand."""
    variant, is_breadboard = build.variant, Namer(build).is_breadboard
    rows = [
        ("A1", f"{variant.module.name} with pins, [flashed](../../README.md#building-one)", "1"),
        (
            "U1",
            f"{DRIVER} in DIP-20, for example CD74ACT541E (order code not confirmed by a second source)",
            "1",
        ),
        ("RN3", "8 × 10 kΩ, nine pins in a row, the first (dot) is common to all", "1"),
        ("R10 to R17", f"{SERIES}, 1 %, 1/4 W: {COLOURS[SERIES]}", "8"),
        ("R20 to R27", f"{variant.upper}, 1 %: {COLOURS[variant.upper]}", "8"),
    ]
    if variant.lower:
        rows.append(("R30 to R37", f"{variant.lower}, 1 %: {COLOURS[variant.lower]}", "8"))
    rows += [
        ("C1", "100 nF, ceramic, legs 2.54 mm apart; either way round", "1"),
        (
            "C2",
            "10 µF, 16 V or more, electrolytic: the long leg is +, the stripe on the can marks −",
            "1",
        ),
        ("J1", "D-sub 25 **socket** with solder cups", "1"),
    ]
    if is_breadboard:
        names = {wire.name for wire in build.layout.wires}
        rows += [
            (
                "",
                "breadboard with 63 rows and two rails at each side (rows 58 to 63 stay empty)",
                "1",
            ),
            ("", f"solid wire, 0.6 mm: {len(names)} pieces, {_metres(build)} in all", ""),
        ]
    else:
        rows += [
            ("", "stripboard, 34 strips of 52 holes or more, 2.54 mm", "1"),
            ("", "socket strips, 20 holes, for the Pico; DIP-20 socket for U1", "2; 1"),
            ("", f"insulated wire, 0.6 mm: {_metres(build)} in all; bare wire, {_bare()} cm", ""),
        ]
    rows.append(("", "heat-shrink sleeve, 2.4 mm: 9 pieces of 10 mm; a cable tie", ""))
    text = ["| part | value | pieces |", "| --- | --- | --- |"]
    return "\n".join([*text, *(f"| {a} | {b} | {c} |" for a, b, c in rows)]) + "\n"


def _metres(build: Build) -> str:
    named = {w.name: w for w in build.layout.wires if not isinstance(w.end, str)}
    length = sum(_cut(w) for w in named.values()) + 9 * 200
    return f"{math.ceil(length / 500) / 2:g} m"


def _bare() -> int:
    """Centimetres of bare wire on stripboard: P8, and the eight cups of ground, 2.77 mm apart."""
    bus = [w for w in on_stripboard.plan().wires if w.use == "bus"]
    return math.ceil((2.54 * len(bus) + 2.77 * 7 + 2 * 5) / 10)


POWER_UP = """\
Look once more with a lens: C2's stripe at {minus}, U1's notch {notch}, the USB socket of the {module} {usb}.

1. Nothing on the D-sub. Plug the USB cable. {supply} must read 4.4 to 5.25 V (meter on DC volts), D-sub pins 2 to 9 against pin 25 under 0.1 V.
   If anything gets warm, pull the cable. Less, or nothing: pull the cable, and repeat the table of step 1.
2. Install the program if it is not there ([README](../../README.md#from-the-source-two-commands)), and run the self-test. It drives every code and reads it back
   through R20 to R27:

       tallymark selftest

   It does not see a readback wire in the row of its line, nor a wrong D-sub pin: that is what the meter was for. To see first what it says of a wire that is missing (line 3), without any hardware:

       tallymark selftest --box "virtual://?time=stepped&fault=open:3"

3. `tallymark set 255`, and read 4.1 V or more on D-sub pins 2 to 9 (meter against pin 25); then `tallymark idle`, and under 0.1 V.
4. If you have a second USB board or a logic analyser: [acceptance](../ACCEPTANCE.md), which measures lines, widths and times from outside, and
   leaves a record.
5. Read [power order](BREADBOARD.md#power-order). Only then a receiver.
"""

BREADBOARD = """\
# The box on a breadboard, with a {module}

{caution}
![Breadboard with a {module}]({file}.svg)

To print, on A4: [{file}.pdf]({file}.pdf). What it is and what it is not: [BREADBOARD.md](BREADBOARD.md). About two hours with the meter.

## You need

{parts}
Tools: wire stripper, side cutter, flat pliers, a meter with ohms and DC volts, a soldering iron (350 °C) and 0.8 mm solder for the D-sub, hot air
for the sleeves, a lens, safety glasses.

## How to read this page

- `a1` is column a, row 1. In each row a to e are joined, and so are f to j. The drawing is seen from above, the USB socket at the top.
- Wires have a letter and the number of their line: **O** output of the {module} to the driver, **D** driver to resistor, **L** line to the D-sub, **B** readback,
  **P** supply and ground, **G** ground of the D-sub. Colours are free; those of the drawing are easier to follow.
- Rails: go by their sign, + or −, not by their side; on some boards they are exchanged. A hole of the same half near that row will do.
- "Cut" is the length of the wire; strip 8 mm at each end.

{metering}
## Step 1: supply

**U1 and the {module} stay in their bags until step 5.** C1 into h24 and h25. C2 into the right + rail (long leg) and the right − rail (stripe), row 27:
an ohmmeter does not notice a C2 that is the wrong way round, and it can burst; look twice. Then:

{supply_table}
{bridges}

{check1}
## Step 2: resistors

RN3 with its dot in **b24**, the others down to b32. Each {series} lies from column d to column g, over the gap. Each {upper} stands upright in column b.{lower_words}

{resistors}
{check2}
## Step 3: wires O, D and B

Cut O to {o} mm, D to {d} mm, B to {b} mm: the longest of each; shorter ones are better.

{lines}
{check3}
## Step 4: D-sub

{solder}
Cut L to 200 mm and G to 200 mm, strip 8 mm at the end for the breadboard.

{dsub}
{check4}
## Step 5: U1 and the {module}

U1 with pin 1 in **e24** and pin 20 in **f24**, notch up. {module} with pin 1 ({pin1_name}) in **{pin1}** and {corner} in **{corner_hole}**, USB socket beyond row 1. Press evenly, no leg may fold.

## First power-up

{power_up}"""

STRIPBOARD = """\
# The box on stripboard, with a Pico

{caution}
![Side of the parts](stripboard-parts.svg)

![Copper side](stripboard-copper.svg)

To print, on A4: [stripboard.pdf](stripboard.pdf). What it is and what it is not: [BREADBOARD.md](BREADBOARD.md). An afternoon. Each line has a strip of its
own: driver, {series}, tap for the D-sub, {upper}, tap for the readback, {lower}, ground, with a cut under each resistor.

## You need

{parts}
Tools: a drill of 3 to 4 mm in a hand vice for the cuts, side cutter, wire stripper, soldering iron (350 °C) and 0.8 mm solder, hot air
for the sleeves, a meter, a lens, a knife, safety glasses.

## How to read this page

- `22/28` is strip 22, hole 28, both counted as printed on the drawings; holes count from the left on the side of the parts.
- Wires have a letter and the number of their line: **O** output, **L** line to the D-sub, **B** readback; **P** supply and ground, **G** ground of the D-sub.
  P8 is a bare wire on the **copper** side, down hole 1, soldered at strips 22 to 29 and at no other. All others are insulated, lie on the side
  of the parts and go straight up and down.
- "Cut" is the length of the wire; strip 8 mm at each end.

**Meter.** Ohms, USB plug out, no receiver, U1 and Pico not in their sockets. Probes on solder joints. Hold the probes together first and note what the meter reads.

## Step 1: cuts, sockets, supply

Make the {cuts} cuts from the copper side, and measure across each: no reading at all. Run the knife between neighbouring strips. Solder the sockets, C1 (30/26 and 31/26),
C2 (33/37 with the long leg, 34/37 with the stripe; an ohmmeter does not notice a C2 that is the wrong way round, and it can burst), P8, and:

{supply_table}
{check1}
## Step 2: resistors

RN3 with its dot in **22/32**, the others down to 30/32.

{resistors}
{check2}
## Step 3: wires O and B

The length is where to cut the wire.

{lines}
{check3}
## Step 4: D-sub

{solder}
Cut L and G to 200 mm.

{dsub}
{check4}
## Step 5: U1 and the Pico

U1 with its notch **down**, pin 1 at {u1}. Pico with its USB socket up, beyond strip 1.

## First power-up

{power_up}
## With a Nano

There is no plan for a Nano on stripboard: its outputs, two of its readback pins and its supply come out on other sides than those of a Pico, so that it needs
a layout of its own, which nobody has drawn and checked yet. Build it on a [breadboard](NANO.md), or take the board.
"""


def _power_up(build: Build) -> str:
    module = build.variant.module.name
    words = (
        {"minus": "the − rail", "notch": "up, at row 24", "usb": "beyond row 1", "supply": "+ rail to − rail"}
        if Namer(build).is_breadboard
        else {"minus": "strip 34", "notch": "down", "usb": "beyond strip 1", "supply": "Strip 33 to strip 34"}
    )  # fmt: skip
    return POWER_UP.format(module=module, **words)


def page(build: Build, file: str) -> str:
    """The whole page of one build."""
    variant, layout = build.variant, build.layout
    module = variant.module
    common = {
        "caution": CAUTION,
        "parts": parts_table(build),
        "supply_table": supply_table(build),
        "resistors": resistor_table(build),
        "lines": line_table(build),
        "dsub": dsub_table(build),
        "solder": SOLDER_DSUB,
        "series": SERIES,
        "upper": variant.upper,
        "lower": variant.lower,
        "power_up": _power_up(build),
        **{f"check{n + 1}": check_table(build, n) for n in range(4)},
    }
    part_of = {part.name: part for part in layout.parts}
    if not Namer(build).is_breadboard:
        u1 = part_of["U1"].holes["1"]
        return STRIPBOARD.format(cuts=len(on_stripboard.cuts()), u1=f"{u1[0]}/{u1[1]}", **common)
    corner = next(p for p in range(1, 41) if module.usb_up(p) == (1, 1))
    bridges = [w.name for w in layout.wires if w.name[0] == "P" and w.start[0] == 29]
    across = [w.name for w in layout.wires if w.name[0] == "P" and w.start[0] in (54, 55)]
    words = (
        f"{', '.join(bridges[:-1])} and {bridges[-1]} bridge the gap that many boards have in the middle of each rail (on a board without a gap they do no harm); "
        f"{' and '.join(across)} join{'s' if len(across) == 1 else ''} the rails of both sides."
    )
    if not variant.lower:
        lower_words = ""
    else:
        lower_words = f" Each {variant.lower} lies from column a to the left − rail."
    return BREADBOARD.format(
        module=module.name,
        file=file,
        metering=METERING,
        bridges=words,
        lower_words=lower_words,
        o=_longest(build, "O"),
        d=_longest(build, "D"),
        b=_longest(build, "B"),
        pin1=layout.board.name(part_of["A1"].holes["1"]),
        pin1_name=module.pin_names[0],
        corner=module.pin_names[corner - 1],
        corner_hole=layout.board.name(part_of["A1"].holes[str(corner)]),
        **common,
    )


def pages() -> dict[str, str]:
    """Every page by its file name."""
    names = {
        "breadboard, Pico": "pico",
        "breadboard, Nano": "nano",
        "stripboard, Pico": "stripboard",
    }
    return {
        f"{names[name].upper()}.md": page(build, names[name])
        for name, build in build_steps.builds().items()
    }
