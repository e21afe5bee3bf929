"""How often this program did not run is one sentence, on the terminal and on the page."""

from __future__ import annotations

import io

from rich.console import Console

from tallymark.box.settings import Settings
from tallymark.bridge.pause_report import ProgramPauses
from tallymark.monitor import LiveScreen
from tallymark.page.bridge_messages import Messages

PAUSES_US = [160_000 + 1_000 * (at % 7) for at in range(100)]


def test_a_flood_is_a_few_lines_on_a_terminal_and_the_last_has_all_of_it():
    written = io.StringIO()
    pauses = ProgramPauses()
    with LiveScreen(None, Settings(), console=Console(file=written, width=400)) as screen:
        for lasted_us in PAUSES_US:
            due = pauses.add(lasted_us)
            screen.pauses(pauses.text(), due)
        assert pauses.untold
        screen.pauses(pauses.text(), True)
    lines = [line for line in written.getvalue().splitlines() if "did not run" in line]
    assert len(lines) == 8  # the first, then 2, 4, 8 ... 64, and at the end
    assert "did not run 100 times, for up to 166 ms" in lines[-1]


def test_a_flood_is_one_line_on_the_page():
    messages, pauses = Messages(), ProgramPauses()
    messages.say("A program has opened the port.")
    for lasted_us in PAUSES_US:
        due = pauses.add(lasted_us)
        messages.pauses(pauses.text(), due)
    told = messages.as_data()
    assert [each["text"][:24] for each in told] == [
        "A program has opened the", "This program did not run"
    ]
    assert "100 times, for up to 166 ms" in told[-1]["text"]
    assert told[-1]["bad"]


def test_a_pause_that_is_much_longer_deserves_a_line():
    pauses = ProgramPauses()
    due = [pauses.add(lasted_us) for lasted_us in (200_000, 210_000, 500_000, 300_000, 220_000)]
    assert due == [True, True, True, False, False]
    assert pauses.untold


def test_one_pause_is_told_in_the_singular_and_once():
    pauses = ProgramPauses()
    assert not pauses.untold
    assert pauses.add(163_300)
    assert not pauses.untold
    assert pauses.text().startswith("This program did not run for up to 163.3 ms:")
    assert pauses.text().endswith("Bytes received in that time were late.")
