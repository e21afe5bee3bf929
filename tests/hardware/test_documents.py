"""What is committed beside the sources is what the sources give."""

from __future__ import annotations

import math

import pytest

import bill
import breadboard
import circuit
import downloads
import kicad
import line


def test_downloads_are_those_of_the_sources() -> None:
    assert downloads.stale() == []


def test_a_changed_source_makes_the_downloads_stale(plant) -> None:
    changed = plant(
        "tallymark.kicad_sch",
        lambda text: text.replace('"270', '"271', 1).replace("8 × 270", "8 × 271", 1),
    )
    assert any(
        "tallymark.kicad_sch" in problem for problem in downloads.stale(sources=changed.parent)
    )


def test_the_bill_of_materials_is_that_of_the_schematic(tmp_path) -> None:
    bill.write(tmp_path, tmp_path / "BOM.md")
    assert (kicad.HARDWARE / "BOM.md").read_text() == (tmp_path / "BOM.md").read_text()


def test_the_breadboard_drawing_is_that_of_the_circuit(netlists) -> None:
    """Every wire joins holes of one line, as the nets of the board do."""
    netlist = netlists["tallymark"]
    numbers = {"Pico": "A1", "U1": "U1", "RN1": "RN1", "D-sub": "J1"}
    names = {
        pin.name: pin.number for pins in netlist.nets.values() for pin in pins if pin.part == "A1"
    }
    wires = breadboard.wires()
    assert len(wires) == 24
    for line_number, start, end, _ in wires:
        for place in (start, end):
            part, *_, pin = place.split()
            net = netlist.net_of(numbers[part], names.get(pin, pin))
            assert int(net[-1]) == line_number
    assert (kicad.HARDWARE / "breadboard.svg").read_text() == breadboard.draw()


def test_no_line_of_the_breadboard_drawing_looks_like_a_supply_wire() -> None:
    def rgb(colour: str) -> list[int]:
        return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]

    for number, colour in enumerate(breadboard.COLOURS):
        for other in (breadboard.RED, breadboard.BLUE, "#000000", *breadboard.COLOURS[:number]):
            assert math.dist(rgb(colour), rgb(other)) > 60
    rails = [breadboard.UPPER_5V, breadboard.UPPER_GND, breadboard.LOWER_5V, breadboard.LOWER_GND]
    for _, _, _, corners in breadboard.wires():
        for _, y in corners:
            here = (y - breadboard.TOP) / breadboard.PITCH
            assert all(abs(here - rail) > 0.5 for rail in rails)


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_every_part_of_the_bill_has_its_fields(netlists, variant) -> None:
    for part in netlists[variant].parts.values():
        if part.in_bom:
            assert part.footprint
            assert all(part.fields.get(name) for name in ("Function", "Price", "Alternatives"))


def test_simulated_figures_are_those_of_the_run(tmp_path) -> None:
    """One case run again: its levels are in the committed table."""
    receiver = next(r for r in circuit.RECEIVERS if r.key == "pull1k")
    case = line.Case(receiver, 2.0, 4.5, "one")
    result = line.measure(case, tmp_path)
    row = next(
        text
        for text in (kicad.HARDWARE / "simulation/RESULTS.md").read_text().splitlines()
        if text.startswith(f"| {receiver.name} | 2.0 m |")
    )
    assert f"{result.high:.2f} V" in row


def test_simulated_shorts_stay_within_the_ratings(tmp_path) -> None:
    verdicts = {(s.driver.name, s.series, s.all_lines): s.allowed() for s in line.shorts(tmp_path)}
    assert verdicts["74ACT541", 270.0, True]
    assert verdicts["74ACT541", 270.0, False]
    assert not verdicts["74AHCT541", 270.0, True]


def test_a_measurement_that_ngspice_does_not_give_is_an_error(tmp_path) -> None:
    circuit_text = "* no such node\nV1 a 0 1\nR1 a 0 1k\n.tran 1n 10n\n"
    deck = circuit_text + ".meas tran high FIND v(nowhere) AT=5n\n.end\n"
    with pytest.raises(RuntimeError, match="did not give high"):
        line.ngspice(deck, tmp_path / "deck.cir", {"high"})
