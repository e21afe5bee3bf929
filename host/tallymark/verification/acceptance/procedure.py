"""Takes a box through the steps that its record does not have yet, and writes the record.

The record is written after each step, so that a run that was broken off goes on with the next one.
Steps that passed or failed are kept; a step that is done again keeps its earlier result beside.
"""

from __future__ import annotations

import contextlib
import hashlib
import platform
import secrets
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, Protocol

from tallymark.box.box import Box
from tallymark.common.errors import BadValue, TallymarkError
from tallymark.common.formatting import some
from tallymark.verification.acceptance import hold_restart_power_judge, pattern_judge, record
from tallymark.verification.acceptance import typed_supply_voltages as supply
from tallymark.verification.acceptance.box_and_witness import Boxes
from tallymark.verification.acceptance.limits import SUPPLY, Limit, count_limit, fits
from tallymark.verification.acceptance.logic_analyser_trace import Analyser, read_trace
from tallymark.verification.acceptance.pattern_judge import Subject
from tallymark.verification.acceptance.pulse_pattern_locator import Place
from tallymark.verification.acceptance.step import DOES_NOT_APPLY, NOT_DONE, NOT_KNOWN, Result
from tallymark.verification.acceptance.stimulus_driver import RUNS, Driver, Part
from tallymark.verification.acceptance.witness_box import WitnessBox, latency
from tallymark.verification.acceptance.witness_observation import Seen
from tallymark.verification.selftest import run as run_selftest
from tallymark.verification.selftest.report import Report

PARTS = {
    "pattern": (*pattern_judge.NAMES, "latency"),
    "hold": ("hold limit",),
    "start": ("start",),
    "cut": ("power cut",),
}
"""The parts that are driven, in this order, and the steps that are judged by each."""
VIRTUAL = "virtual"
IN_SIMULATION, ON_HARDWARE = "in simulation", "on hardware"


class Person(Protocol):
    """Who stands at the bench."""

    def say(self, text: str) -> None:
        """Tells what to do now."""

    def kind(self, board: str) -> str | None:
        """Asks which of `SUPPLY` was built; None: nobody answered."""

    def voltage(self, limit: Limit) -> str | None:
        """Asks for the reading of a meter; None: nobody answered."""

    def progress(self, text: str, done: float, total: float) -> None:
        """Tells how far a step is."""

    def step_done(self, name: str, step: dict[str, Any]) -> None:
        """Tells what came of a step."""


