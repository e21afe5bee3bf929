"""The whole chain without hardware: plan, virtual box, practice recording, check, report.

The session is sent once. A simulated amplifier records it twice: with straight wiring, and with
line 3 open on the way to the amplifier and half a second of samples dropped, which the check must
find and name. (The box's own readback sees the lines at its connector and can't know of that.)

    python host/examples/ferry/whole_chain.py [FOLDER]      default: build/demo
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import send

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.recording import Comparison, columns, compare, load_events, summary
from tallymark.recording.report import write_report
from tallymark.virtual.practice import Amplifier, sample, write_recording

RATE = 1000
LOST_S = 0.5


def record_and_check(
    changes: list[tuple[int, int]],
    plan: plans.Plan,
    log: markerlog.LogData,
    folder: Path,
    faults: list[str],
    lost_s: float,
) -> Comparison:
    """Records the lines with a simulated amplifier, checks the recording, writes the report."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    duration_s = changes[-1][0] / 1e6 + 1.0
    amplifier = Amplifier(
        rate=RATE,
        clock_error_ppm=35.0,
        start_us=1_000_000.0,
        duration_s=duration_s,
        dropped=((duration_s / 2, round(lost_s * RATE)),) if lost_s else (),
    )
    write_recording(folder / "recording.edf", sample(changes, Wiring(faults), amplifier))
    result = compare(columns(log), load_events(folder / "recording.edf"))
    write_report(result, folder / "report.html", log, plan)
    return result


def main(folder: Path) -> int:
    """Returns 0 if all went well, and the faults that were planted were found and named."""
    console = send.make_console()
    plan = plans.load(send.HERE / "plan.toml")
    wrong = [finding.text for finding in plans.check(plan) if finding.level == "wrong"]
    console.print(f"Plan '{plan.name}': {len(plan.events)} events; {'; '.join(wrong) or 'it fits'}")

    good, edges = send.session(send.VIRTUAL, plan, folder, console)
    changes = [(edge.time_us, edge.levels) for edge in edges]
    log = markerlog.read(folder / "markers.jsonl")

    console.print("\n[bold]The amplifier's recording, straight wiring[/]")
    clean = record_and_check(changes, plan, log, folder / "clean", [], 0.0)
    console.print(summary.headline(clean))
    console.print("\n[bold]The same with line 3 open and 500 samples dropped[/]")
    faulty = record_and_check(changes, plan, log, folder / "faulty", ["open:3"], LOST_S)
    console.print(summary.headline(faulty))
    for sentence in summary.timing_sentences(faulty):
        console.print(sentence)
    console.print(f"\nReports: {folder}/clean/report.html, {folder}/faulty/report.html")

    named = [(fault.kind, fault.lines) for fault in faulty.faults] == [("never active", (3,))]
    placed = [round(shift / 1e5) for _, shift in faulty.jumps] == [-5]
    return 0 if good and clean.clean and named and placed and not wrong else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1] if len(sys.argv) > 1 else "build/demo")))
