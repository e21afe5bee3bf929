"""The report as PDF, and what a lab notebook wants to know: read back by pypdf."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime, timezone
from pathlib import Path

import pytest
from ferry_plan_and_command import Practice, run
from pypdf import PdfReader

from tallymark.cli import exit_codes
from tallymark.recording.report import charts, pdf

FIELDS = {
    "participant": "P07", "session": "2, after lunch", "experimenter": "Żaneta Ångström",
    "amplifier": "32 channels, serial 1204",
}  # fmt: skip
OPTIONS = [word for name, text in FIELDS.items() for word in (f"--{name}", text)]
FAULTY = ("--fault", "open:3", "--drop", "3s", "--late", "20s", "--extra", 1, "--lost", 1)


def text_of(path: Path) -> str:
    """All words of a PDF, as another program reads them."""
    return " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())


@pytest.mark.parametrize("faults", [(), FAULTY], ids=["clean", "faulty"])
def test_it_says_what_the_page_says(
    practice: Callable[..., Practice], tmp_path: Path, faults: tuple[object, ...]
) -> None:
    made = practice(*faults)
    path = tmp_path / "report.pdf"
    done = run("check", made.recording, made.log, "--plan", made.plan, "--report", path, *OPTIONS)
    assert f"written: {path}" in done.output
    said = text_of(path)
    title = done.stdout.splitlines()[0]
    for words in (title, "plan “Ferry”", "Line by line", "Markers over time", "Events",
                  "not a medical device", "Date", "Signature", *FIELDS.values()):
        assert words in said, words
    assert ("never active" in said) == bool(faults)
    assert ("samples missing" in said) == bool(faults)
    assert len(PdfReader(path).pages) <= 3
    assert "width 5 ms" in said  # of the settings, with its unit


def test_the_same_result_and_date_give_the_same_bytes(
    practice: Callable[..., Practice], tmp_path: Path
) -> None:
    made = practice()
    program = """if True:
        import sys
        from datetime import datetime, timezone
        from pathlib import Path
        from tallymark import markerlog
        from tallymark.recording import columns, compare, load_events
        from tallymark.recording.report import write_report
        log = markerlog.read(sys.argv[2])
        result = compare(columns(log), load_events(Path(sys.argv[1])))
        write_report(result, sys.argv[3], log, made=datetime(2026, 3, 4, 5, 6, tzinfo=timezone.utc))
    """
    written = []
    for seed in ("1", "2"):
        path = tmp_path / f"{seed}.pdf"
        subprocess.run([sys.executable, "-c", program, made.recording, made.log, path], check=True,
                       env={**os.environ, "PYTHONHASHSEED": seed})
        written.append(path.read_bytes())
    assert written[0] == written[1]
    about = PdfReader(path).metadata
    assert about is not None
    assert about.creation_date == datetime(2026, 3, 4, 5, 6, tzinfo=timezone.utc)
    assert "made on 2026-03-04 05:06 UTC" in text_of(path)


def test_letters_that_the_font_lacks_are_told(
    practice: Callable[..., Practice], tmp_path: Path
) -> None:
    made = practice()
    path = tmp_path / "report.pdf"
    run("check", made.recording, made.log, "--report", path, "--experimenter", "渡辺")
    assert "The font of this PDF lacks U+6E21, U+8FBA" in text_of(path)


def test_every_shape_of_the_charts_has_its_look() -> None:
    classes = set(charts.CLASSES)
    assert classes == set(pdf._SHAPES)
    assert {shape for shape, _ in pdf._KEY} <= classes


def test_without_what_writes_it_nothing_is_done(
    practice: Callable[..., Practice], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = practice()
    monkeypatch.setattr(pdf, "find_spec", lambda name: None if name == "fpdf" else name)
    path = tmp_path / "report.pdf"
    done = run("check", made.recording, made.log, "--report", path)
    assert done.exit_code == exit_codes.BAD_INPUT
    assert "pip install fpdf2 matplotlib" in done.output
    assert "All markers arrived" not in done.output
    assert not path.exists()


def test_the_page_has_the_fields_too(practice: Callable[..., Practice], tmp_path: Path) -> None:
    made = practice()
    path = tmp_path / "report.html"
    run("check", made.recording, made.log, "--report", path, *OPTIONS[:6])
    text = path.read_text(encoding="utf-8")
    for name in ("participant", "session", "experimenter"):
        assert f"<dt>{name}</dt><dd>{FIELDS[name]}</dd>" in text
    assert "<dt>amplifier</dt><dd></dd>" in text  # a line to write on
    assert "<span>Signature</span>" in text