class Acceptance:
    """One record, and what is to be done for it.

    content: what `record.load` gave, or `new_record()`.
    meter_percent: how far the meter may be off, of its reading.
    again: names of steps that are done once more.
    """

    def __init__(
        self,
        path: Path,
        content: dict[str, Any],
        person: Person,
        meter_percent: float = supply.METER_PERCENT,
        again: Iterable[str] = (),
    ) -> None:
        self.path = path
        self.content = content
        self._person = person
        self._meter_percent = meter_percent
        self._again = set(again)

    def to_do(self, name: str) -> bool:
        """Whether a step is still to be done."""
        state = record.state_of(self.content, name)
        return name in self._again or state in (NOT_DONE, NOT_KNOWN)

    def parts_to_judge(self) -> list[str]:
        """The parts of which a step is still to be done."""
        return [part for part, names in PARTS.items() if any(map(self.to_do, names))]

    def parts_to_drive(self, with_trace: bool) -> list[str]:
        """The parts to judge, less those that were driven and wait for their trace."""
        return [
            part
            for part in self.parts_to_judge()
            if not with_trace
            or part not in self.content["driven"]
            or self._again.intersection(PARTS[part])
        ]

    def needs_box(self, with_trace: bool) -> bool:
        """Whether anything is left that a box is needed for."""
        return self.to_do("self-test") or bool(self.parts_to_drive(with_trace))

    def identify(self, box: Box, witness: dict[str, Any]) -> None:
        """Notes box and witness, or raises BadValue if the record is of others."""
        identity, settings = box.identity, box.settings.read()
        found = {
            "serial": identity.serial,
            "board": identity.board,
            "firmware": identity.firmware,
            "protocol": identity.protocol,
            "lines": settings.lines,
            "idle_levels": settings.idle_levels,
        }
        known = self.content.setdefault("box", {**found, "name": identity.name})
        for key, value in found.items():
            if known[key] != value:
                raise BadValue(
                    f"{self.path} is the record of a box with {key} {known[key]}; this one has "
                    f"{value}. One record is of one box in one state: begin a new one. Nothing was "
                    "sent."
                )
        if self.content.setdefault("witness", witness) != witness:
            raise BadValue(
                f"{self.path} was begun with another witness or other values of it: "
                f"{witness_text(self.content['witness'])}. Use it, or begin a new record."
            )
        simulated = VIRTUAL in (identity.board, witness.get("board"))
        self.content["measured"] = IN_SIMULATION if simulated else ON_HARDWARE

    def supply(self) -> None:
        """Asks for the supply voltages."""
        if not self.to_do("supply"):
            return
        box = self.content["box"]
        kind = None if box["board"] == VIRTUAL else self._person.kind(box["board"])
        if box["board"] == VIRTUAL:
            result = Result().leave_out(DOES_NOT_APPLY, "A virtual box has no supply.")
        elif kind is None:
            result = Result().leave_out(NOT_DONE, "Nobody said what was built (--kind).")
        elif not fits(kind, box["board"]):
            raise BadValue(f"A {kind} has another board than this box, which is a {box['board']}.")
        else:
            box["kind"] = kind
            readings = [self._person.voltage(limit) for limit in SUPPLY[kind]]
            result = supply.judged(kind, readings, self._meter_percent)
            result.notes.append(f"Read by a person; the meter is taken as ±{self._meter_percent:g} "
                                "% and two of the last digit.")
        self._keep("supply", result)

    def selftest(self, box: Box) -> None:
        """The box's own test."""
        if self.to_do("self-test"):
            self._keep("self-test", judged_selftest(run_selftest(box, self._person.progress)))

    def measure(self, boxes: Boxes) -> None:
        """Drives the parts and judges each by what the witness box captured."""
        assert boxes.witness is not None
        watch = WitnessBox(boxes.witness)
        with self._driver(boxes) as driver:
            for name in self.parts_to_drive(with_trace=False):
                watch.begin()
                part, again = self._drive(name, driver, boxes)
                seen = watch.end()
                place = self._judge(name, part, seen, again)
                if name == "pattern":
                    self._keep(
                        "latency",
                        latency(boxes.box, driver.markers, boxes.witness, seen, place),
                    )

    def drive_for_trace(self, boxes: Boxes) -> None:
        """Drives the parts while a logic analyser records."""
        with self._driver(boxes) as driver:
            for name in self.parts_to_drive(with_trace=True):
                part, again = self._drive(name, driver, boxes)
                self.content["driven"][name] = {**part.as_dict(), "again": again}
                for step in PARTS[name]:
                    why = "Driven; the trace of the logic analyser was not read yet."
                    self._keep(step, Result().leave_out(NOT_DONE, why), tell=False)
            self._again.clear()

    def judge_trace(self, file: Path, analyser: Analyser) -> None:
        """Judges what was driven by the trace. Raises BadValue for a file that can't be read."""
        seen = read_trace(file, analyser)
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        for name in self.parts_to_judge():
            raw = self.content["driven"][name]
            self._judge(name, Part.of(raw), seen, bool(raw["again"]))
            for step in PARTS[name]:
                if step in self.content["steps"]:
                    self.content["steps"][step]["trace"] = {"file": file.name, "sha256": digest}
            if name == "pattern":
                why = "The times of a logic analyser are not those of this computer: needs a box."
                self._keep("latency", Result().leave_out(DOES_NOT_APPLY, why))
        record.save(self.path, self.content)

    @contextlib.contextmanager
    def _driver(self, boxes: Boxes) -> Iterator[Driver]:
        settings = boxes.box.settings.read()
        driver = Driver(boxes.box, settings, self._person.progress, secrets.randbelow(RUNS))
        try:
            yield driver
        finally:
            try:
                driver.end()
            except TallymarkError as error:
                self._person.say(
                    f"{error} So the settings in force before could not be restored: restart the "
                    "box, which then starts with those that it kept."
                )

    def _drive(self, name: str, driver: Driver, boxes: Boxes) -> tuple[Part, bool]:
        """Drives a part; and whether the power came back, for the power cut."""
        part: Part = getattr(driver, name)()
        if name != "cut":
            return part, False
        cut, again = boxes.cut_power(self._person.say)
        driver.box = boxes.box
        if cut and not again:
            self._person.say("The box did not come back: look at its plug, then run this again.")
        return part, again

    def _judge(self, name: str, part: Part, seen: Seen, again: bool) -> Place | None:
        """Keeps the results of a part. Returns where the pattern is, if this is its part."""
        box = self.content["box"]
        subject = Subject(box["board"], box["lines"], box["idle_levels"])
        if name == "pattern":
            results, place = pattern_judge.judged(part, seen, subject)
            for step, result in results.items():
                self._keep(step, result)
            return place
        if name == "hold":
            self._keep("hold limit", hold_restart_power_judge.hold(part, seen, subject))
        elif name == "start":
            self._keep("start", hold_restart_power_judge.start(part, seen, subject))
        else:
            self._keep("power cut", hold_restart_power_judge.cut(part, seen, subject, again))
        return None

    def _keep(self, name: str, result: Result, tell: bool = True) -> None:
        steps = self.content["steps"]
        step = {"done_utc": record.now_utc(), **result.as_dict(name)}
        before = steps.get(name)
        if before is not None:
            earlier = before.pop("earlier", [])
            if before["state"] not in (NOT_DONE, DOES_NOT_APPLY):
                earlier.append(before)
            if earlier:
                step["earlier"] = earlier
        steps[name] = step
        record.save(self.path, self.content)
        if tell:
            self._person.step_done(name, step)


