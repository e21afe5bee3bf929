"""An archive with planted faults: each is found, none is invented, and nothing is counted twice."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from study_rig import Archive, rows_of, run

from tallymark.markerlog.delay import FOUND, MISSING, Delays, EventDelay, ProbeDelay
from tallymark.markerlog.delay.steadiness import steadiness
from tallymark.study.onset_delay_columns import LEAST_ONSETS, onset_values
from tallymark.virtual.stimuli import Display


def test_every_planted_trend_is_found_and_no_other(archive: Archive) -> None:
    planted = {
        (fault["measure"], fault["factor"], fault["level"]): fault["since"]
        for fault in archive.truth["faults"]
        if fault["measure"] not in ("drift", "plan", "log")
    }
    found = {(t["measure"], t["factor"], t["level"]): t for t in archive.summary["trends"]}
    assert found.keys() == planted.keys()
    rows = {row["name"]: row for row in archive.rows}
    for key, since in planted.items():
        trend = found[key]
        assert trend["which"] == "since"
        assert trend["last_before"] <= since <= trend["first"]
        assert {rows[name][key[1]] for name in trend["recordings"]} == {key[2]}


def test_the_clock_that_ages_is_found_with_its_slope(archive: Archive) -> None:
    fault = next(fault for fault in archive.truth["faults"] if fault["measure"] == "drift")
    (clock,) = archive.summary["clocks"]
    assert (clock["factor"], clock["level"]) == (fault["factor"], fault["level"])
    assert clock["low"] < fault["ppm_a_month"] * 365.25 / 360 < clock["high"]
    assert clock["high"] - clock["low"] < 2


def test_a_session_with_anothers_log_is_found_with_whose_it_is(archive: Archive) -> None:
    fault = next(fault for fault in archive.truth["faults"] if fault["measure"] == "log")
    one, other = fault["recordings"]
    found = {row["recording"]: row["log_of"] for row in archive.summary["other_logs"]}
    assert found == {one: other, other: one}


def test_a_plan_that_changed_is_found_where_and_when(archive: Archive) -> None:
    fault = next(fault for fault in archive.truth["faults"] if fault["measure"] == "plan")
    (sentence,) = (text for text in archive.summary["findings"] if text.startswith("Plan:"))
    first, later = sorted(archive.summary["plans"], key=lambda plan: plan["first"])
    assert later["sites"] == [fault["level"]]
    assert later["first"] >= fault["since"] > first["first"]
    assert f"site {fault['level']} changed: {first['digest'][:8]} first" in sentence
    assert f"{later['digest'][:8]} since {later['first']}" in sentence


def test_damage_ends_in_the_table(archive: Archive) -> None:
    told = {row["name"]: row["problem"] for row in archive.summary["not_counted"]}
    assert told.keys() == archive.truth["not_counted"].keys()
    damages = {damage: told[name] for name, damage in archive.truth["not_counted"].items()}
    for damage, words in {
        "log missing": "The marker log is missing",
        "log damaged": "is not a marker log",
        "cut off": "is cut off",
        "empty": "is empty",
        "copied run": "the same as that of sub-",
        "doubled run": "Several recordings have the name of this run",
        "broken link": "a link to a file that is not there",
        "linked loop": "a link to a folder that is looked at already",
    }.items():
        assert words in damages[damage]
    other = next(row for row in archive.rows if row["name"].endswith(".txt"))
    assert other["status"] == "checked"  # what it is shows by its content


def test_each_marker_is_counted_once_and_as_it_was_planted(archive: Archive) -> None:
    fates: dict[str, dict[str, set[int]]] = {}
    for row in rows_of(archive.results, "markers"):
        of = fates.setdefault(row["recording"], {})
        numbers = of.setdefault(row["fate"], set())
        assert row["number"] not in numbers
        numbers.add(row["number"])
    counted = [row for row in archive.rows if row["counted"]]
    assert len(counted) == 60 - 2 - 6  # without exchanged logs, and damaged ones
    for row in counted:
        truth = archive.truth["recordings"][row["name"].replace(".txt", ".edf")]
        found = fates[row["name"]]
        assert found.get("missed", set()) == set(truth["missed"])
        assert found.get("altered", set()) == set(truth["altered"])
        assert len(found["arrived"]) == row["arrived"]
        assert sum(map(len, found.values())) == truth["markers"] == row["expected"]
        assert row["line4_wrong"] == len(truth["altered"])
        assert row["drift_ppm"] == pytest.approx(truth["drift_ppm"], abs=row["drift_error_ppm"])
        assert row["delay_us"] == pytest.approx(truth["delay_us"], rel=0.1)
        assert (row["site"], row["box"]) == (truth["site"], truth["box"])
        assert row["date"].startswith(truth["date"])
    assert archive.summary["totals"]["expected"] == sum(row["expected"] for row in counted)


def test_onsets_are_those_of_the_display_that_was_planted(archive: Archive) -> None:
    display, sensor = Display(), {}
    for row in (row for row in archive.rows if row["counted"]):
        truth = archive.truth["recordings"][row["name"].replace(".txt", ".edf")]
        # The marker comes at the begin of a frame, the light with the line of the sensor.
        after = truth["lag_us"] + display.scan_us + display.rise_us / 2
        assert row["light_onset_us"] == pytest.approx(after, abs=300)
        assert row["light_onset_jitter_us"] < 300
        assert row["light_late_onsets"] == len(truth["late"])
        assert row["light_no_onset"] == 0
        assert row["sound_onsets"] is row["sound_onset_us"] is row["ttl_late_onsets"] is None
        sensor[row["name"]] = row["light_onsets"]
    seen = Counter(row["recording"] for row in rows_of(archive.results, "markers")
                   if row["onset_us"] is not None)
    assert {name: seen[name] for name in sensor} == sensor
    (quay,) = (level for level in archive.summary["groups"]["site"] if level["level"] == "Quay")
    assert quay["onsets"][0]["probe"] == "light"
    assert quay["onsets"][0]["onset_us"] > 20_000


def test_without_a_plan_that_names_probes_nothing_is_said_of_onsets(few: Path) -> None:
    run("study", "check", few)
    for row in rows_of(few / "derivatives/tallymark"):
        assert row["status"] == "checked"
        assert row["light_onsets"] is row["light_onset_us"] is None


def of_probe(delays_us: list[float], fates: list[int], why: str = "") -> ProbeDelay:
    """What a probe said, as far as the columns take it."""
    count = len(fates)
    delays, found = np.array(delays_us, float), np.array(fates)
    names, none = ("horn",) * count, np.zeros(count, bool)
    times = np.arange(count) * 1_000_000
    steady = steadiness(times[found == FOUND].astype(float), delays[found == FOUND],
                        np.zeros(int((found == FOUND).sum()), np.int64))
    every = EventDelay("all", count, 0, 0, 0, 0, 0, 0, 0, None, None, None, None, None)
    return ProbeDelay("light", 0, np.arange(count), times, delays, names, found, none, count, 0,
                      steady, why, (every,), every)


def test_nothing_is_said_of_too_few_onsets_or_of_a_flicker() -> None:
    usual = [20_000.0 + 10 * (n % 5) for n in range(LEAST_ONSETS)]

    def told(*parts: ProbeDelay) -> dict[str, object]:
        values = onset_values(Delays(Path("log"), (-1, 1), parts))
        return {name[6:]: value for name, value in values.items() if name.startswith("light_")}

    enough = told(of_probe([*usual, 36_667.0, np.nan], [*[FOUND] * (LEAST_ONSETS + 1), MISSING]))
    assert (enough["onsets"], enough["late_onsets"], enough["no_onset"]) == (LEAST_ONSETS + 1, 1, 1)
    assert enough["onset_us"] == 20_020
    assert enough["onset_jitter_us"] < 20
    few = told(of_probe(usual[1:], [FOUND] * (LEAST_ONSETS - 1)))
    assert few == {"onsets": LEAST_ONSETS - 1, "onset_us": None, "onset_jitter_us": None,
                   "late_onsets": None, "no_onset": None}
    both = told(of_probe(usual[:5], [FOUND] * 5), of_probe(usual[5:], [FOUND] * 5))
    assert both["onset_us"] == 20_020
    flicker = told(of_probe(usual, [FOUND] * LEAST_ONSETS, "flicker"))
    assert (flicker["onsets"], flicker["onset_us"]) == (0, None)


def test_verdicts_are_those_of_single_checks(archive: Archive) -> None:
    by_outcome = {row["outcome"]: row for row in archive.rows if row["status"] == "checked"}
    assert by_outcome.keys() == {"all arrived", "markers missing", "wrong codes", "another session"}
    markers = rows_of(archive.results, "markers")
    for row in by_outcome.values():
        single = json.loads(run("check", row["recording"], row["log"], "--json").stdout)
        assert single["outcome"] == row["outcome"]
        assert single["findings"][0]["text"] == row["summary"]
        assert single["timing"]["drift_ppm"] == row["drift_ppm"]
        assert [(m["number"], m["fate"], m["recorded_code"], m["residual_us"])
                for m in single["markers"]] == [
            (m["number"], m["fate"], m["recorded_code"],
             None if m["residual_us"] is None else pytest.approx(m["residual_us"], abs=1e-6))
            for m in markers if m["recording"] == row["name"] and m["fate"] != "extra"
        ]


def test_tsv_says_what_parquet_says(archive: Archive) -> None:
    for name in ("recordings", "markers"):
        with (archive.results / f"{name}.tsv").open(newline="", encoding="utf-8") as file:
            told = list(csv.DictReader(file, delimiter="\t", quoting=csv.QUOTE_NONE))
        rows = rows_of(archive.results, name)
        assert len(told) == len(rows)
        assert told[0].keys() == rows[0].keys()
        about = json.loads((archive.results / f"{name}.json").read_text())
        assert about.keys() == rows[0].keys()
        for text, row in zip(told, rows, strict=True):
            for key, value in row.items():
                if value in (None, ""):
                    assert text[key] == "n/a"
                elif isinstance(value, float):
                    assert float(text[key]) == value
                elif not isinstance(value, bool):
                    assert text[key] == " ".join(str(value).split())


def errors_of_validator(folder: Path) -> Counter[str]:
    program = Path(sys.executable).with_name("bids-validator-deno")
    done = subprocess.run([program, "--json", folder], capture_output=True, text=True, check=False)
    issues = json.loads(done.stdout)["issues"]["issues"]
    return Counter(issue["code"] for issue in issues if issue["severity"] == "error")


def test_the_derivative_is_valid_bids(archive: Archive, few: Path, address: str) -> None:
    assert errors_of_validator(archive.results) == {}
    events = list(archive.results.rglob("*_desc-markers_events.tsv"))
    checked = [row for row in archive.rows
               if row["status"] == "checked" and row["identity"] != "foreign"]
    assert len(events) == len(checked)
    run("study", "check", few, "--scheduler", address)
    assert errors_of_validator(few) == {}  # the data set with its derivative
    assert errors_of_validator(few / "derivatives" / "tallymark") == {}


def test_what_is_said_of_the_screen_gets_into_each_sidecar(
    few: Path, address: str, tmp_path: Path
) -> None:
    screen, said = tmp_path / "screen.json", {"ScreenRefreshRate": 60, "ScreenSize": [0.53, 0.3]}
    screen.write_text(json.dumps(said))
    command = ("study", "check", few, "--scheduler", address, "--stimulus", screen)
    run(*command, code=0)
    results = few / "derivatives" / "tallymark"
    sidecars = sorted(results.rglob("*_desc-markers_events.json"))
    told = [json.loads(path.read_text()) for path in sidecars]
    assert [one["StimulusPresentation"] for one in told] == [said] * 8
    assert all(one["fate"] for one in told)  # beside what the columns mean
    assert errors_of_validator(results) == {}
    wrong = told[0] | {"StimulusPresentation": {"ScreenRefreshRate": "60 Hz"}}
    sidecars[0].write_text(json.dumps(wrong))
    assert errors_of_validator(results)  # so the validator does look at it
    kept = {path: path.stat().st_mtime_ns for path in results.glob("results/*")}
    screen.write_text(json.dumps({"ScreenRefreshRate": 75}))
    run(*command, "--replace", code=0)  # nothing is checked again for it
    assert json.loads(sidecars[0].read_text())["StimulusPresentation"] == {"ScreenRefreshRate": 75}
    assert {path: path.stat().st_mtime_ns for path in results.glob("results/*")} == kept
    screen.write_text(json.dumps({"ScreenRefreshRate": "60 Hz"}))
    assert "ScreenRefreshRate is frames a second" in run(*command, "--replace", code=2).stderr
    (few / "dataset_description.json").unlink()
    assert "is no BIDS data set" in run(*command, "--replace", code=2).stderr
