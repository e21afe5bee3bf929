"""The Ferry study's plan, and the command line, for the tests of the recording check."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from click.testing import CliRunner, Result

from tallymark.cli import main

PLAN = """
name = "Ferry"
[receiver]
sampling_rate = 1000
least_width_us = 2000
lines = [0, 1, 2, 3, 4]
[session]
least_interval_us = 300000
width_us = 5000
distance = 2
"""
EVENTS = {
    "boat appears": 3,
    "ferry left": 5,
    "ferry right": 6,
    "answer left": 9,
    "answer right": 10,
    "ferry landed": 24,
}


def run(*arguments: object) -> Result:
    """Run the command line."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


@dataclass
class Practice:
    """A practice recording, its marker log and its plan."""

    plan: Path
    recording: Path
    log: Path
