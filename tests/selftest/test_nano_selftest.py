"""The self-test on the Nano's own image in the chip simulator: one fault of each kind, and pairs.

`TALLYMARK_ALL_PAIRS=1` runs all single faults and more pairs (about ten minutes).
"""

from __future__ import annotations

import os
import random
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from test_run import PAIRS, SEED, SINGLES, names

from tallymark.common.lines.readback_wiring_model import Fault, Kind, Wiring
from tallymark.verification.selftest import Report, Verdict, run
from tallymark.verification.selftest.timing import SLOW_FROM_US

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "conformance"))

from nano_rig import NanoRig

CAPTURE_LATE_US = SLOW_FROM_US
"""The Nano's capture dates an edge by an interrupt, up to that much late."""
EVERYTHING = os.environ.get("TALLYMARK_ALL_PAIRS") == "1"
ONE_OF_EACH = list({fault.kind: fault for fault in SINGLES}.values())
CASES = [(fault,) for fault in (SINGLES if EVERYTHING else ONE_OF_EACH)] + random.Random(
    SEED
).sample(PAIRS, 60 if EVERYTHING else 4)


@pytest.fixture
def rig() -> Iterator[NanoRig]:
    rig = NanoRig()
    yield rig
    rig.close()


def with_true_delays(report: Report, truth: tuple[Fault, ...]) -> Report:
    """The report with delays as they are, where they were measured as closely as can be."""
    slow = {fault.lines: fault for fault in truth if fault.kind is Kind.SLOW}
    measured = []
    for place in report.measured:
        found = Fault.parse(place.faults[0]) if place.faults[0].startswith("slow") else None
        true = slow.get(found.lines) if found else None
        if found and true and max(
            abs(found.rise_us - true.rise_us), abs(found.fall_us - true.fall_us)
        ) <= CAPTURE_LATE_US:
            place = replace(place, faults=(str(true),))
        measured.append(place)
    return replace(report, measured=tuple(measured))


def test_straight_wiring(rig: NanoRig) -> None:
    with rig.open() as box:
        report = run(box)
        assert box.levels().outputs == 0
    assert report.verdict is Verdict.FINE
    assert (report.board, report.codes_tested, report.edges_lost) == ("nano", 256, 0)
    for entry in report.inputs:
        assert entry.rise_us is not None
        assert entry.fall_us is not None
        assert max(entry.rise_us, entry.fall_us) <= CAPTURE_LATE_US
        assert entry.stray_edges == 0
    assert report.width_error_us is not None
    assert abs(report.width_error_us) <= CAPTURE_LATE_US
    assert report.widths[0].asked_us == 50


@pytest.mark.parametrize("truth", CASES, ids=lambda truth: " ".join(map(str, truth)))
def test_faults(rig: NanoRig, truth: tuple[Fault, ...]) -> None:
    rig.wire(Wiring(truth))
    with rig.open() as box:
        report = run(box)
    assert report.verdict is Verdict.FAULTS
    assert names(with_true_delays(report, truth), truth)
