"""What is committed beside the sources is what the sources give."""

from __future__ import annotations

import pytest

import bill
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
