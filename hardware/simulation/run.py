"""Run the line simulation and write RESULTS.md, the pictures and results.csv.

Usage: python run.py <work folder> [<folder for RESULTS.md and the pictures>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import line_measurements
import probe_inputs
import report
import rest_levels

if __name__ == "__main__":
    work = Path(sys.argv[1])
    target = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(__file__).resolve().parent
    target.mkdir(parents=True, exist_ok=True)
    results, shorts = line_measurements.run_all(work)
    line_measurements.write_csv(results, work / "results.csv")
    (target / "RESULTS.md").write_text(
        report.markdown(results, shorts, rest_levels.markdown(work) + probe_inputs.markdown(work))
    )
    report.pictures(results, work, target)
