"""The page and the screen of a study: what is wrong stands at the head, and nothing is cut off."""

from __future__ import annotations

import re
from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from study_rig import run

from tallymark.study import as_data, summarised
from tallymark.study.measures import DRIFT
from tallymark.study.recording_discovery import Found
from tallymark.study.report import MOST_NAMED, charts, render
from tallymark.study.result_columns import RECORDINGS
from tallymark.study.result_store import ResultStore
from tallymark.study.whole_study import Study

Row = dict[str, Any]
PLACES = "[...document.querySelectorAll('.scroll')].map(e => [e.scrollWidth, e.clientWidth])"


def row(number: int, **changes: object) -> Row:
    """A recording in which all is well, or with changes."""
    made: Row = dict.fromkeys((column.name for column in RECORDINGS), None)
    made |= {f"line{line}_told": 60 for line in range(8)}
    made |= {f"line{line}_wrong": 0 for line in range(8)}
    return made | {
        "name": f"sub-{number:05d}/eeg/sub-{number:05d}_task-ferry_eeg.edf", "status": "checked",
        "outcome": "all arrived", "identity": "own", "counted": True, "subject": f"{number}",
        "session": "1", "site": "Harbour", "box": "01AB000000000001", "problem": "",
        "amplifier": "Harbour amplifier 1", "date": f"2025-{1 + number % 12:02d}-07T09:00:00",
        "expected": 60, "arrived": 60, "altered": 0, "missed": 0, "merged": 0, "extra": 0,
        "drift_ppm": -20.51, "jitter_us": 285.0, "sampling_us": 288.7, "late_us": 0.0,
        "delay_us": 1406.0, "delay_jitter_us": 150.9, "plan": "Ferry", "summary": "a sentence",
    } | changes  # fmt: skip


FAILED = {"status": "failed", "outcome": None, "identity": None, "counted": False, "expected": None,
          "arrived": None, "altered": None, "missed": None, "merged": None, "extra": None,
          "problem": "The marker log is missing.", "summary": None}
FOREIGN = {"outcome": "another session", "identity": "foreign", "counted": False, "log_of": ""}


def study(tmp_path: Path, *rows: Row) -> Study:
    counts = Counter(one["status"] for one in rows)
    return Study("ferry", Found(), list(rows), ResultStore(tmp_path / "results"), counts=counts)


def head_of(page: str) -> str:
    return page.partition('<div class="verdict')[2].partition("</div>")[0]


def test_a_recording_with_wrong_codes_stands_at_the_head(tmp_path: Path) -> None:
    summary = summarised(study(
        tmp_path,
        *(row(number) for number in range(1, 8)),
        row(8, **FAILED),
        row(9, **FOREIGN),
        row(10, outcome="markers missing", missed=3, extra=1),
        row(11, outcome="wrong codes", altered=9, arrived=51, line4_wrong=9),
        row(12, outcome="wrong codes", altered=2, arrived=58,
            **{f"line{line}_wrong": 1 for line in range(4)}),
    ))  # fmt: skip
    assert summary.named == [
        "sub-00011_task-ferry_eeg.edf: wrong codes, line 4 (9 altered; 60 markers sent)",
        "sub-00010_task-ferry_eeg.edf: markers missing (3 missed, 1 extra; 60 markers sent)",
        "sub-00012_task-ferry_eeg.edf: wrong codes (2 altered; 60 markers sent)",
    ]
    page = render(summary)
    assert all(text in head_of(page) for text in summary.named)
    assert [one["text"] for one in as_data(summary)["not_right"]] == summary.named
    table = page.partition("<h2>Recordings that are not all right")[2]
    order = [table.index(f"sub-{number:05d}_") for number in (11, 10, 12, 9, 8)]
    assert order == sorted(order)  # what was recorded wrong comes before what was not checked


def test_a_long_list_is_cut_and_says_so(tmp_path: Path) -> None:
    rows = [row(number, outcome="markers missing", missed=number) for number in range(1, 18)]
    page = render(summarised(study(tmp_path, *rows)))
    head = head_of(page)
    assert head.count("_task-ferry_eeg.edf: markers missing") == MOST_NAMED
    assert "sub-00017_task" in head
    assert f"and {17 - MOST_NAMED} more, in the table below" in head


