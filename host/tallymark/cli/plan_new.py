"""`tallymark plan new`: a plan from a list of names and codes, or from answers to questions."""

from __future__ import annotations

import dataclasses
from collections import Counter
from pathlib import Path

import click

from tallymark import plan as plans
from tallymark.cli.common import json_option, note, print_json
from tallymark.cli.number_lists import listed
from tallymark.cli.output_files import check_free, replace_option
from tallymark.common.errors import NotWritten, describe_lines
from tallymark.common.formatting import parse_time, some
from tallymark.common.lines.readback_wiring_model import LINES
from tallymark.plan.plan_from_table_or_answers import (
    Answers,
    Row,
    code_of,
    plan_text,
    read_rows,
    with_codes,
)
from tallymark.plan.signature_checks import free_code


@click.command("new")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--from", "source", type=click.Path(path_type=Path), metavar="CSV",
              help="Names and codes of the events. No questions are asked.")
@click.option("--name", help="Name of the study.")
@click.option("--rate", metavar="HZ", help="Sampling rate of the amplifier.")
@click.option("--lines", metavar="LINES", help="Lines that reach the amplifier, such as 0-4.")
@click.option("--width", metavar="TIME", help="Width of the pulses, such as 5ms.")
@click.option("--interval", metavar="TIME", help="Shortest time from marker to marker.")
@click.option("--signature", metavar="CODE", help="Code to reserve for the session signature.")
@replace_option
@json_option
def new(file: Path, source: Path | None, replace: bool, as_json: bool, **given: str | None) -> None:
    """Write a plan FILE.

    Asks for what the plan has to say, or takes the events from a CSV file: its first row names the
    columns, name and code, and if you like width, count and about. An event without a code gets
    one that differs from all others in two lines, if there are such codes.
    """
    check_free(file, replace=replace, inputs=[source])
    asks = source is None
    if asks and not as_json:
        note("An empty answer takes what stands in brackets. Ctrl-C ends it, and writes nothing.")
    answers = Answers(
        name=_ask("Name of the study", given["name"], "", asks),
        rate=_rate(_ask("Sampling rate of the amplifier, in Hz", given["rate"], "", asks, _rate)),
        lines=_lines(_ask("Lines that reach the amplifier", given["lines"], "0-7", asks, _lines)),
        width=_ask("Width of the pulses", given["width"], "5ms", asks, _time),
        interval=_ask("Shortest time from marker to marker", given["interval"], "", asks, _time),
    )
    rows = read_rows(source) if source is not None else _asked_rows()
    signature = _signature(given["signature"], rows, answers.lines, asks)
    answers = dataclasses.replace(answers, signature=signature)
    text = plan_text(answers, *with_codes(rows, answers))
    plan = plans.from_mapping(plans.parse(text, str(file)), str(file))
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise NotWritten(file, error) from error
    found: Counter[str] = Counter(finding.level for finding in plans.check(plan))
    if as_json:
        print_json({"file": str(file), "events": {one.name: one.code for one in plan.events},
                    "wrong": found["wrong"], "risks": found["risk"]})
        return
    for event in plan.events:
        click.echo(f"{event.code:>4}  {event.name}")
    if plan.signature_code is not None:
        click.echo(f"{plan.signature_code:>4}  (session signature: tallymark sign --plan {file})")
    click.echo(f"Written: {file}, with {some(len(plan.events), 'event')}.")
    said = " and ".join(some(found[level], word) for level, word in
                        (("wrong", "problem"), ("risk", "risk")) if found[level])
    click.echo(
        f"The plan has {said}; see: tallymark plan check {file}"
        if said
        else f"Nothing is wrong with it: tallymark plan check {file}"
    )


def _ask(what: str, given: str | None, default: str, asks: bool, check: object = None) -> str:
    """An answer that `check` takes: that of an option, of the user, or the default."""
    if given is not None or not asks:
        text = default if given is None else given
        if text and callable(check):
            check(text)
        return text
    while True:
        answer: str = click.prompt(what, default=default, show_default=bool(default), err=True)
        try:
            if answer.strip() and callable(check):
                check(answer)
        except click.BadParameter as error:
            note(error.message)
            continue
        return answer.strip()


def _asked_rows() -> list[Row]:
    rows: list[Row] = []
    note("Now the events. An empty name ends the list, an empty code gets one proposed.")
    while True:
        name = click.prompt(f"Event {len(rows) + 1}", default="", show_default=False, err=True)
        if name.strip():
            code = _ask("  its code", None, "", True, _code)
            rows.append(Row(name.strip(), code_of(code, name)))
        elif rows:
            return rows
        else:
            note("A plan has one event at least.")


def _signature(given: str | None, rows: list[Row], lines: int, asks: bool) -> int | None:
    """The code reserved for the session signature, or None."""
    used = {row.code for row in rows if row.code is not None}

    def check(text: str) -> None:
        code = _code(text) or 0
        if code in used:
            raise click.BadParameter(f"an event has code {code}, so it can't be the signature's.")
        if code & ~lines:
            raise click.BadParameter(f"code {code} needs {describe_lines(code & ~lines)}, too.")

    free = free_code(used, lines)
    if given is None and free is None:
        return None
    question = (
        "Code to reserve for the session signature, by which 'check' knows the session and the "
        f"place, such as {free} (empty: none)"
    )
    text = _ask(question, given, "", asks, check)
    return code_of(text, "the code of the signature")


def _code(text: str) -> int | None:
    try:
        return code_of(text.strip(), "the code")
    except plans.PlanError as error:
        raise click.BadParameter(str(error)) from None


def _time(text: str) -> int:
    try:
        time = parse_time(text)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None
    if not time:
        raise click.BadParameter("the time has to be longer than 0.")
    return time


def _rate(text: str) -> float | None:
    if not text:
        return None
    try:
        rate = float(text)
    except ValueError:
        rate = 0.0
    if not 0 < rate < 1e9:
        raise click.BadParameter(f"'{text}' is not a sampling rate in Hz, such as 1000.")
    return rate


def _lines(text: str) -> int:
    try:
        lines = listed(text, LINES - 1)
    except ValueError as error:
        raise click.BadParameter(f"{error}.") from None
    if not lines:
        raise click.BadParameter("no line is given.")
    return sum(1 << line for line in lines)
