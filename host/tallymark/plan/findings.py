"""What the checks of a plan find."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["wrong", "risk", "note"]


@dataclass(frozen=True)
class Finding:
    """One thing that the check found.

    level: 'wrong' (markers would be lost or misread), 'risk' (one fault away from that) or 'note'.
    rule: short fixed name for scripts. text: what would happen. remedy: what to do.
    """

    level: Level
    rule: str
    text: str
    remedy: str


def worst_first(findings: list[Finding]) -> list[Finding]:
    """Findings in the order wrong, risk, note."""
    order = {"wrong": 0, "risk": 1, "note": 2}
    return sorted(findings, key=lambda finding: order[finding.level])
