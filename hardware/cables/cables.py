"""The cables: what each joins, the settings that go with it, and what proves it."""

from __future__ import annotations

from dataclasses import dataclass

from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES
from spice_netlist import SERIES_OHM


@dataclass(frozen=True)
class Core:
    """One wire of a cable. `through` is what it passes: a transistor, or nothing."""

    line: int | None
    box: str
    receiver: str
    through: str = ""


@dataclass(frozen=True)
class Cable:
    """One cable, with all that is said of it."""

    name: str
    title: str
    receiver: str
    purpose: str
    cores: tuple[Core, ...]
    input_kind: str
    """How the receiver's input is drawn: plain, pull-up, high-impedance or opto."""
    settings: str
    notes: tuple[str, ...]
    walk: str
    watch: str
    fault: str
    """A fault that this cable commonly has, as the virtual box takes it."""
    check: str


GROUND_CORE = Core(None, f"{DSUB_GROUNDS[0]} to {DSUB_GROUNDS[-1]}", "18 to 25")
STRAIGHT = (*(Core(n, DSUB_OF_LINE[n], DSUB_OF_LINE[n]) for n in LINES), GROUND_CORE)
WALK_ALL = "tallymark play walk.csv"

CABLES = (
    Cable(
        "straight", "Straight cable, 25-way", "receiver: D-sub 25 in parallel-port order",
        "Receivers with eight TTL inputs on pins 2 to 9 that count a high level as active.",
        STRAIGHT, "plain", "idle=low lines=0-7 width_us=5ms",
        (
            "All 25 wires one to one. The box leaves pins 1 and 10 to 17 open.",
            "Up to 10 m drives a TTL input; keep it under 2 m where you can.",
        ),
        WALK_ALL, "the receiver shows 1, 2, 4, 8, 16, 32, 64, 128, each for half a second. Codes that come out doubled: the receiver counts from pin 1, make an adapter (PINMAP, layout B)",
        "bridged-or:1,4", "tallymark check recording.bdf session.log",
    ),
    Cable(
        "open-collector", "Cable for open-collector inputs", "receiver: D-sub 25, inputs with pull-ups",
        "Receivers that give each input a pull-up to their own supply, 5 to 24 V, and want it pulled to ground by a transistor. Never join the box to 12 or 24 V itself: the transistors stand between.",
        (*(Core(n, DSUB_OF_LINE[n], DSUB_OF_LINE[n], "transistor") for n in LINES), GROUND_CORE),
        "pull-up", "idle=low lines=0-7 width_us=5ms",
        (
            "Eight 2N7000 in the shell of the plug or a small case: gate to the box, drain to the receiver, source to ground. 100 kΩ from each gate to ground keeps them off while the box is unplugged.",
            "The transistors turn the level over: idle stays low at the box, the receiver sees low while a line is active.",
            "Pull-up of the receiver: at least 120 Ω at 5 V or 560 Ω at 24 V, so that a transistor carries 45 mA at most. Its datasheet promises 0.4 V at 75 mA with 4.5 V at the gate. Makers differ in the order of the legs: look yours up.",
        ),
        WALK_ALL, "the pin at the far end falls under 0.4 V while its line is active, and is at the receiver's supply otherwise. At the box, the self-test must be fine: the inversion is behind it",
        "stuck-low:3", "tallymark check recording.bdf session.log --active low",
    ),
    Cable(
        "active-low", "Straight cable for active-low inputs", "receiver: D-sub 25, active-low inputs",
        "Receivers whose inputs rest high, through pull-ups to 5 V, and count a low level as active.",
        STRAIGHT, "pull-up", "idle=high lines=0-7 width_us=5ms",
        (
            "The same cable as the straight one: the box turns the level over. Label it with its setting.",
            "Board: JP2 at 2-3, so that the lines rest high from the start; the receiver on first, then the box; off in the reverse order. A box that is on feeds a receiver that is off.",
            "JP2 as made: every input is active until the box has read its settings. A breadboard has JP2 as made, and no power-off protection: see its page.",
        ),
        WALK_ALL, "the pin at the far end falls under 0.8 V while its line is active, and is over 2 V otherwise",
        "stuck-low:0", "tallymark check recording.bdf session.log --active low",
    ),
    Cable(
        "bnc", "Single line to BNC", "receiver: BNC input",
        "Receivers with one trigger input: line 0 goes to the centre, ground to the outside.",
        (Core(0, "2", "centre"), Core(None, "18", "outside")), "high-impedance",
        "idle=low lines=0 width_us=5ms",
        (
            "Only codes 0 and 1 are possible now; the box refuses others. The receiver learns when, not what: keep the marker log.",
            f"Switch a 50 Ω termination off. The box has {SERIES_OHM:.0f} Ω in each line; into 50 Ω it gives 0.5 to 0.7 V, which nothing takes for a high.",
        ),
        "tallymark pulse 1 --width 500ms --count 5 --every 1s", "the input follows: half a second on, half a second off, five times, over 2 V and under 0.8 V",
        "open:0", "tallymark check recording.bdf session.log --lines 0",
    ),
    Cable(
        "opto", "Straight cable to opto-coupled inputs", "receiver: D-sub 25, opto-couplers",
        "Receivers that isolate each input with an opto-coupler whose LED the box has to feed.",
        STRAIGHT, "opto", "idle=low lines=0-7 width_us=10ms gap_us=5ms",
        (
            "The LED of the coupler gets 4.7 mA or more behind 390 Ω. A coupler that needs 10 mA is not driven: it may work on the bench and fail when warm.",
            "Couplers are slow, and slower to switch off: 10 ms wide with 5 ms between suits common ones. Measure with the walk, then make it shorter.",
            "If all anodes go to the receiver's own 5 V, an input is active when the box pulls it low: use idle=high and --active low.",
        ),
        WALK_ALL, "each bit comes on within a millisecond and goes off again. A bit that stays dark: measure the current in its wire, at least 3 mA",
        "slow:0,50us,400us", "tallymark check recording.bdf session.log",
    ),
)  # fmt: skip
