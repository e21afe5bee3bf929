"""The report in a real browser: no network, no accessibility errors, fits screens and paper."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from ferry import Practice, run
from playwright.sync_api import sync_playwright

KINDS: dict[str, tuple[object, ...]] = {
    "clean": (),
    "faulty": (
        "--fault",
        "open:3",
        "--drop",
        3,
        "--late",
        20,
        "--extra",
        1,
        "--lost",
        1,
        "--markers",
        400,
    ),
}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    found = shutil.which("chromium") or shutil.which("google-chrome")
    assert found, "the report is tested in Chromium: apt-get install chromium"
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=found, args=["--no-sandbox"])
        yield opened
        opened.close()


@pytest.fixture(params=KINDS)
def report(
    request: pytest.FixtureRequest, practice: Callable[..., Practice], tmp_path: Path
) -> Path:
    made = practice(*KINDS[request.param])
    path = tmp_path / "report.html"
    result = run("check", made.recording, made.log, "--plan", made.plan, "--report", path)
    assert result.exit_code == (0 if request.param == "clean" else 1), result.output
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
