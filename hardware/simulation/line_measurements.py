"""Every case of the line simulation: what ngspice measured, and the short circuits."""

from __future__ import annotations

import csv
import re
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

import spice_netlist
from spice_netlist import CABLES_M, EDGE, MODES, RECEIVERS, SUPPLIES_V, WIDTH, Receiver

HERE = Path(__file__).resolve().parent
BREADBOARD_CABLE_M = 2.0


def ngspice(deck: str, path: Path, names: set[str]) -> dict[str, float]:
    """Run a deck and return its figures. One of `names` missing raises, as a failed .meas exits
    with 0.
    """
    path.write_text(deck)
    done = subprocess.run(
        ["ngspice", "-b", path.name], capture_output=True, text=True, check=False, cwd=path.parent
    )
    figures = re.findall(r"^(\w+)\s+=\s+([-+\d.eE]+)", done.stdout, re.MULTILINE)
    found = {name.lower(): float(value) for name, value in figures}
    if missing := names - found.keys():
        words = done.stdout + done.stderr
        raise RuntimeError(f"{path}: ngspice did not give {', '.join(sorted(missing))}:\n{words}")
    return {name: found[name] for name in names}


@dataclass(frozen=True)
class Case:
    receiver: Receiver
    metres: float
    supply: float
    mode: str
    driver: spice_netlist.Driver = spice_netlist.VHCT

    @property
    def name(self) -> str:
        board = "" if self.driver is spice_netlist.VHCT else "-breadboard"
        return f"{self.receiver.key}-{self.metres}m-{self.supply}V-{self.mode}{board}"


@dataclass(frozen=True)
class Result:
    """Levels in volts (LED current in mA), times in seconds; None where the receiver never sees the
    level.
    """

    low: float
    high: float
    peak: float
    dip: float
    rise: float | None
    valid: float | None
    idle: float | None

    def drives(self, receiver: Receiver) -> bool:
        return self.low <= receiver.low and self.high >= receiver.high and self.valid is not None


def measure(case: Case, work: Path) -> Result:
    """One run: the levels are measured by ngspice, the times are taken from the waveform that it
    wrote.
    """
    fall = EDGE + WIDTH
    measures = (
        f".meas tran low FIND v(probe) AT={EDGE / 2}\n"
        f".meas tran high FIND v(probe) AT={fall - 50e-9}\n"
        f".meas tran peak MAX v(probe) FROM={EDGE / 2} TO={spice_netlist.END}\n"
        f".meas tran dip MIN v(probe) FROM={EDGE / 2} TO={spice_netlist.END}\n"
    )
    data = work / f"{case.name}.txt"
    deck = spice_netlist.deck(
        case.receiver, case.metres, case.supply, case.mode, measures, data.name, case.driver
    )
    got = ngspice(deck, work / f"{case.name}.cir", {"low", "high", "peak", "dip"})
    time, level = np.loadtxt(data, usecols=(0, 1)).T

    def last(wrong: npt.NDArray[np.bool_], start: float, end: float) -> float:
        """How long after `start` the level was wrong for the last time before `end`."""
        at = time[wrong & (time >= start) & (time < end)]
        return float(at[-1] - start) if at.size else 0.0

    idle = last(level > case.receiver.low, fall, spice_netlist.END)
    if case.mode == "seven":
        disturbed = last(level > case.receiver.low, EDGE, fall)
        return Result(**got, rise=None, valid=None, idle=max(idle, disturbed))
    if got["high"] < case.receiver.high:
        return Result(**got, rise=None, valid=None, idle=None)
    share = (level - got["low"]) / (got["high"] - got["low"])
    rise = float(time[np.argmax(share > 0.9)] - time[np.argmax(share > 0.1)])
    return Result(**got, rise=rise, valid=last(level < case.receiver.high, EDGE, fall), idle=idle)


@dataclass(frozen=True)
class Short:
    driver: spice_netlist.Driver
    series: float
    to_supply: bool
    all_lines: bool
    one_a: float
    total_a: float

    def allowed(self) -> bool:
        return self.one_a <= self.driver.pin_limit_a and self.total_a <= self.driver.package_limit_a


def shorts(work: Path) -> list[Short]:
    """One line and all lines, to ground and to 5 V: with the driver we fit, with one chip of it for
    all lines, and with that of the breadboard.
    """
    found = []
    for driver, series in tuple(
        (d, spice_netlist.SERIES_OHM)
        for d in (spice_netlist.VHCT, spice_netlist.VHCT_ALONE, spice_netlist.ACT)
    ):
        for to_supply in (False, True):
            for all_lines in (False, True):
                name = f"short-{driver.name[:10]}-{driver.lines}-{to_supply}-{all_lines}.cir"
                got = ngspice(
                    spice_netlist.short_deck(driver, series, to_supply, all_lines),
                    work / name,
                    {"one", "total"},
                )
                found.append(Short(driver, series, to_supply, all_lines, got["one"], got["total"]))
    return found


def run_all(work: Path) -> tuple[dict[Case, Result], list[Short]]:
    """Every case and every short."""
    work.mkdir(parents=True, exist_ok=True)
    cases = [
        Case(receiver, metres, supply, mode)
        for receiver in RECEIVERS
        for metres in CABLES_M
        for supply in SUPPLIES_V
        for mode in MODES
    ]
    cases += [
        Case(receiver, BREADBOARD_CABLE_M, supply, mode, spice_netlist.ACT)
        for receiver in RECEIVERS
        for supply in SUPPLIES_V
        for mode in MODES
    ]
    with ThreadPoolExecutor(2) as pool:
        results = dict(zip(cases, pool.map(lambda case: measure(case, work), cases), strict=True))
    return results, shorts(work)


def write_csv(results: dict[Case, Result], path: Path) -> None:
    """All figures, one row a case."""
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(
            ["driver", "receiver", "cable_m", "supply_v", "mode", "low", "high", "peak", "dip",
             "rise_ns", "valid_ns", "idle_ns"]
        )  # fmt: skip
        for case, r in results.items():
            times = ["" if t is None else f"{t * 1e9:.0f}" for t in (r.rise, r.valid, r.idle)]
            levels = [f"{level:.3f}" for level in (r.low, r.high, r.peak, r.dip)]
            writer.writerow(
                [
                    case.driver.name,
                    case.receiver.name,
                    case.metres,
                    case.supply,
                    MODES[case.mode],
                    *levels,
                    *times,
                ]
            )
