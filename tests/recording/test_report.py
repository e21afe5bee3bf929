"""The report in a real browser: no network, no accessibility errors, fits screens and paper."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from ferry_plan_and_command import Practice, run
from simulated_sessions import Case

from tallymark.cli.exit_codes import CHECK
from tallymark.recording.comparison import compare
from tallymark.recording.report import charts

KINDS: dict[str, tuple[object, ...]] = {
    "clean": (),
    "faulty": (
        "--fault",
        "open:3",
        "--drop",
        "3s",
        "--late",
        "20s",
        "--extra",
        1,
        "--lost",
        1,
        "--markers",
        400,
    ),
}


@pytest.fixture(params=KINDS)
def report(
    request: pytest.FixtureRequest, practice: Callable[..., Practice], tmp_path: Path
) -> Path:
    made = practice(*KINDS[request.param])
    path = tmp_path / "report.html"
    result = run("check", made.recording, made.log, "--plan", made.plan, "--report", path)
    expected = "all arrived" if request.param == "clean" else "markers missing"
    assert result.exit_code == CHECK[expected], result.output
    return path


def test_it_asks_the_network_for_nothing(browser: Any, report: Path) -> None:
    page = browser.new_page()
    asked: list[str] = []
    said: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(report.as_uri())
    assert asked == [report.as_uri()]
    assert said == []
    text = report.read_text(encoding="utf-8")
    assert not re.search(r"""(?:src|href)\s*=|@import|url\(|<script""", text)


@pytest.mark.parametrize("width", [1200, 390])
def test_it_is_accessible_and_fits_the_width(browser: Any, report: Path, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 800})
    page.goto(report.as_uri())
    results = Axe().run(page)
    assert results.violations_count == 0, results.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_charts_and_tables_can_be_read_on_a_phone(browser: Any, report: Path) -> None:
    """Letters of the charts are 10 pixels high at least; the table of lines needs no scrolling."""
    page = browser.new_page(viewport={"width": 360, "height": 740})
    page.goto(report.as_uri())
    letters = page.evaluate(
        """Array.from(document.querySelectorAll('figure svg text'))
            .filter(text => text.getClientRects().length && !text.hasAttribute('transform'))
            .map(text => text.getBoundingClientRect().height)"""
    )
    assert len(letters) > 20
    assert min(letters) >= 10
    wide = page.evaluate(
        "(box => box.scrollWidth - box.clientWidth)(document.querySelector('.scroll'))"
    )
    assert wide <= 0
    shown = page.evaluate(
        """Array.from(document.querySelectorAll('svg[aria-labelledby^=time]'))
            .filter(svg => svg.getClientRects().length).length"""
    )
    assert shown == 1


def test_it_prints_on_two_pages(browser: Any, report: Path) -> None:
    page = browser.new_page()
    page.goto(report.as_uri())
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page\b", printed)) <= 2


def test_names_with_markup_are_harmless(practice: Callable[..., Practice], tmp_path: Path) -> None:
    made = practice("--markers", 20)
    log = tmp_path / "log.jsonl"
    log.write_text(made.log.read_text().replace("ferry left", "<b>&ferry</b>"))
    path = tmp_path / "report.html"
    assert run("check", made.recording, log, "--report", path).exit_code == 0
    text = path.read_text(encoding="utf-8")
    assert "<b>&ferry" not in text
    assert "&lt;b&gt;&amp;ferry" in text


def test_levels_in_the_table_are_those_of_the_receiver(
    practice: Callable[..., Practice], plan_file: Path, tmp_path: Path
) -> None:
    plan = tmp_path / "low.toml"
    plan.write_text(plan_file.read_text().replace("[receiver]", '[receiver]\nactive = "low"'))
    low = Practice(plan, tmp_path / "low.bdf", tmp_path / "low.jsonl")
    options = ("--markers", 60, "--seed", 1)
    assert run("practice", low.plan, low.recording, low.log, *options).exit_code == 0
    for made, active, idle in ((practice(), "high", "low"), (low, "low", "high")):
        path = tmp_path / f"{active}.html"
        assert run("check", made.recording, made.log, "--report", path).exit_code == 0
        text = path.read_text(encoding="utf-8")
        assert f"active ({active})</th>" in text
        assert f"idle ({idle})</th>" in text


@pytest.mark.parametrize("seed", range(6))
def test_the_drift_line_is_broken_where_samples_are_missing(seed: int) -> None:
    """Along each piece the line is straight but for half a sample: a jump would show as a spike."""
    session = Case(ppm=200, gap_s=2.5, seed=seed).run()
    result = compare(session.sent, session.events)
    picture = charts.drift(result)
    assert picture is not None
    lines = re.findall(r'polyline class="line" points="([^"]+)"', picture)
    assert len(lines) == 2
    assert picture.count('class="jump"') == 1
    points = [tuple(map(float, point.split(","))) for line in lines for point in line.split()]
    x, y = np.array(points).T
    slope, start = np.polyfit(x, y, 1)
    span_ms = 200e-6 * (result.sent.time[-1] - result.sent.time[0]) / 1e3
    sample_px = abs(slope) * (x[-1] - x[0]) / span_ms
    assert np.abs(y - start - slope * x).max() < 1.2 * sample_px


def test_how_often_is_said_in_english(practice: Callable[..., Practice], tmp_path: Path) -> None:
    made = practice("--markers", 20)
    plan, table = tmp_path / "plan.toml", tmp_path / "events.tsv"
    plan.write_text(made.plan.read_text().replace("code = 3", "code = 3\ncount = 7"))
    table.write_text("onset\tvalue\n1.0\t3\n2.0\t5\n3.0\t7\n4.0\t9\n5.0\t11\n6.0\t11\n")
    result = run("check", table, "--plan", plan, "--rate", 1000)
    assert "came once instead of 7" in result.output
    assert "Code 7 is not in the plan; it came once, first at" in result.output
    assert "Code 11 is not in the plan; it came 2 times, first at" in result.output
