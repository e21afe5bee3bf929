"""Draws the record of an acceptance on a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from tallymark.common.formatting import listed, time_text
from tallymark.verification.acceptance import record
from tallymark.verification.acceptance.procedure import IN_SIMULATION, witness_text
from tallymark.verification.acceptance.step import (
    DOES_NOT_APPLY,
    FAILED,
    NOT_DONE,
    NOT_KNOWN,
    PASSED,
    STEPS,
)

_SIGNS = {
    PASSED: ("✓", "green"),
    FAILED: ("✗", "bold red"),
    NOT_KNOWN: ("?", "yellow"),
    NOT_DONE: ("-", "yellow"),
    DOES_NOT_APPLY: ("-", "dim"),
}


def draw(content: dict[str, Any]) -> RenderableType:
    """The whole record. The outcome comes last, where the eye is when the screen has scrolled."""
    return Group(*_parts(content))


def step_line(name: str, step: dict[str, Any]) -> Text:
    """One step and its state."""
    sign, style = _SIGNS[step["state"]]
    return Text.assemble((f"{sign} ", style), STEPS[name].title, (f": {step['state']}", style))


def _parts(content: dict[str, Any]) -> Iterator[RenderableType]:
    box = content.get("box")
    if box is not None:
        named = f"{box['name']} " if box["name"] else ""
        yield Text.assemble(
            ("Acceptance of ", "dim"),
            (f"{named}{box.get('kind', box['board'])} {box['serial']}", "bold"),
            (f", firmware {box['firmware']}, protocol {box['protocol']}", "dim"),
        )
        yield Text(f"witness: {witness_text(content['witness'])}", "dim")
    by = f" by {content['by']}" if content["by"] else ""
    yield Text(f"begun {content['begun_utc']}{by}, {content['program']}", "dim")
    yield Text()
    yield _table(content)
    for name in STEPS:
        step = content["steps"].get(name)
        if step is not None and step["state"] != PASSED:
            yield from _trouble(name, step)
    yield Text()
    yield from _outcome(content)


def _table(content: dict[str, Any]) -> Table:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("step")
    table.add_column("measured", justify="right", no_wrap=True)
    table.add_column("limits", no_wrap=True)
    for name, meaning in STEPS.items():
        step = content["steps"].get(name, {"state": NOT_DONE, "figures": []})
        sign, style = _SIGNS[step["state"]]
        table.add_row(Text(f"{sign} {meaning.title}", "bold"), Text(step["state"], style))
        for figure in step["figures"]:
            table.add_row(*_figure(figure))
    return table


def _figure(figure: dict[str, Any]) -> tuple[RenderableType, ...]:
    style = "" if figure.get("verdict", PASSED) == PASSED else _SIGNS[figure["verdict"]][1]
    measured = _value(figure["value"], figure["unit"])
    if figure["bound"]:
        measured += f" ± {_value(figure['bound'], figure['unit'])}"
    what = Padding(Text(figure["what"], style), (0, 0, 0, 2))
    return what, Text(measured, style), Text(_limits(figure), style)


def _limits(figure: dict[str, Any]) -> str:
    if "verdict" not in figure:
        return ""
    least, most, unit = figure["least"], figure["most"], figure["unit"]
    if least == most:
        return _value(most, unit)
    if least is None:
        return f"at most {_value(most, unit)}"
    return f"{_value(least, unit)} to {_value(most, unit)}"


def _value(value: float, unit: str) -> str:
    if unit == "µs":
        return time_text(value) if abs(value) >= 10 else f"{value:.3g} µs"
    text = f"{value:.2f}" if unit == "V" else f"{value:.3g}"
    return f"{text} {unit}".strip()


def _trouble(name: str, step: dict[str, Any]) -> Iterator[RenderableType]:
    yield Text()
    yield step_line(name, step)
    for note in step["notes"]:
        yield Padding(Text(note), (0, 0, 0, 2))
    for look in step["look"]:
        yield Padding(Text.assemble(("look: ", "dim"), look), (0, 0, 0, 2))


def _outcome(content: dict[str, Any]) -> Iterator[RenderableType]:
    of_state: dict[str, list[str]] = {}
    for name in STEPS:
        of_state.setdefault(record.state_of(content, name), []).append(STEPS[name].title.lower())
    whole = record.outcome(content)
    if whole == PASSED:
        yield Text("✓ Accepted: every step that applies passed.", "bold green")
    elif whole == FAILED:
        yield Text(f"✗ Not accepted. Failed: {listed(of_state[FAILED])}.", "bold red")
    else:
        yield Text("? Not accepted yet.", "bold yellow")
    for state, words in (
        (NOT_KNOWN, "The result is not known of"),
        (NOT_DONE, "Not done"),
        (DOES_NOT_APPLY, "Does not apply, so nothing is said of it"),
    ):
        if state in of_state:
            yield Text(f"{words}: {listed(of_state[state])}.")
    if content.get("measured") == IN_SIMULATION:
        yield Text("Measured in simulation: a virtual box says nothing about a board.", "yellow")
