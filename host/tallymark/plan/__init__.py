"""The plan of a session: named events, their codes and widths, and what the receiver needs.

A plan is a TOML file:

    name = "Ferry"

    [receiver]
    sampling_rate = 1000        # Hz
    least_samples = 2           # samples that a pulse must last to be seen reliably

    [session]
    least_interval_us = 200000  # shortest time from one marker to the next
    width_us = 5000             # default width of events

    [[event]]
    name = "boat appears"
    code = 3
    count = 120                 # number of occurrences, if known

`keys.py` lists all keys, with units and ranges (on the screen: `tallymark plan keys`). `load` reads
a plan, `check` reports problems, `fit` compares the settings of a box with it, and
`Plan.event` gives code and width by name.
"""

from tallymark.plan.box_compatibility import fit, needed_settings, settings_line
from tallymark.plan.checks import check
from tallymark.plan.findings import Finding, worst_first
from tallymark.plan.model import Event, Plan, PlanError, Receiver, Session
from tallymark.plan.reader import from_mapping, load, parse

__all__ = [
    "Event",
    "Finding",
    "Plan",
    "PlanError",
    "Receiver",
    "Session",
    "check",
    "fit",
    "from_mapping",
    "load",
    "needed_settings",
    "parse",
    "settings_line",
    "worst_first",
]
