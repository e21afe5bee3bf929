"""Self-test: drives the lines, reads them back, and says what is wrong with the wiring.

- `run` drives a box, `measure` works out delays and widths, `infer` finds the wiring faults,
  `words` says them with the pins to look at, `judge` makes the `Report`. Where one or two faults
  don't explain everything, `patterns` describes each input and `symptoms` gives hints.
- `screen` draws a report on a terminal.
"""

from tallymark.selftest.report import Report, Verdict
from tallymark.selftest.runner import Progress, SelftestStopped, run

__all__ = ["Progress", "Report", "SelftestStopped", "Verdict", "run"]
