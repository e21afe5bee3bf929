"""Onsets, samples and fates in exported BIDS events, against another reader of the recording."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path

import mne
import numpy as np
import pytest
from ferry_plan_and_command import EVENTS, Practice, run
from simulated_sessions import Case

from tallymark import BadValue, markerlog
from tallymark.markerlog import LoggedMarker, MarkerLog
from tallymark.recording import bids
from tallymark.recording.comparison import compare

Make = Callable[..., Practice]
HOST_US = 5_000_000_000


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8") as file:
        return list(csv.DictReader(file, delimiter="\t"))


def exported(made: Practice, tmp_path: Path) -> list[dict[str, str]]:
    path = tmp_path / "events.tsv"
    assert run("check", made.recording, made.log, "--events", path).exit_code != 2
    return rows_of(path)


def seen_by_others(recording: Path) -> dict[int, int]:
    """Code by sample of each event in a recording, as mne-python finds them."""
    raw = mne.io.read_raw_bdf(recording, verbose="error")
    found = mne.find_events(
        raw, "Marker lines", shortest_event=1, mask=0xFF, mask_type="and", verbose="error"
    )
    return {int(sample) - raw.first_samp: int(code) for sample, _, code in found}


@pytest.mark.parametrize(
    "options", [(), ("--lost", 5, "--extra", 4), ("--fault", "open:1")]
)
def test_samples_are_those_that_another_reader_finds(
    practice: Make, tmp_path: Path, options: tuple[object, ...]
) -> None:
    made = practice(*options)
    rows = exported(made, tmp_path)
    others = seen_by_others(made.recording)
    there = {int(row["sample"]): int(row["recorded_value"]) for row in rows
             if row["sample"] != "n/a"}
    assert len(there) > 50
    assert there == others
    rate = mne.io.read_raw_bdf(made.recording, verbose="error").info["sfreq"]
    for row in rows:
        assert (row["sample"] == "n/a") == (row["recorded_value"] == "n/a")
        if row["sample"] != "n/a":
            assert abs(float(row["onset"]) - int(row["sample"]) / rate) <= 2 / rate
        assert abs(float(row["duration"]) - 0.005) <= 2.5 / rate
        assert row["fate"] != "extra" or row["trial_type"] == "n/a"
        assert row["fate"] == "extra" or EVENTS[row["trial_type"]] == int(row["value"])
    onsets = [float(row["onset"]) for row in rows]
    assert onsets == sorted(onsets)
    if "--extra" in options:
        assert sum(row["fate"] == "extra" for row in rows) == 8  # per cent of 200 markers
        missed = [row for row in rows if row["fate"] == "missed"]
        assert 5 <= len(missed) <= 10
        assert {row["sample"] for row in missed} == {"n/a"}
    if "--fault" in options:
        altered = [row for row in rows if row["fate"] == "altered"]
        assert altered
        assert all(int(row["recorded_value"]) == int(row["value"]) & ~2 for row in altered)


def test_what_is_not_in_the_recording_has_no_row(tmp_path: Path) -> None:
    """A recording that begins late and ends early, and markers whose place nobody knows."""
    session = Case(late=0.2, early=0.2, markers=200).run()
    result = compare(session.sent, session.events)
    fates = np.array([bids.FATES[fate] for fate in result.fate])
    assert (fates == "outside").sum() > 50
    unknown = np.flatnonzero(fates == "arrived")[10:13]
    result.fate[unknown] = bids.FATES.index("unknown")
    before = np.flatnonzero(fates == "arrived")[20]
    result.fate[0] = bids.FATES.index("absent")  # never confirmed, and sent before the recording
    assert result.alignment_times()[0] < 0
    path = tmp_path / "events.tsv"
    bids.write_comparison(result, path)
    rows = rows_of(path)
    assert {row["fate"] for row in rows} == {"arrived"}
    assert len(rows) == (fates == "arrived").sum() - 3
    assert all(float(row["onset"]) >= 0 for row in rows)
    samples = [int(row["sample"]) for row in rows]
    assert int(session.events.sample[result.partner[before]]) in samples
    for gone in unknown:
        assert int(session.events.sample[result.partner[gone]]) not in samples


# A marker log alone -------------------------------------------------------------------------------


def write_log(path: Path) -> markerlog.LogData:
    """A session in which the box starts again after 10 s, and one marker is never answered."""
    with MarkerLog(path, now_us=lambda: HOST_US) as log:
        log.sent(1, 3, 5_000, "boat\tappears\n", HOST_US, False)
        log.answered(1, 100_000, HOST_US + 50, 40)
        log.sent(2, 5, 5_000, None, HOST_US + 1_000_000, False)
        log.refused(2, "overlap")
        log.sent(3, 6, None, None, HOST_US + 2_000_000, True)
        log.answered(3, 2_100_000, HOST_US + 2_000_060, 45)
        log.sent(4, 0, None, None, HOST_US + 2_500_000, True)
        log.answered(4, 2_600_000, HOST_US + 2_500_060, 45)
        log.sent(5, 9, 5_000, None, HOST_US + 3_000_000, False)
        log.sent(6, 10, 5_000, None, HOST_US + 4_000_000, False)
        log.answered(6, 4_100_000, HOST_US + 4_000_060, 45)
        log.unconfirmed(5, "no answer came")
        log.restarted("power")
        log.sent(7, 24, 5_000, None, HOST_US + 10_000_000, False)
        log.answered(7, 30_000, HOST_US + 10_000_050, 60)
    return markerlog.read(path)


def test_events_of_a_log(tmp_path: Path) -> None:
    path = tmp_path / "events.tsv"
    sidecar = bids.write_log(write_log(tmp_path / "log.jsonl"), path)
    rows = rows_of(path)
    assert [row["value"] for row in rows] == ["3", "6", "9", "10", "24"]
    assert [row["confirmed"] for row in rows] == ["yes", "yes", "no", "yes", "yes"]
    # By box time from the first on; by host time where nothing better is known, such as after
    # the restart, when box time had begun again.
    assert [row["onset"] for row in rows] == [
        "0.000000", "2.000000", "2.999950", "4.000000", "10.000000"
    ]
    # Nobody knows how long the last one before the restart was out.
    assert [row["duration"] for row in rows] == [
        "0.005000", "0.500000", "n/a", "n/a", "0.005000"
    ]
    assert rows[0]["trial_type"] == "boat appears"
    assert rows[0]["host_error"] == "0.000040"
    assert rows[2]["host_error"] == "n/a"
    assert set(json.loads(sidecar.read_text())) == set(rows[0])


def test_tests_before_the_session_are_no_events(tmp_path: Path) -> None:
    with MarkerLog(tmp_path / "log.jsonl") as log:
        for number, test in ((1, True), (2, False)):
            log.sent(number, 3 + number, 5_000, None, number, False, test)
            log.answered(number, number * 1_000_000, number * 1_000_000, 40)
    bids.write_log(markerlog.read(tmp_path / "log.jsonl"), tmp_path / "events.tsv")
    assert [(row["value"], row["onset"]) for row in rows_of(tmp_path / "events.tsv")] == [
        ("5", "0.000000")]


def test_events_come_in_the_order_of_their_times(tmp_path: Path) -> None:
    """An answer for a byte may be told before that for a marker which waited."""
    with MarkerLog(tmp_path / "log.jsonl") as log:
        for code, box_us in ((3, 500_000), (5, 100_000), (6, 300_000)):
            log.byte_marker(LoggedMarker(
                -1, code, 5_000, box_us=box_us, host_us=box_us, error_us=1, fate="done"
            ))
    path = tmp_path / "events.tsv"
    bids.write_log(markerlog.read(tmp_path / "log.jsonl"), path)
    onsets = [float(row["onset"]) for row in rows_of(path)]
    assert onsets == sorted(onsets)


def test_neither_file_is_overwritten(tmp_path: Path) -> None:
    data = write_log(tmp_path / "log.jsonl")
    for existing in ("events.tsv", "events.json"):
        folder = tmp_path / existing.replace(".", "_")
        folder.mkdir()
        (folder / existing).write_text("mine")
        with pytest.raises(BadValue, match="exists already"):
            bids.write_log(data, folder / "events.tsv")
        assert (folder / existing).read_text() == "mine"
        assert [entry.name for entry in folder.iterdir()] == [existing]
