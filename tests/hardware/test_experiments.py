"""The sheet of experiments says what the virtual box does."""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("tallymark", reason="needs the project's own Python package")

SHEET = Path(__file__).resolve().parents[2] / "hardware/experiments/EXPERIMENTS.md"


def test_the_expected_results_are_those_of_the_virtual_box() -> None:
    import experiments

    sheet = SHEET.read_text()
    assert experiments.widths_table() in sheet
    assert experiments.codes_table("bridged-or:1,4") in sheet
    assert experiments.verdict("bridged-or:1,4") in sheet
    assert experiments.verdict("slow:5,200,300") in sheet


def test_a_pulse_as_wide_as_a_sample_period_is_always_seen() -> None:
    import experiments

    assert experiments.seen_share(1000, 1000) == 1.0
    assert experiments.seen_share(1000, 500) == pytest.approx(0.5, abs=0.05)
