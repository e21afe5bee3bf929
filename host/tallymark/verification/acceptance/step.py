"""The steps of an acceptance: their names, what each proves, and what came of one."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite
from typing import Any

from tallymark.verification.acceptance.limits import Limit, Verdict, judge


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a step is for."""

    title: str
    proves: str
    not_proved: str


_BOARD_PAGE = "hardware/ASSEMBLY.md"
STEPS: dict[str, Meaning] = {
    "supply": Meaning(
        "Supply voltages",
        "The voltages are within their limits, if the meter was read and typed right.",
        "Nothing is measured by the program.",
    ),
    "self-test": Meaning(
        "Self-test",
        "The box reads every code back correctly on its own readback.",
        "The box judges itself; a fault behind its readback does not show.",
    ),
    "lines": Meaning(
        "Every code on its lines",
        "Every code arrived at the witness, each line at its input.",
        "A cable and the receiver behind the place where the witness is connected.",
    ),
    "widths": Meaning(
        "Pulse widths",
        "Pulses lasted as long as asked for, by the witness's clock.",
        "Widths that were not tried.",
    ),
    "skew": Meaning(
        "Skew between lines",
        "All lines changed together, so that no other code was out between.",
        "Analog edges: the witness knows high and low only.",
    ),
    "clock": Meaning(
        "Clock",
        "The box's clock runs as the witness's does.",
        "Drift over hours, and with temperature.",
    ),
    "latency": Meaning(
        "Times of edges",
        "The box tells the right time of an edge, by the witness's time on this computer.",
        "Another computer's delays.",
    ),
    "hold limit": Meaning(
        "Hold limit",
        "A held code ends by itself when the computer is silent.",
        "That a hold limit is set: it is off by default, and only this test set one.",
    ),
    "start": Meaning(
        "Idle at restart",
        "The lines stay idle while the box restarts.",
        "The first moments after the plug is put in: see the power cut.",
    ),
    "power cut": Meaning(
        "Power cut",
        "The lines go low together when the box loses its power, and stay low when it returns.",
        "Receivers that pull their inputs up: there, a box without power reads as 255.",
    ),
}
"""The steps in their order."""

LOOK = {
    "supply": "hardware/ASSEMBLY.md or the page of the breadboard, 'First power-up': pull the "
              "plug, then look for a bridge, and for C4 or C2 the wrong way round",
    "self-test": "run 'tallymark selftest': it names the pins",
    "widths": f"{_BOARD_PAGE}, RN1 to RN4 and the drivers U1 and U3 (breadboard: U1, R10 to R17) "
              "of the lines named; then the wires of the witness",
    "skew": f"{_BOARD_PAGE}, RN1 and the drivers U1 and U3 (breadboard: U1, R10 to R17) of the "
            "lines named; then a long wire or a capacitor at the witness",
    "clock": "crystal or resonator of the USB board A1, or of the witness: try another witness",
    "latency": "the USB connection: no hub, another cable, fewer programs; then another witness",
    "hold limit": "firmware: 'tallymark show' tells its version; flash it again",
    "start": f"{_BOARD_PAGE}, JP2 and RN3 (breadboard: RN3); the kept idle level: 'tallymark "
             "settings read'; JP2 must fit it",
    "power cut": f"{_BOARD_PAGE}, RN3 and what else feeds the box: a second supply, or a receiver "
                 "that is still connected",
}
"""What to look at when a step fails; for `lines`, the fault says it."""

TOO_COARSE = (
    "A figure with its bound (±) reaches over a limit, so both are possible: measure it with less "
    "error."
)
NOT_DONE = "not done"
DOES_NOT_APPLY = "does not apply"
PASSED, FAILED, NOT_KNOWN = (verdict.value for verdict in Verdict)


@dataclass(slots=True)
class Result:
    """What came of one step."""

    figures: list[dict[str, Any]] = field(default_factory=list)
    look: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unknown: bool = False
    """Something that has to be known is not."""
    left_out: str = ""
    """`NOT_DONE` or `DOES_NOT_APPLY` for a step that was left out."""

    def figure(self, value: float, bound: float, limit: Limit) -> Verdict:
        """Adds a figure and judges it."""
        verdict = judge(value, bound, limit)
        self.figures.append(
            {
                "what": limit.what,
                "value": round(value, 3),
                "bound": round(bound, 3),
                "unit": limit.unit,
                "least": round(limit.least, 3) if isfinite(limit.least) else None,
                "most": round(limit.most, 3),
                "limit_from": limit.source,
                "verdict": verdict.value,
            }
        )
        return verdict

    def information(self, what: str, value: float, bound: float, unit: str) -> None:
        """Adds a figure that has no limit."""
        self.figures.append(
            {"what": what, "value": round(value, 1), "bound": round(bound, 1), "unit": unit}
        )

    def not_known(self, why: str) -> Result:
        """The step was done, and nothing can be said."""
        self.unknown = True
        self.notes.append(why)
        return self

    def leave_out(self, state: str, why: str) -> Result:
        """The step was not done; `state` is `NOT_DONE` or `DOES_NOT_APPLY`."""
        self.left_out = state
        self.notes.append(why)
        return self

    @property
    def state(self) -> str:
        """Failed if a figure failed; passed only if every figure did."""
        if self.left_out:
            return self.left_out
        verdicts = [figure["verdict"] for figure in self.figures if "verdict" in figure]
        if FAILED in verdicts:
            return FAILED
        if self.unknown or not verdicts or NOT_KNOWN in verdicts:
            return NOT_KNOWN
        return PASSED

    def as_dict(self, name: str) -> dict[str, Any]:
        """For the record."""
        look, notes = list(self.look), list(self.notes)
        if any(figure.get("verdict") == NOT_KNOWN for figure in self.figures):
            notes.append(TOO_COARSE)
        if self.state == FAILED and name in LOOK:
            look.append(LOOK[name])
        return {
            "state": self.state,
            "figures": self.figures,
            "look": look,
            "notes": notes,
            "proves": STEPS[name].proves,
            "does_not_prove": STEPS[name].not_proved,
        }
