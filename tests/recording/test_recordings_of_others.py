"""Recordings that came with MNE-Python give the events that MNE-Python finds in them.

Files and expected events are in `others`; nothing is fetched, and MNE-Python is not asked.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tallymark.recording import load_events

OTHERS = Path(__file__).with_name("others")
EXPECTED = json.loads((OTHERS / "expected.json").read_text(encoding="utf-8"))["events"]
END = 7900  # samples in the data file of the BrainVision recordings


def test_there_are_events_of_each_kind() -> None:
    assert len(EXPECTED) == 4
    assert all(len(rows) > 8 for rows in EXPECTED.values())


@pytest.mark.parametrize("which", [name for name in EXPECTED if "markers" not in name])
def test_a_status_channel(which: str) -> None:
    name, _, channel = which.partition(" ")
    events = load_events(OTHERS / name, channel=channel)
    ours = [list(row) for row in zip(events.sample.tolist(), events.code.tolist(), strict=True)]
    assert ours == EXPECTED[which]


@pytest.mark.parametrize("which", [name for name in EXPECTED if "markers" in name])
def test_a_marker_file(which: str) -> None:
    """All types; a code is the number at the end of a description. MNE-Python leaves out what lies
    behind the end of the data, which only the data file tells."""
    events = load_events(OTHERS / which.partition(" ")[0], types=["all"])
    ours = [list(row) for row in zip(events.sample.tolist(), events.code.tolist(), strict=True)]
    numbered = [
        [sample, int(found[1])]
        for sample, text in EXPECTED[which]
        if (found := re.search(r"[/SRO ](\d+)$", text))
    ]
    assert [row for row in ours if row[0] < END] == numbered
