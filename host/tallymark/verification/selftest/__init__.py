"""Self-test: drives the lines, reads them back, and names wiring faults.

- `runner` drives a box, `timing` gives delays and widths, `fault_inference` finds the wiring
  faults, `fault_text` names them with the pins to check, `report_builder` makes the `Report`
  (module `report`). Where one or two faults do not explain everything, `readback_boolean_functions`
  describes each input and `readback_input_hints` gives hints.
- `report_view` draws a report on a terminal.
"""

from tallymark.verification.selftest.report import Report, Verdict
from tallymark.verification.selftest.runner import Progress, SelftestStopped, run

__all__ = ["Progress", "Report", "SelftestStopped", "Verdict", "run"]
