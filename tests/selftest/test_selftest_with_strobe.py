"""The self-test of a box with a strobe, whose line is tested like the others."""

from __future__ import annotations

import pytest

from tallymark import Box
from tallymark.box.settings import Settings
from tallymark.common.errors import BadValue
from tallymark.verification.selftest import run
from tallymark.verification.selftest.report import Verdict


def strobed() -> Settings:
    return Settings().changed(strobe=7, strobe_lead_us=300, strobe_hold_us=200)


def test_all_lines_are_tested_and_the_strobe_is_back():
    with Box.open("virtual://?time=stepped") as box:
        box.settings.write(strobed())
        report = run(box)
        assert report.verdict is Verdict.FINE
        assert report.lines_in_use == tuple(range(8))
        assert box.settings.read() == strobed()


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"strobe_lead_us": 0}, "strobe_lead_us"),
        ({"strobe_hold_us": 70_000}, "strobe_hold_us"),
        ({"width_us": 500}, "at least 501"),
        ({"lines": [0, 1]}, "not in use"),
        ({"lines": [7]}, "no code would be left"),
        ({"strobe": 8}, "0 to 7, or none"),
    ],
)
def test_settings_that_can_not_be_are_refused_in_words(wrong, why):
    with pytest.raises(BadValue, match=why):
        strobed().changed(**wrong).check()


def test_a_strobe_goes_through_a_settings_file(tmp_path):
    for settings in (Settings(), strobed()):
        settings.save(tmp_path / "box.toml")
        assert Settings.load(tmp_path / "box.toml") == settings
