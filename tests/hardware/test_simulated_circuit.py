"""Levels at rest and the inputs, simulated with the values of the schematic."""

from __future__ import annotations

import inspect
import re

import pytest

import kicad
import line_measurements
import probe_inputs
import required_nets
import rest_levels
import spice_netlist

UNITS = {"": 1.0, "k": 1e3, "M": 1e6, "n": 1e-9, "µ": 1e-6, "u": 1e-6, "p": 1e-12}


def number(text: str) -> float:
    """A value as the schematic ('8 × 1 kΩ', '47 nF') or ngspice ('4.7k', '1meg') writes it."""
    text = text.split("×")[-1].replace("meg", "M")
    match = re.fullmatch(r"\s*([\d.]+)\s*([kMnµup]?)[ΩF]?\s*", text)
    assert match is not None, text
    return float(match[1]) * UNITS[match[2]]


@pytest.mark.parametrize("variant", ["tallymark", "isolated"])
def test_the_inputs_are_simulated_with_the_values_of_the_schematic(netlists, variant) -> None:
    source = inspect.getsource(probe_inputs)
    parts = re.findall(r"^([RC]\d+) \S+ \S+ ([\d.]+(?:meg|[a-z])?)$", source, re.MULTILINE)
    assert len(parts) > 25
    for reference, value in parts:
        assert number(value) == pytest.approx(number(netlists[variant].parts[reference].value)), (
            reference
        )


def test_the_levels_are_simulated_with_the_values_of_the_schematic(netlists) -> None:
    values = {name: part.value for name, part in netlists["tallymark"].parts.items()}
    drawn = tuple(number(values[name]) for name in ("R3", "R4", "RN3"))
    assert rest_levels.BOOT["version 1.1"] == drawn
    assert number(values["RN1"]) == spice_netlist.SERIES_OHM


def test_idle_high_at_boot_has_margin(tmp_path) -> None:
    values = rest_levels.BOOT["version 1.1"]
    assert rest_levels.boot_high(*values, 4.5, -1, tmp_path) > rest_levels.VIH + 0.3
    assert rest_levels.boot_high(*values, 5.25, 1, tmp_path) < 3.6


def test_a_pull_up_that_is_too_weak_is_caught(tmp_path) -> None:
    upper, lower, _ = rest_levels.BOOT["version 1.1"]
    assert rest_levels.boot_high(upper, lower, 22e3, 4.5, -1, tmp_path) < rest_levels.VIH
    older = rest_levels.BOOT["version 1.0"]
    assert rest_levels.boot_high(*older, 4.5, -1, tmp_path) < rest_levels.VIH


def test_a_box_without_power_is_not_fed_by_the_receiver(tmp_path) -> None:
    for case in rest_levels.power_off_cases(tmp_path):
        assert (case.rail_v < 0.3) == case.protected, case
        if case.protected:
            assert case.line_v > 5.1
            assert case.line_ma < 0.05


def test_a_breadboard_without_power_is_fed_and_the_page_says_so(tmp_path) -> None:
    """Its driver has no protection: the figures of the page are those of the run."""
    every = rest_levels.power_off_cases(tmp_path, rest_levels.BREADBOARD_LOADS)
    cases = [case for case in every if not case.protected]
    pull_ups, driver = cases[:3], cases[3]
    page = (kicad.HARDWARE / "breadboard/BREADBOARD.md").read_text()
    rails = sorted(f"{c.rail_v:.1f}" for c in pull_ups)
    lines = sorted(f"{c.line_v:.1f}" for c in pull_ups)
    words = " ".join(page.split())
    assert f"the 5 V of the box to {rails[0]} to {rails[-1]} V" in words
    assert f"a driver of 5 V to {driver.rail_v:.1f} V" in words
    assert f"the lines stand at {lines[0]} to {lines[-1]} V" in words


def test_the_driver_of_the_breadboard_drives_what_the_board_drives(tmp_path) -> None:
    assert f"{spice_netlist.SERIES_OHM:.0f} Ω" == required_nets.SERIES
    for receiver in spice_netlist.RECEIVERS:
        board, loose = (
            line_measurements.measure(
                line_measurements.Case(receiver, 2.0, 4.5, "eight", driver), tmp_path
            )
            for driver in (spice_netlist.VHCT, spice_netlist.ACT)
        )
        assert board.drives(receiver) == loose.drives(receiver)
        assert loose.high >= board.high - 0.02


def test_eight_shorted_lines_pass_no_limit_of_the_driver_of_the_breadboard(tmp_path) -> None:
    shorts = [one for one in line_measurements.shorts(tmp_path) if one.driver is spice_netlist.ACT]
    assert all(short.allowed() for short in shorts)


def test_a_line_with_an_opto_coupler_is_read_back_by_both_usb_boards(tmp_path) -> None:
    for supply in (4.5, 5.25):
        line, pico, nano = rest_levels.readback(supply, rest_levels.OPTO, tmp_path)
        assert line > rest_levels.VIH + 0.5
        assert 2.0 < pico < 3.6
        assert nano > 0.6 * supply + 0.5


@pytest.mark.parametrize("module", probe_inputs.VIO)
def test_light_gives_one_clean_edge_each_way(module, tmp_path) -> None:
    quiet = probe_inputs.light(module, 0.0, tmp_path)
    noisy = probe_inputs.light(module, 0.05, tmp_path)
    assert noisy["lastfall"] == noisy["onset"]
    assert noisy["firstrise"] == noisy["offset"]
    for got in (quiet, noisy):
        assert 0 < got["onset"] - 100e-6 < 4e-6
        assert 0 < got["offset"] - 600e-6 < 4e-6
    assert abs(noisy["onset"] - quiet["onset"]) < 1e-6
    assert quiet["high"] > (3.0 if module == "Nano" else 2.0)


@pytest.mark.parametrize("module", probe_inputs.VIO)
def test_sound_is_seen_within_half_a_millisecond(module, tmp_path) -> None:
    for peak in (0.1, 0.5):
        got = probe_inputs.sound(module, peak, tmp_path)
        assert 0 <= got["onset"] - got["envelope"] < 0.5e-3
        assert 10e-3 < got["offset"] - 22e-3 < 40e-3
        assert got["level"] < 3.3


@pytest.mark.parametrize("module", probe_inputs.VIO)
def test_the_ttl_input_has_ttl_thresholds(module, tmp_path) -> None:
    got = probe_inputs.ttl(module, tmp_path)
    assert rest_levels.VIL < got["fall"] < got["rise"] - 0.05 < rest_levels.VIH
    assert got["up"] - 20e-6 < 5e-6
