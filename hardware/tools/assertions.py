"""What KiCad's own rule checks can't see, asserted on the netlist. Each check returns its findings
as sentences.
"""

from __future__ import annotations

import re

from kicad import Netlist, Part

DRIVERS = {"output", "tri_state", "power_out"}
SOURCES = DRIVERS | {"bidirectional", "open_collector"}
GROUNDS = {"GND", "GNDI"}


def _is_resistor(part: Part) -> bool:
    return re.fullmatch(r"R[NV]?\d+", part.reference) is not None


def _is_capacitor(part: Part) -> bool:
    return re.fullmatch(r"C\d+", part.reference) is not None


def _is_led(part: Part) -> bool:
    return part.symbol.endswith(":LED")


def _resistor_neighbours(netlist: Netlist, net: str) -> set[str]:
    """Nets one resistor away. A pack pairs its pins n and 17 - n, a bussed network joins pin 1 with
    each other.
    """
    found: set[str] = set()
    for pin in netlist.nets[net]:
        part = netlist.parts[pin.part]
        if not _is_resistor(part):
            continue
        pins = netlist.nets_of(part.reference)
        if "R_Pack08" in part.symbol:
            found.add(pins[str(17 - int(pin.number))])
        elif "R_Network08" in part.symbol:
            found |= set(pins.values()) if pin.number == "1" else {pins["1"]}
        else:
            found |= set(pins.values())
    return found - {net}


def two_outputs_on_a_net(netlist: Netlist) -> list[str]:
    """Outputs tied together, three-state ones included: nothing on these boards ever shares a net
    in turns.
    """
    problems = []
    for name, pins in netlist.nets.items():
        outputs = [f"{p.part}.{p.number}" for p in pins if p.kind in DRIVERS]
        if len(outputs) > 1:
            problems.append(f"{name} has {len(outputs)} outputs: {', '.join(outputs)}")
    return problems


def floating_inputs(netlist: Netlist) -> list[str]:
    """Inputs that nothing drives, neither directly nor through resistors."""

    def has_source(net: str) -> bool:
        return net in GROUNDS or any(pin.kind in SOURCES for pin in netlist.nets[net])

    problems = []
    for name, pins in netlist.nets.items():
        inputs = [f"{p.part}.{p.number}" for p in pins if p.kind == "input"]
        reached, todo = {name}, [name]
        while inputs and todo:
            found = _resistor_neighbours(netlist, todo.pop()) - reached
            reached |= found
            todo += found
        if inputs and not any(has_source(net) for net in reached):
            problems.append(f"{name}: nothing drives {', '.join(inputs)}")
    return problems


def undefined_at_boot(netlist: Netlist) -> list[str]:
    """Nets from the USB board to a driver or isolator that have no resistor to hold them while the
    board boots.
    """
    return [
        f"{name} has no resistor that holds it while the USB board boots"
        for name, pins in netlist.nets.items()
        if name.startswith("OUT")
        and not any(netlist.parts[pin.part].symbol.endswith("R_Network08") for pin in pins)
    ]


def supplies_without_capacitor(netlist: Netlist) -> list[str]:
    """Supply pins of integrated circuits whose net has no capacitor to a ground."""
    problems = []
    for name, pins in netlist.nets.items():
        if name in GROUNDS:
            continue
        chips = [
            f"{p.part}.{p.number}" for p in pins if p.kind == "power_in" and p.part.startswith("U")
        ]
        capacitors = [
            p.part
            for p in pins
            if _is_capacitor(netlist.parts[p.part])
            and GROUNDS & set(netlist.nets_of(p.part).values())
        ]
        if len(capacitors) < len(chips):
            problems.append(
                f"{name} feeds {', '.join(chips)} with only {len(capacitors)} capacitor(s)"
            )
    return problems


def leds_without_resistor(netlist: Netlist) -> list[str]:
    """LEDs of which neither end meets one resistor and nothing else."""
    problems = []
    for part in netlist.parts.values():
        if not _is_led(part):
            continue
        ends = [netlist.nets[net] for net in netlist.nets_of(part.reference).values()]
        in_series = any(
            len(pins) == 2 and any(_is_resistor(netlist.parts[p.part]) for p in pins)
            for pins in ends
        )
        if not in_series:
            problems.append(f"{part.reference} has no resistor of its own in series")
    return problems


def domains(netlist: Netlist, barrier: set[str]) -> tuple[set[str], set[str]]:
    """Nets reached from GND and from GNDI through any part outside the `barrier`."""

    def reach(start: str) -> set[str]:
        seen, todo = {start}, [start]
        while todo:
            for pin in netlist.nets[todo.pop()]:
                if pin.part in barrier:
                    continue
                for net in netlist.nets_of(pin.part).values():
                    if net not in seen:
                        seen.add(net)
                        todo.append(net)
        return seen

    return reach("GND"), reach("GNDI")


def bridged_isolation(netlist: Netlist, barrier: set[str]) -> list[str]:
    """Nets that a part other than the isolators and the converter ties to both sides of the
    barrier.
    """
    computer, receiver = domains(netlist, barrier)
    return [f"{net} belongs to both sides of the barrier" for net in sorted(computer & receiver)]


CHECKS = (
    two_outputs_on_a_net,
    floating_inputs,
    undefined_at_boot,
    supplies_without_capacitor,
    leds_without_resistor,
)
