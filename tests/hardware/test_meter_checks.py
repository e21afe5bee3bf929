"""The meter checks of the building pages: the right board passes each at its step, and no slip of one
wire or one resistor passes them all.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest

import build_steps
import layout
import meter
import on_breadboard

BUILDS = build_steps.builds()
OTHER_RAIL = {-4: -3, -3: -4, 16: 17, 17: 16}
VALUES = ("330 Ω", "1 kΩ", "2.2 kΩ", "4.7 kΩ")


def test_the_meter_follows_resistors_in_series_and_side_by_side() -> None:
    """A bridge of five resistors that no series and parallel rule solves: 1, 2, 3, 4 and 5 kΩ."""
    ends = {1: ("A", "B"), 2: ("A", "C"), 3: ("B", "D"), 4: ("C", "D"), 5: ("B", "C")}
    rows = {"A": 1, "B": 5, "C": 10, "D": 15}
    parts = [
        layout.Part(f"R{k}", f"{k} kΩ", "resistor", {"1": (rows[a], k % 5), "2": (rows[b], k % 5)})
        for k, (a, b) in ends.items()
    ]
    built = layout.Layout(on_breadboard.Breadboard(), parts, [])
    # by hand, 1 V from A to D: B is at 63/85 V and C at 58/85 V, so that 71/170 mA flow
    reads = meter.Meter(built).ohms
    assert reads((1, 1), (15, 1)) == pytest.approx(170e3 / 71)
    assert reads((1, 1), (1, 4)) == 0.0
    assert reads((1, 1), (20, 1)) == math.inf


@pytest.mark.parametrize("name", BUILDS)
def test_the_right_board_passes_every_check_at_its_step(name) -> None:
    build = BUILDS[name]
    assert build_steps.failures(build, build.layout) == []
    placed = build_steps.after(build, build.layout, len(build.steps) - 1)
    left = {part.name for part in build.layout.parts} - {part.name for part in placed.parts}
    assert left == {"A1", "U1"}, "they come last, in a step of their own"
    assert len(placed.wires) == len(build.layout.wires)


@pytest.mark.parametrize("name", BUILDS)
def test_every_check_is_made_where_a_probe_can_go(name) -> None:
    """On a breadboard a probe needs an empty hole, and a hole of U1 or the USB board is empty then."""
    build = BUILDS[name]
    if name.startswith("stripboard"):
        return  # joints of solder take a probe at any time
    for number, step in enumerate(build.steps):
        placed = build_steps.after(build, build.layout, number)
        taken = {hole for part in placed.parts for hole in part.holes.values()}
        taken |= {end for wire in placed.wires for end in (wire.start, wire.end)}
        for check in step.checks:
            probes = {end for pair in check.pairs for end in pair if not isinstance(end, str)}
            assert not probes & taken, (step.title, check.what)


def _moved(end: layout.End, by: int) -> layout.End | None:
    """The next hole of the column, the rail of the other sign, or the next pin of the D-sub."""
    if isinstance(end, str):
        return str(int(end) + by)
    if end[1] in OTHER_RAIL:
        return end[0], OTHER_RAIL[end[1]]
    return (end[0] + by, end[1]) if 1 <= end[0] + by <= on_breadboard.ROWS else None


def slips(built: layout.Layout) -> Iterator[tuple[str, layout.Layout]]:
    """Every board with one wire or one resistor forgotten, one hole off, or of another value."""
    for at, wire in enumerate(built.wires):
        others = built.wires[:at], built.wires[at + 1 :]
        yield f"no {wire.name}", replace(built, wires=others[0] + others[1])
        for by in (-1, 1):
            for which in ("start", "end"):
                if (end := _moved(getattr(wire, which), by)) is not None:
                    wrong = replace(wire, **{which: end})
                    yield (
                        f"{wire.name} at {end}",
                        replace(built, wires=[*others[0], wrong, *others[1]]),
                    )
    for at, part in enumerate(built.parts):
        if not part.name.startswith("R"):
            continue
        front, rest = built.parts[:at], built.parts[at + 1 :]
        yield f"no {part.name}", replace(built, parts=front + rest)
        changed = []
        if part.kind == "sip":
            turned = {str(10 - int(pin)): hole for pin, hole in part.holes.items()}
            changed.append(replace(part, holes=turned))
            for by in (-1, 1):
                shifted = {pin: (row + by, column) for pin, (row, column) in part.holes.items()}
                changed.append(replace(part, holes=shifted))
        else:
            changed += [replace(part, value=value) for value in VALUES if value != part.value]
            for pin in ("1", "2"):
                for by in (-1, 1):
                    changed.append(
                        replace(part, holes=part.holes | {pin: _moved(part.holes[pin], by)})
                    )
        for wrong in changed:
            yield (
                f"{part.name}: {wrong.value} {wrong.holes}",
                replace(built, parts=[*front, wrong, *rest]),
            )


@pytest.mark.parametrize("name", [name for name in BUILDS if name.startswith("breadboard")])
def test_no_slip_passes_every_check(name) -> None:
    build = BUILDS[name]
    tried = dict(slips(build.layout))
    assert len(tried) > 300
    missed = [
        slip
        for slip, wrong in tried.items()
        if wrong.nets() != build.layout.nets() or "Ω" in slip
        if not build_steps.failures(build, wrong)
    ]
    assert missed == []


def test_a_readback_wire_in_the_row_of_its_line_is_found() -> None:
    """It would put 5 V on a pin that stands 3.6 V; the self-test could not tell."""
    build = BUILDS["breadboard, Pico"]
    wires = [
        replace(w, start=(w.start[0] - 1, w.start[1])) if w.name == "B0" else w
        for w in build.layout.wires
    ]
    found = build_steps.failures(build, replace(build.layout, wires=wires))
    assert "step 3, wires B" in found


def test_two_exchanged_wires_are_found() -> None:
    build = BUILDS["breadboard, Nano"]
    for letter in "ODLB":
        first, second = (
            next(w for w in build.layout.wires if w.name == f"{letter}{n}") for n in (2, 5)
        )
        swapped = [
            replace(w, end={first.name: second.end, second.name: first.end}.get(w.name, w.end))
            for w in build.layout.wires
        ]
        assert build_steps.failures(build, replace(build.layout, wires=swapped)), letter
