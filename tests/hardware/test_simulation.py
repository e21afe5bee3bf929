"""Levels at rest and the inputs, simulated with the values of the schematic."""

from __future__ import annotations

import inspect
import re

import pytest

import circuit
import circuit_on_holes
import inputs
import kicad
import levels
import line

UNITS = {"": 1.0, "k": 1e3, "M": 1e6, "n": 1e-9, "µ": 1e-6, "u": 1e-6, "p": 1e-12}


def number(text: str) -> float:
    """A value as the schematic ('8 × 1 kΩ', '47 nF') or ngspice ('4.7k', '1meg') writes it."""
    text = text.split("×")[-1].replace("meg", "M")
    match = re.fullmatch(r"\s*([\d.]+)\s*([kMnµup]?)[ΩF]?\s*", text)
    assert match is not None, text
    return float(match[1]) * UNITS[match[2]]


@pytest.mark.parametrize("variant", ["tallymark", "isolated"])
def test_the_inputs_are_simulated_with_the_values_of_the_schematic(netlists, variant) -> None:
    source = inspect.getsource(inputs)
    parts = re.findall(r"^([RC]\d+) \S+ \S+ ([\d.]+(?:meg|[a-z])?)$", source, re.MULTILINE)
    assert len(parts) > 25
    for reference, value in parts:
        assert number(value) == pytest.approx(number(netlists[variant].parts[reference].value)), (
            reference
        )


def test_the_levels_are_simulated_with_the_values_of_the_schematic(netlists) -> None:
    values = {name: part.value for name, part in netlists["tallymark"].parts.items()}
    assert levels.BOOT["version 1.1"] == tuple(number(values[name]) for name in ("R3", "R4", "RN3"))
    assert number(values["RN1"]) == circuit.SERIES_OHM


def test_idle_high_at_boot_has_margin(tmp_path) -> None:
    values = levels.BOOT["version 1.1"]
    assert levels.boot_high(*values, 4.5, -1, tmp_path) > levels.VIH + 0.3
    assert levels.boot_high(*values, 5.25, 1, tmp_path) < 3.6


def test_a_pull_up_that_is_too_weak_is_caught(tmp_path) -> None:
    upper, lower, _ = levels.BOOT["version 1.1"]
    assert levels.boot_high(upper, lower, 22e3, 4.5, -1, tmp_path) < levels.VIH
    assert levels.boot_high(*levels.BOOT["version 1.0"], 4.5, -1, tmp_path) < levels.VIH


def test_a_box_without_power_is_not_fed_by_the_receiver(tmp_path) -> None:
    for case in levels.power_off_cases(tmp_path):
        assert (case.rail_v < 0.3) == case.protected, case
        if case.protected:
            assert case.line_v > 5.1
            assert case.line_ma < 0.05


def test_a_breadboard_without_power_is_fed_and_the_page_says_so(tmp_path) -> None:
    """Its driver has no protection: the figures of the page are those of the run."""
    cases = [
        c for c in levels.power_off_cases(tmp_path, levels.BREADBOARD_LOADS) if not c.protected
    ]
    pull_ups, driver = cases[:3], cases[3]
    page = (kicad.HARDWARE / "breadboard/BREADBOARD.md").read_text()
    rails = sorted(f"{c.rail_v:.1f}" for c in pull_ups)
    lines = sorted(f"{c.line_v:.1f}" for c in pull_ups)
    words = " ".join(page.split())
    assert f"the 5 V of the box to {rails[0]} to {rails[-1]} V" in words
    assert f"a driver of 5 V to {driver.rail_v:.1f} V" in words
    assert f"the lines stand at {lines[0]} to {lines[-1]} V" in words


def test_the_driver_of_the_breadboard_drives_what_the_board_drives(tmp_path) -> None:
    assert f"{circuit.SERIES_OHM:.0f} Ω" == circuit_on_holes.SERIES
    for receiver in circuit.RECEIVERS:
        board, loose = (
            line.measure(line.Case(receiver, 2.0, 4.5, "eight", driver), tmp_path)
            for driver in (circuit.VHCT, circuit.ACT)
        )
        assert board.drives(receiver) == loose.drives(receiver)
        assert loose.high >= board.high - 0.02


def test_eight_shorted_lines_pass_no_limit_of_the_driver_of_the_breadboard(tmp_path) -> None:
    assert all(short.allowed() for short in line.shorts(tmp_path) if short.driver is circuit.ACT)


def test_a_line_with_an_opto_coupler_is_read_back_by_both_usb_boards(tmp_path) -> None:
    for supply in (4.5, 5.25):
        line, pico, nano = levels.readback(supply, levels.OPTO, tmp_path)
        assert line > levels.VIH + 0.5
        assert 2.0 < pico < 3.6
        assert nano > 0.6 * supply + 0.5


@pytest.mark.parametrize("module", inputs.VIO)
def test_light_gives_one_clean_edge_each_way(module, tmp_path) -> None:
    quiet = inputs.light(module, 0.0, tmp_path)
    noisy = inputs.light(module, 0.05, tmp_path)
    assert noisy["lastfall"] == noisy["onset"]
    assert noisy["firstrise"] == noisy["offset"]
    for got in (quiet, noisy):
        assert 0 < got["onset"] - 100e-6 < 4e-6
        assert 0 < got["offset"] - 600e-6 < 4e-6
    assert abs(noisy["onset"] - quiet["onset"]) < 1e-6
    assert quiet["high"] > (3.0 if module == "Nano" else 2.0)


@pytest.mark.parametrize("module", inputs.VIO)
def test_sound_is_seen_within_half_a_millisecond(module, tmp_path) -> None:
    for peak in (0.1, 0.5):
        got = inputs.sound(module, peak, tmp_path)
        assert 0 <= got["onset"] - got["envelope"] < 0.5e-3
        assert 10e-3 < got["offset"] - 22e-3 < 40e-3
        assert got["level"] < 3.3


@pytest.mark.parametrize("module", inputs.VIO)
def test_the_ttl_input_has_ttl_thresholds(module, tmp_path) -> None:
    got = inputs.ttl(module, tmp_path)
    assert levels.VIL < got["fall"] < got["rise"] - 0.05 < levels.VIH
    assert got["up"] - 20e-6 < 5e-6
