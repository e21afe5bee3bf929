"""KiCad's own checks, ours, and each of ours against a planted fault."""

from __future__ import annotations

import math
import re
from zipfile import ZipFile

import pytest

import assertions
import fabrication
import kicad
import pcb_geometry
import sexpr
from kicad import SOURCES


def without(text: str, *references: str) -> str:
    """The schematic without some parts."""
    top = sexpr.parse(text)

    def reference(node: sexpr.Node) -> str:
        properties = sexpr.children(node, "property")
        return next((str(p[2]).strip('"') for p in properties if p[1] == '"Reference"'), "")

    kept = [
        n
        for n in top
        if not (isinstance(n, list) and n[0] == "symbol" and reference(n) in references)
    ]
    return sexpr.dump(kept)


@pytest.mark.parametrize("variant", kicad.VARIANTS)
@pytest.mark.parametrize(("kind", "suffix"), [("sch", "kicad_sch"), ("pcb", "kicad_pcb")])
def test_kicad_finds_nothing(variant, kind, suffix, tmp_path) -> None:
    assert kicad.violations(kind, SOURCES / f"{variant}.{suffix}", tmp_path) == []


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_no_severity_is_lowered_and_nothing_excluded(variant) -> None:
    settings = (SOURCES / f"{variant}.kicad_pro").read_text()
    assert "rule_severities" not in settings
    assert "exclusions" not in settings


@pytest.mark.parametrize("variant", kicad.VARIANTS)
@pytest.mark.parametrize("check", assertions.CHECKS)
def test_our_assertions_hold(netlists, variant, check) -> None:
    assert check(netlists[variant]) == []


def test_two_outputs_on_a_net_are_caught(plant, tmp_path) -> None:
    path = plant("tallymark.kicad_sch", lambda t: t.replace('(label "DRV1"', '(label "DRV0"', 1))
    assert assertions.two_outputs_on_a_net(kicad.read_netlist(path, tmp_path)) == [
        "DRV0 has 2 outputs: U1.17, U1.18"
    ]


def test_a_floating_input_is_caught(plant, tmp_path) -> None:
    def cut(text: str) -> str:
        # the label at the driver, not those at the USB boards or the pull-down
        places = [m.start() for m in re.finditer(r'\(label "OUT5"', text)]
        at = places[2]
        return text[:at] + text[at:].replace('"OUT5"', '"CUT"', 1)

    netlist = kicad.read_netlist(plant("tallymark.kicad_sch", cut), tmp_path)
    assert assertions.floating_inputs(netlist) == ["CUT: nothing drives U3.3"]


def test_a_missing_pull_down_is_caught(plant, tmp_path) -> None:
    netlist = kicad.read_netlist(plant("isolated.kicad_sch", lambda t: without(t, "RN3")), tmp_path)
    assert len(assertions.undefined_at_boot(netlist)) == 8


def test_a_supply_without_capacitor_is_caught(plant, tmp_path) -> None:
    netlist = kicad.read_netlist(
        plant("tallymark.kicad_sch", lambda t: without(t, "C2", "C30")), tmp_path
    )
    assert assertions.supplies_without_capacitor(netlist) == [
        "+5V feeds U1.20, U10.8, U11.5, U2.20, U3.20, U9.3 with only 5 capacitor(s)"
    ]


def test_an_led_without_resistor_is_caught(plant, tmp_path) -> None:
    netlist = kicad.read_netlist(plant("tallymark.kicad_sch", lambda t: without(t, "R2")), tmp_path)
    assert assertions.leds_without_resistor(netlist) == ["D19 has no resistor of its own in series"]


def test_the_barrier_is_bridged_by_nothing(netlists) -> None:
    net = netlists["isolated"]
    assert assertions.bridged_isolation(net, pcb_geometry.BARRIER_PARTS) == []
    assert pcb_geometry.barrier_crossings(SOURCES / "isolated.kicad_pcb", net) == []


