"""Draws the report of a self-test on a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tallymark.common.formatting import time_text
from tallymark.common.lines.readback_wiring_model import Fault
from tallymark.verification.selftest.fault_text import short
from tallymark.verification.selftest.report import Place, Report, Verdict

_MOST_WITH_PINS = 4
"""With more explanations than this, the screen leaves out where to look for each."""


def draw(report: Report) -> RenderableType:
    """The whole report. What is wrong comes last, where the eye is when the screen has scrolled."""
    return Group(*_parts(report))


def _parts(report: Report) -> Iterator[RenderableType]:
    named = f"{report.name} " if report.name else ""
    yield Text.assemble(
        ("Self-test of ", "dim"),
        (f"{named}{report.board} {report.serial}", "bold"),
        (f", firmware {report.firmware}", "dim"),
    )
    yield Text(f"at {report.port}", "dim")
    yield Text()
    yield _inputs(report)
    yield Text()
    yield from _figures(report)
    yield Text()
    yield _headline(report)
    if report.verdict is Verdict.UNEXPLAINED:
        yield Padding(
            Text("There are three or more faults, or an unknown fault. The indications of each "
                 "input follow; repair the first, and test again."),
            (0, 0, 0, 2),
        )
        for place in report.symptoms:
            yield from _place(place)
    yield from _explanations(report.explanations)
    for place in report.measured:
        yield from _place(place)
    yield from _meaning(report)


def _headline(report: Report) -> Text:
    lines = "all eight lines" if len(report.lines_in_use) == 8 else (
        f"lines {', '.join(map(str, report.lines_in_use))}")
    if report.verdict is Verdict.FINE:
        return Text.assemble(
            ("✓ No fault. ", "bold green"),
            f"{report.codes_tested} codes on {lines} were read back correctly.",
        )
    if report.verdict is Verdict.UNEXPLAINED:
        return Text("✗ Faults found that one or two known faults do not explain.", "bold red")
    first = report.explanations[0] if report.explanations else ()
    count = sum(place.needs for place in first) + len(report.measured)
    return Text(f"✗ {count} fault{'s' if count > 1 else ''} found.", "bold red")


def _explanations(explanations: Sequence[tuple[Place, ...]]) -> Iterator[RenderableType]:
    if len(explanations) < 2:
        for places in explanations:
            for place in places:
                yield from _place(place)
        return
    yield Text(f"  {len(explanations)} explanations fit equally well; this test can't distinguish "
               "them:")
    if len(explanations) > _MOST_WITH_PINS:
        for number, places in enumerate(explanations, 1):
            text = ". And: ".join(place.what for place in places)
            yield Padding(Text(f"{number}. {text}."), (0, 0, 0, 2))
        yield Text("  The pins for each are in the JSON report.", "dim")
        return
    for number, places in enumerate(explanations, 1):
        yield Text(f"  Explanation {number}", "bold")
        for place in places:
            yield from _place(place)


def _place(place: Place) -> Iterator[RenderableType]:
    yield Padding(Text.assemble(("• ", "red"), (f"{place.what}.", "bold")), (0, 0, 0, 2))
    yield Padding(Text.assemble(("Check: ", "cyan"), f"{place.look}."), (0, 0, 0, 4))


def _meaning(report: Report) -> Iterator[RenderableType]:
    if report.altered_example is not None:
        sent, arrived = report.altered_example
        text = (f"{report.codes_altered} of {report.codes_tested} codes would arrive altered, for "
                f"instance code {sent} as {arrived}.")
        yield Text()
        yield Padding(Text.assemble(("In the recording: ", "cyan"), text), (0, 0, 0, 2))
    elif report.measured:
        yield Text()
        yield Padding(
            Text.assemble(
                ("In the recording: ", "cyan"),
                "codes arrive, but late, or altered for a moment around each edge. Short markers "
                "may be missing.",
            ),
            (0, 0, 0, 2),
        )
    if report.hidden_faults:
        listed = [short(Fault.parse(text)) for text in report.hidden_faults]
        which = f" ({', '.join(listed)})" if len(listed) <= 6 else ""
        yield Padding(
            Text.assemble(
                ("Hidden: ", "cyan"),
                f"{len(listed)} other faults would be hidden by this one{which}. Test again after "
                "the repair.",
            ),
            (0, 0, 0, 2),
        )


def _inputs(report: Report) -> Table:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    table.add_column("  input", justify="right")
    table.add_column("")
    table.add_column("behaviour")
    table.add_column("rises after", justify="right")
    table.add_column("falls after", justify="right")
    for entry in report.inputs:
        good = entry.right and not entry.slow and not entry.stray_edges
        saw = entry.saw if entry.in_use else f"{entry.saw} (line not in use)"
        table.add_row(
            str(entry.line),
            Text("✓", "green") if good else Text("✗", "bold red"),
            Text(saw, "" if entry.right else "red"),
            *(
                Text("never" if late is None else time_text(late), "red" if entry.slow else "")
                for late in (entry.rise_us, entry.fall_us)
            ),
        )
    return table


def _figures(report: Report) -> Iterator[RenderableType]:
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    table.add_column("", style="dim", no_wrap=True)
    table.add_column("")
    if report.widths:
        span = f"{time_text(report.widths[0].asked_us)} to {time_text(report.widths[-1].asked_us)}"
        error = (
            "could not be measured: no input without a fault saw them"
            if report.width_error_us is None
            else "exact" if report.width_error_us == 0
            else f"{report.width_error_us:+} µs at most, by the box's own capture"
        )
        table.add_row("  pulse widths", f"{span}: {error}")
        for line, widths in _missed(report).items():
            table.add_row("", f"input {line} missed pulses of {widths}")
    if report.latency is not None:
        late = report.latency
        table.add_row(
            "  call to edge",
            f"{time_text(late.least_us)} to {time_text(late.longest_us)}, median "
            f"{time_text(late.median_us)}, each ± {time_text(late.bound_us)} ({late.markers} "
            "markers)",
        )
    if report.edges_lost:
        table.add_row(
            "  edges lost",
            Text(f"{report.edges_lost}: the times above are incomplete; test again while the "
                 "computer is less busy", "yellow"),
        )
    if report.idle != "low" or len(report.lines_in_use) < 8:
        lines = ", ".join(map(str, report.lines_in_use))
        rest = "" if len(report.lines_in_use) == 8 else "; other lines were not driven"
        active = " (an active line is low)" if report.idle == "high" else ""
        table.add_row("  tested", f"lines {lines}, idle {report.idle}{active}{rest}")
    table.add_row("  took", f"{report.seconds:.1f} s")
    yield table


def _missed(report: Report) -> dict[int, str]:
    """For each input the widths that it did not see."""
    return {
        line: ", ".join(
            time_text(width.asked_us) for width in report.widths if line in width.missed_by
        )
        for line in sorted({line for width in report.widths for line in width.missed_by})
    }
