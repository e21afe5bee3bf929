"""Drives and judges every part on a virtual pair, in stepped time."""

from __future__ import annotations

from tallymark import Box
from tallymark.box.settings import Settings
from tallymark.verification.acceptance import hold_restart_power_judge, pattern_judge
from tallymark.verification.acceptance.step import Result
from tallymark.verification.acceptance.stimulus_driver import Driver
from tallymark.verification.acceptance.witness_box import WitnessBox, latency
from tallymark.virtual.box_and_witness_pair import VirtualPair


class Rig:
    """A box and its witness. A context manager."""

    def __init__(self, *faults: str, in_force: Settings | None = None) -> None:
        options = "".join(f"&fault={fault}" for fault in faults)
        self.pair = VirtualPair(f"virtual://?time=stepped{options}")
        self.box = Box(self.pair.first)
        self.witness = Box(self.pair.witness)
        if in_force is not None:
            self.box.settings.write(in_force)
        settings = self.box.settings.read()
        self.watch = WitnessBox(self.witness)
        self.driver = Driver(self.box, settings, lambda *_: None)
        self.subject = pattern_judge.Subject("virtual", settings.lines, settings.idle_levels)

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        self.box.close()
        self.witness.close()

    def pattern(self) -> dict[str, Result]:
        self.watch.begin()
        part = self.driver.pattern()
        seen = self.watch.end()
        results, place = pattern_judge.judged(part, seen, self.subject)
        results["latency"] = latency(self.box, self.driver.markers, self.witness, seen, place)
        return results

    def hold(self) -> Result:
        self.watch.begin()
        part = self.driver.hold()
        return hold_restart_power_judge.hold(part, self.watch.end(), self.subject)

    def start(self) -> Result:
        self.watch.begin()
        part = self.driver.start()
        return hold_restart_power_judge.start(part, self.watch.end(), self.subject)

    def cut(self, pull: bool = True, again: bool = True) -> Result:
        self.watch.begin()
        part = self.driver.cut()
        self.box.close()
        if pull:
            self.pair.pull_plug()
        self.witness.pacing.sleep(0.2)
        if again:
            self.pair.plug_in()
            self.witness.pacing.sleep(0.2)
        return hold_restart_power_judge.cut(part, self.watch.end(), self.subject, again)


def states(results: dict[str, Result]) -> dict[str, str]:
    return {name: result.state for name, result in results.items()}


def figure(result: Result, start: str) -> dict[str, object]:
    return next(figure for figure in result.figures if figure["what"].startswith(start))