def test_what_a_trend_tells_of_comes_after_the_rest(tmp_path: Path) -> None:
    bad: Row = {"outcome": "markers missing", "missed": 20, "box": "bad"}
    rows = [row(number, **(bad if number % 3 == 0 else {})) for number in range(1, 60)]
    rows[0] = row(1, outcome="wrong codes", altered=1, line2_wrong=1)
    summary = summarised(study(tmp_path, *rows))
    assert summary.trends.found
    assert summary.named[0].startswith("sub-00001_task-ferry_eeg.edf: wrong codes, line 2")
    assert len(summary.named) == 20


@pytest.mark.parametrize(("count", "said"), [(11, False), (12, True)])
def test_no_trend_is_said_only_where_one_was_looked_for(
    tmp_path: Path, count: int, said: bool
) -> None:
    page = render(summarised(study(tmp_path, *(row(number) for number in range(count)))))
    assert ("No trend was found" in page) == said


def test_the_figure_that_got_worse_is_framed_and_its_recordings_are_seen(tmp_path: Path) -> None:
    rows = [row(number, date=f"2025-{1 + number // 28:02d}-{1 + number % 28:02d}T09:00:00",
                site="Quay" if number % 2 else "Harbour", box=f"b{number % 2}", light_onsets=60,
                light_onset_us=37_700.0 if number % 2 and number > 60 else 21_000.0,
                light_onset_jitter_us=0.4, light_late_onsets=1, light_no_onset=0)
            for number in range(120)]
    rows.append(row(200, **FAILED, date=""))
    page = render(summarised(study(tmp_path, *rows)))
    onsets = page.partition("<h3>Onsets</h3>")[2].partition("</table>")[0].split("<tr>")
    quay, harbour = (next(one for one in onsets if f"site {name}<" in one)
                     for name in ("Quay", "Harbour"))
    assert quay.count(' class="n out"') == 1
    assert "out" not in harbour
    strokes = [one.partition('class="one" d="')[2].partition('"')[0] for one in (quay, harbour)]
    assert [one.count("M") for one in strokes] == [2, 1]  # before it got worse, and after
    assert strokes[0].startswith(strokes[1])
    assert "below 20" in quay  # µs: a probe resolves no less
    assert "1 without a date is not drawn." in page
    assert "no site" not in page.partition("<h2>What got worse")[0]
    assert "<h3>Delay from the marker to the light</h3>" in page


def test_a_clock_that_runs_slow_is_drawn_above_the_axis() -> None:
    rows = [row(number, drift_ppm=-20.0 - number) for number in range(10)]
    drawn = charts.panel(rows, DRIFT, [])
    heights = [float(one) for one in re.findall(r'cy="([0-9.]+)"', drawn)]
    axis = float(re.search(r'class="axis" d="M\d+ ([0-9.]+)', drawn)[1])  # type: ignore[index]
    assert len(heights) == 10
    assert max(heights) < axis - 3


@pytest.mark.parametrize(("width", "medium"), [(1100, "screen"), (800, "screen"), (695, "print")])
def test_the_tables_fit(browser: Any, tmp_path: Path, width: int, medium: str) -> None:
    rows = [row(1), row(2, altered=59, outcome="wrong codes", missed=1, drift_ppm=-0.0872)]
    path = tmp_path / "study.html"
    path.write_text(render(summarised(study(tmp_path, *rows))), encoding="utf-8")
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.emulate_media(media=medium)
    page.goto(path.as_uri())
    places = page.evaluate(PLACES)
    page.close()
    assert len(places) == 4
    assert [needed for needed, _ in places] == [there for _, there in places]


@pytest.mark.parametrize(("options", "said"), [((), True), (("--sound",), False)])
def test_a_small_archive_for_practice_says_what_it_is_too_small_for(
    tmp_path: Path, options: tuple[str, ...], said: bool
) -> None:
    ran = run("study", "practice", tmp_path / "a", "--recordings", 2, "--markers", 10,
              "--workers", 1, *options, code=0)
    assert ("Below about 40 recordings, trends may not be told." in ran.stderr) == said
