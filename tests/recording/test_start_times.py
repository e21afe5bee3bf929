"""The times of day at which log and recording began: weak evidence, used and said."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from click.testing import CliRunner
from generator.cases import make
from generator.judge import as_inputs
from generator_files import session, write_brainvision, write_log

from tallymark.cli.check import check
from tallymark.markerlog import LogData, LoggedMarker
from tallymark.recording import Comparison, compare
from tallymark.recording.sent_markers import columns

BLOCKS = make(3, "blocks", "late_start", 240)
NOON_US = datetime(2026, 11, 27, 12).timestamp() * 1e6


def _compared(off_s: float | None, zone_h: int = 0) -> Comparison:
    """off_s: by how much the recorder's clock is off; None for a file without a time."""
    sent, recorded = as_inputs(BLOCKS)
    sent = replace(sent, utc_us=NOON_US)
    if off_s is not None:
        began_us = NOON_US + BLOCKS.world.amplifier.start + off_s * 1e6
        began = datetime(1970, 1, 1) + timedelta(microseconds=began_us, hours=zone_h)
        recorded = replace(recorded, began=began)
    return compare(sent, recorded)


def _likely(result: Comparison) -> float:
    """Mean probability of the true events."""
    truth = BLOCKS.truth()
    there = np.flatnonzero(truth >= 0)
    alignment = result.alignment
    own = np.where(alignment.event[there] == truth[there], alignment.p_event[there], 0.0)
    second = np.where(alignment.rival[there] == truth[there], alignment.p_rival[there], 0.0)
    return float((own + second).mean())


def test_a_place_where_the_clocks_agree_is_more_probable_but_not_certain() -> None:
    without = _compared(None)
    for zone_h in (0, 9):
        told = _compared(2.0, zone_h)
        assert _likely(told) > _likely(without) + 0.1
        assert not (told.fate != without.fate).any()
        assert any("where it lies in the log" in note for note in told.recorded.notes)
    assert without.recorded.notes == []


def test_clocks_that_agree_with_no_place_change_nothing() -> None:
    without, told = _compared(None), _compared(11.0)
    assert abs(_likely(told) - _likely(without)) < 1e-6
    assert any("Check the clocks" in note for note in told.recorded.notes)


def test_clocks_that_are_days_apart_tell_nothing() -> None:
    assert _compared(40 * 3600.0).recorded.notes == []


def test_the_log_tells_the_time_of_day_of_box_time() -> None:
    """Its header was written 3 s after box time 0, at noon."""
    header = {"start": "2026-11-27T12:00:00+00:00", "host": 8_000_000}
    marker = LoggedMarker(1, 7, fate="done", box_us=4_000_000, host_us=9_000_000)
    noon_us = datetime.fromisoformat(header["start"]).timestamp() * 1e6
    assert columns(LogData(Path("log"), [header], [marker], sessions=[0])).utc_us == noon_us - 3e6
    for lacking in ({"host": 8_000_000}, {"start": "noon", "host": 8_000_000}):
        assert columns(LogData(Path("log"), [lacking], [marker], sessions=[0])).utc_us is None


def test_what_the_log_tells_is_told_beside_the_times_of_day(tmp_path: Path) -> None:
    made = session("irregular", "none", 1, 40)
    log = write_log(tmp_path / "log.jsonl", made.log)
    log.write_text(log.read_text().rpartition('{"end"')[0])
    recording = write_brainvision(tmp_path, made)
    told = CliRunner().invoke(check, [str(recording), str(log), "--json"]).stdout
    assert "By the computers' clocks" in told
    assert "The log was not closed" in told
