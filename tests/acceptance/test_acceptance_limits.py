"""Limits and verdicts of an acceptance."""

from __future__ import annotations

import math
import re
from pathlib import Path

import pytest

from tallymark.verification.acceptance.limits import SUPPLY, Limit, Verdict, judge

ROOT = Path(__file__).resolve().parents[2]
FIVE = Limit("x", 4.5, 5.25, "V", "")
COLUMN = {"board-pico": 0, "board-nano": 1, "isolated": 2}


@pytest.mark.parametrize(
    ("value", "bound", "verdict"),
    [
        (5.0, 0.05, Verdict.PASSED),
        (4.5, 0.0, Verdict.PASSED),
        (5.3, 0.01, Verdict.FAILED),
        (4.3, 0.1, Verdict.FAILED),
        (5.24, 0.05, Verdict.NOT_KNOWN),
        (4.48, 0.05, Verdict.NOT_KNOWN),
        (5.0, 1.0, Verdict.NOT_KNOWN),
        (5.0, math.inf, Verdict.NOT_KNOWN),
        (math.nan, 0.1, Verdict.NOT_KNOWN),
        (5.0, math.nan, Verdict.NOT_KNOWN),
        (5.0, -1.0, Verdict.NOT_KNOWN),
    ],
)
def test_verdict(value: float, bound: float, verdict: Verdict) -> None:
    assert judge(value, bound, FIVE) is verdict


def test_supply_limits_are_those_of_the_page_that_each_names() -> None:
    for kind, limits in SUPPLY.items():
        for limit in limits:
            text = (ROOT / limit.source.split(",")[0]).read_text().split("## First power-up")[1]
            line = next(line for line in text.splitlines() if limit.what in line)
            if kind in COLUMN:
                line = line.split("|")[2 + COLUMN[kind]]
            found = re.search(r"([\d.]+) to ([\d.]+) V", line)
            assert found is not None
            assert (float(found[1]), float(found[2])) == (limit.least, limit.most)