def test_joined_grounds_are_caught(plant, tmp_path) -> None:
    def join(text: str) -> str:
        # the ground symbol of one clamp becomes that of the computer
        at = text.index('"GNDI"', text.index('(reference "D1")'))
        return text[:at] + text[at:].replace('"GNDI"', '"GND"', 1)

    netlist = kicad.read_netlist(plant("isolated.kicad_sch", join), tmp_path)
    assert assertions.bridged_isolation(netlist, pcb_geometry.BARRIER_PARTS)


@pytest.mark.parametrize(("start", "end"), [(100.0, 125.0), (100.0, 112.0)])
def test_copper_across_the_barrier_is_caught(plant, netlists, start, end) -> None:
    """Once right across, once only into the barrier."""

    def cross(text: str) -> str:
        track = (
            f'(segment (start {start} 107.5) (end {end} 107.5) (width 0.25) (layer "B.Cu") '
            f'(net "GND") (uuid "00000000-0000-4000-8000-000000000001"))'
        )
        number = re.search(r'\(net (\d+) "GND"\)', text)
        assert number is not None
        track = track.replace('(net "GND")', f"(net {number[1]})")
        return text.rstrip()[:-1] + track + ")"

    path = plant("isolated.kicad_pcb", cross)
    assert pcb_geometry.barrier_crossings(path, netlists["isolated"])


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_capacitors_stand_near_their_chips(netlists, variant) -> None:
    drawn = SOURCES / f"{variant}.kicad_pcb"
    assert pcb_geometry.far_capacitors(drawn, netlists[variant]) == []


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_tracks_have_no_staircases(variant) -> None:
    """A staircase is a run of short pieces: not one joint in twenty is between two under 0.7 mm."""
    text = (SOURCES / f"{variant}.kicad_pcb").read_text()
    ends = r"\(segment\s+\(start (\S+ \S+)\)\s+\(end (\S+ \S+)\)"
    pattern = ends + r'\s+\(width \S+\)\s+\(layer "(.\.Cu)"\)'
    tracks = [(a, b, layer) for a, b, layer in re.findall(pattern, text)]
    short_ends: dict[tuple[str, str], int] = {}
    for start, end, layer in tracks:
        (a, b), (c, d) = map(float, start.split()), map(float, end.split())
        if math.dist((a, b), (c, d)) < 0.7:
            for place in (start, end):
                short_ends[place, layer] = short_ends.get((place, layer), 0) + 1
    assert len(tracks) > 100
    assert sum(count > 1 for count in short_ends.values()) < 0.05 * len(tracks)


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_an_independent_reader_finds_the_board_in_the_archive(variant, tmp_path) -> None:
    from gerbonara import LayerStack

    facts = pcb_geometry.facts(SOURCES / f"{variant}.kicad_pcb")
    stack = LayerStack.open_zip(
        fabrication.make_archive(SOURCES / f"{variant}.kicad_pcb", tmp_path)
    )
    (x0, y0), (x1, y1) = stack.outline.bounding_box()
    assert (x1 - x0, y1 - y0) == pytest.approx((facts.width_mm, facts.height_mm), abs=0.2)
    assert sum(len(layer.objects) for layer in [stack.drill_pth]) == facts.plated_holes
    assert len(stack.drill_npth.objects) == facts.bare_holes
    for use in ("copper", "mask", "silk", "paste"):
        assert all(stack[side, use] is not None for side in ("top", "bottom"))
    assert all(stack[side, "copper"].objects for side in ("top", "bottom"))
    names = ZipFile(tmp_path / f"{variant}-board.zip").namelist()
    assert sorted(name.rsplit("-", 1)[1] for name in names) == [
        "B_Cu.gbl", "B_Mask.gbs", "B_Paste.gbp", "B_Silkscreen.gbo", "Edge_Cuts.gm1", "F_Cu.gtl",
        "F_Mask.gts", "F_Paste.gtp", "F_Silkscreen.gto", "NPTH.drl", "PTH.drl", "job.gbrjob",
    ]  # fmt: skip
    placed = (tmp_path / variant / f"{variant}-placement.csv").read_text()
    assert "U1" in placed
