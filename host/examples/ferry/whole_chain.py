"""The whole chain without hardware: plan, virtual box, practice recording, check, report.

Runs twice: once with straight wiring, and once with line 3 open and half a second of samples
dropped, which the check must find and name. Files go to the folder given (default build/ferry).

    python host/examples/ferry/whole_chain.py [FOLDER]
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.practice import Amplifier, play, sample, write_bdf
from tallymark.recording import Comparison, columns, compare, load_events, summary
from tallymark.report import write_report
from tallymark.wiring import Wiring

MARKERS = 150


def session(plan: plans.Plan, folder: Path, faults: list[str], dropped: float) -> Comparison:
    """One session: sent through the virtual box, recorded, checked and reported."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    changes = play(plan, MARKERS, folder / "markers.jsonl")
    duration = changes[-1][0] / 1e6 + 1.0
    amplifier = Amplifier(
        rate=1000,
        clock_error_ppm=35.0,
        start_us=1_000_000.0,
        duration_s=duration,
        dropped=((duration / 2, round(dropped * 1000)),) if dropped else (),
    )
    write_bdf(folder / "recording.bdf", sample(changes, Wiring(faults), amplifier))
    log = markerlog.read(folder / "markers.jsonl")
    result = compare(columns(log), load_events(folder / "recording.bdf"))
    write_report(result, folder / "report.html", log, plan)
    return result


def main(folder: Path) -> int:
    """Run both sessions. Returns 0 if the first is clean and the second's faults were found."""
    plan = plans.load(Path(__file__).with_name("plan.toml"))
    wrong = [finding.text for finding in plans.check(plan) if finding.level == "wrong"]
    print(f"plan      {plan.name}: {len(plan.events)} events, " + ("; ".join(wrong) or "they fit"))
    clean = session(plan, folder / "clean", [], 0.0)
    print(f"clean     {summary.headline(clean)}")
    faulty = session(plan, folder / "faulty", ["open:3"], 0.5)
    print(f"faulty    {summary.headline(faulty)}")
    for sentence in summary.timing_sentences(faulty):
        print(f"          {sentence}")
    print(f"reports   {folder}/clean/report.html, {folder}/faulty/report.html")
    named = [(fault.kind, fault.lines) for fault in faulty.faults] == [("never high", (3,))]
    found = named and [round(shift / 1e5) for _, shift in faulty.jumps] == [-5]
    return 0 if clean.clean and found and not wrong else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "build/ferry")))