def new_record(version: str, by: str) -> dict[str, Any]:
    """A record in which nothing was done yet."""
    return {
        "format": record.FORMAT,
        "begun_utc": record.now_utc(),
        "by": by,
        "program": f"tallymark {version}",
        "system": platform.platform(),
        "steps": {},
        "driven": {},
    }


def witness_box(box: Box) -> dict[str, Any]:
    """A second box as witness, for the record."""
    identity = box.identity
    return {
        "what": "box",
        "serial": identity.serial,
        "board": identity.board,
        "firmware": identity.firmware,
    }


def witness_analyser(analyser: Analyser) -> dict[str, Any]:
    """A logic analyser as witness, for the record."""
    return {
        "what": "logic analyser",
        "rate_hz": analyser.rate_hz,
        "clock_ppm": analyser.clock_ppm,
        "channels": list(analyser.channels),
    }


def witness_text(witness: dict[str, Any]) -> str:
    """A witness in words."""
    if witness["what"] == "box":
        return f"box {witness['serial']} ({witness['board']}, firmware {witness['firmware']})"
    return (
        f"logic analyser, {witness['rate_hz'] / 1e6:g} MHz, clock within "
        f"{witness['clock_ppm']:g} ppm by its data sheet"
    )


def judged_selftest(report: Report) -> Result:
    """The result of a self-test."""
    result = Result()
    result.figure(report.codes_altered, 0, count_limit(f"codes altered, of {report.codes_tested}"))
    groups = report.explanations
    places = [place for group in groups[:1] for place in group] + list(report.measured)
    faults = len(places)
    if not places and not report.fine:
        places, faults = list(report.symptoms), max(1, len(report.symptoms))
    result.figure(faults, 0, count_limit("faults"))
    result.look += [f"{place.what}. {place.look}" for place in places]
    if len(groups) > 1:
        result.notes.append(f"There are {some(len(groups), 'explanation')}; 'tallymark selftest' "
                            "shows all.")
    if report.edges_lost:
        result.not_known("Edges were lost: measured times are incomplete.")
    return result
