"""Committed derived files equal what the sources generate."""

from __future__ import annotations

import re

import pytest

import bill
import downloads
import kicad
import line_measurements
import spice_netlist


def test_downloads_are_those_of_the_sources() -> None:
    assert downloads.stale() == []


def test_a_changed_source_makes_the_downloads_stale(plant) -> None:
    changed = plant(
        "tallymark.kicad_sch",
        lambda text: text.replace("8 × 330", "8 × 331", 1),
    )
    assert any(
        "tallymark.kicad_sch" in problem for problem in downloads.stale(sources=changed.parent)
    )


def test_the_bill_of_materials_is_that_of_the_schematic(tmp_path) -> None:
    bill.write(tmp_path, tmp_path / "BOM.md")
    assert (kicad.HARDWARE / "BOM.md").read_text() == (tmp_path / "BOM.md").read_text()


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_every_part_of_the_bill_has_its_fields(netlists, variant) -> None:
    for part in netlists[variant].parts.values():
        if part.in_bom:
            assert part.footprint
            names = ("Function", "Maker", "MPN", "Alternative", "Code checked", "Price")
            assert all(part.fields.get(name) for name in names), part.reference


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_one_order_code_is_one_part(netlists, variant) -> None:
    """Parts with one order code have one value and one package, and the other way round."""
    kinds: dict[str, set[tuple[str, str]]] = {}
    codes: dict[tuple[str, str], set[str]] = {}
    for part in netlists[variant].parts.values():
        if part.in_bom and not part.symbol.endswith(":LED"):
            kind = (part.value, part.footprint)
            kinds.setdefault(part.fields["MPN"], set()).add(kind)
            codes.setdefault(kind, set()).add(part.fields["MPN"])
    assert all(len(found) == 1 for found in (*kinds.values(), *codes.values()))


def test_the_isolated_supply_has_the_pins_of_the_library(netlists) -> None:
    """The converter that the bill names is the symbol and the footprint that KiCad has of it."""
    part = netlists["isolated"].parts["U8"]
    assert part.symbol.split(":")[1] == part.fields["MPN"].replace(" ", "")
    assert part.fields["MPN"].replace(" ", "").split("-")[0] in part.footprint
    pins = netlists["isolated"].nets_of("U8")
    assert pins == {"1": "+5V", "2": "GND", "6": "GNDI", "7": "+5VI"}


def test_a_supply_with_another_pinout_is_caught(plant, tmp_path) -> None:
    """A symbol with input and output exchanged: KiCad's own check sees two supplies joined."""

    def swap(text: str) -> str:
        place = r'(\(lib_id "Converter_DCDC:TRI1-0511"\) \(at [\d.]+ [\d.]+) 0\)'
        return re.sub(place, r"\1 180)", text)

    path = plant("isolated.kicad_sch", swap)
    assert kicad.violations("sch", path, tmp_path)


def test_simulated_figures_are_those_of_the_run(tmp_path) -> None:
    """One case run again: its levels are in the committed table."""
    receiver = next(r for r in spice_netlist.RECEIVERS if r.key == "pull1k")
    case = line_measurements.Case(receiver, 2.0, 4.5, "one")
    result = line_measurements.measure(case, tmp_path)
    row = next(
        text
        for text in (kicad.HARDWARE / "simulation/RESULTS.md").read_text().splitlines()
        if text.startswith(f"| {receiver.name} | 2.0 m |")
    )
    assert f"{result.high:.2f} V" in row


def test_simulated_shorts_stay_within_the_ratings(tmp_path) -> None:
    shorts = line_measurements.shorts(tmp_path)
    verdicts = {(s.driver.name, s.all_lines): s.allowed() for s in shorts}
    assert verdicts[spice_netlist.VHCT.name, True]
    assert verdicts[spice_netlist.VHCT.name, False]
    assert not verdicts[spice_netlist.VHCT_ALONE.name, True]


def test_a_measurement_that_ngspice_does_not_give_is_an_error(tmp_path) -> None:
    circuit_text = "* no such node\nV1 a 0 1\nR1 a 0 1k\n.tran 1n 10n\n"
    deck = circuit_text + ".meas tran high FIND v(nowhere) AT=5n\n.end\n"
    with pytest.raises(RuntimeError, match="did not give high"):
        line_measurements.ngspice(deck, tmp_path / "deck.cir", {"high"})


def test_every_page_has_the_line_resistor_of_the_board(netlists) -> None:
    """Words on the resistor of a line, in the texts that are written by hand."""
    value = netlists["tallymark"].parts["RN1"].value.split("× ")[1]
    pages = [
        p
        for p in kicad.HARDWARE.rglob("*.md")
        if "bench: hang" in p.read_text() or "in each line" in p.read_text()
    ]
    assert len(pages) >= 2
    for page in pages:
        found = re.findall(r"(\d+ Ω) (?:in each line|and 100 nF)", page.read_text())
        assert set(found) <= {value}, page
