"""`tallymark accept`: the first test of a box that somebody built, against a witness.

Exit codes: 0 every step passed; 1 a step failed; 6 nothing failed, but a step is not done or its
result is not known; otherwise those of every command.
"""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path
from typing import Any

import click

from tallymark import __version__
from tallymark.box.box import Box
from tallymark.box.ports.discovery import is_virtual
from tallymark.cli import exit_codes
from tallymark.cli.common import (
    Update,
    box_option,
    err,
    json_option,
    note,
    out,
    print_json,
    progress,
    remember_use,
    take_to_idle,
)
from tallymark.cli.shared_help_texts import WithFaults
from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import LINES
from tallymark.verification.acceptance import record
from tallymark.verification.acceptance import typed_supply_voltages as supply
from tallymark.verification.acceptance.box_and_witness import Boxes, open_boxes
from tallymark.verification.acceptance.limits import SUPPLY, Limit, fits
from tallymark.verification.acceptance.logic_analyser_trace import UNITS, Analyser
from tallymark.verification.acceptance.procedure import (
    Acceptance,
    new_record,
    witness_analyser,
    witness_box,
)
from tallymark.verification.acceptance.record_view import draw, step_line
from tallymark.verification.acceptance.step import FAILED, PASSED, STEPS

CAUTION = """\
All lines will move. Nobody may be wired to anything, and the receiver must be unplugged.
The witness is wired as hardware/ACCEPTANCE.md says."""

_STEP_OF = {name.replace(" ", "-"): name for name in STEPS}
"""Names of steps as they are typed."""


@click.command(cls=WithFaults)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@box_option
@click.option("--witness", metavar="BOX",
              help="A second box that sees the lines of the first: as for --box, or 'virtual'.")
@click.option("--trace", type=click.Path(path_type=Path, dir_okay=False), metavar="TRACE",
              help="Instead of a second box: the file (.vcd, .csv) in which you will save what a "
                   "logic analyser sees. It is asked for when the lines have moved.")
@click.option("--rate", type=float, metavar="HZ", help="With --trace: samples a second.")
@click.option("--clock-ppm", type=float, metavar="PPM",
              help="With --trace: how far the analyser's clock may be off (data sheet).")
@click.option("--channels", metavar="NAMES",
              help="With --trace: names of the channels on line 0 to 7, such as D0,D1,... Default: "
                   "the eight of the file, in order.")
@click.option("--time-unit", type=click.Choice(UNITS),
              help="With --trace: unit of the time column of a CSV file that does not tell it.")
@click.option("--kind", type=click.Choice(list(SUPPLY)),
              help="What you built; tells the limits of the supply voltages. Asked for if needed.")
@click.option("--volts", multiple=True, metavar="V",
              help="A supply voltage as read, in the order of the page of the build; repeat it for "
                   "the next one. Default: each is asked for.")
@click.option("--meter-percent", type=click.FloatRange(0, 50), default=supply.METER_PERCENT,
              show_default=True, help="How far the meter may be off, of its reading.")
@click.option("--by", default="", metavar="NAME", help="Who does it; stands in the record.")
@click.option("--again", multiple=True, type=click.Choice(list(_STEP_OF)),
              help="Do this step once more. Its earlier result stays in the record.")
@click.option("--ready", is_flag=True, help="Do not ask whether everything is ready.")
@click.option("--sign", "key", type=click.Path(path_type=Path, dir_okay=False), metavar="KEY",
              help="Sign the record with this SSH key (ssh-keygen), into FILE.sig.")
@click.option("--show", is_flag=True, help="Only show a record, its digest and its signature.")
@json_option
def accept(
    file: Path,
    where: str | None,
    witness: str | None,
    trace: Path | None,
    rate: float | None,
    clock_ppm: float | None,
    channels: str | None,
    time_unit: str | None,
    kind: str | None,
    volts: tuple[str, ...],
    meter_percent: float,
    by: str,
    again: tuple[str, ...],
    ready: bool,
    key: Path | None,
    show: bool,
    as_json: bool,
) -> None:
    """Test a box that you built against a witness, and keep a record.

    Asks for the supply voltages, runs the self-test, then drives every code, several widths, a held
    code, a restart and a power cut, while a second box or a logic analyser looks on
    (hardware/ACCEPTANCE.md). FILE is the record, as JSON: what was measured, how far it may be off,
    the limits. If FILE exists, what it lacks is done. Takes some two minutes.

    Try it without hardware: tallymark accept try.json --box virtual --witness virtual

    Exit codes: 0 every step that applies passed; 1 a step failed; 6 nothing failed, but a step is
    not done or its result is not known; otherwise those of every command.
    """
    if not show:
        if (witness is None) == (trace is None):
            raise BadValue("Name one witness: --witness BOX for a second box, or --trace for the "
                           "file of a logic analyser.")
        person = _Terminal(kind, volts, ready)
        content = record.load(file) if file.exists() else new_record(__version__, by)
        steps = [_STEP_OF[name] for name in again]
        acceptance = Acceptance(file, content, person, meter_percent, steps)
        if content["steps"]:
            done = sum(not acceptance.to_do(name) for name in STEPS)
            rest = "" if done == len(STEPS) else ", the others follow"
            note(f"{file} exists: {done} of {len(STEPS)} steps are done{rest}.")
        with contextlib.closing(person):
            _run(acceptance, where, witness,
                 _trace_of(trace, rate, clock_ppm, channels, time_unit), person)
        if key is not None:
            record.sign(file, key)
    content = record.load(file)
    signer = record.signed_by(file)
    if as_json:
        print_json(content)
    else:
        if not show:
            out().print()
        out().print(draw(content))
        out().print(f"Record: {file}, SHA-256 {content[record.DIGEST]}", soft_wrap=True)
        if signer is not None:
            out().print(
                f"Its signature in {record.signature_of(file)} fits; key {signer}. Whose key that "
                "is, this does not tell.",
                soft_wrap=True,
            )
    code = {PASSED: exit_codes.DONE, FAILED: exit_codes.NOT_GOOD}
    raise SystemExit(code.get(record.outcome(content), exit_codes.NOT_KNOWN))


_Trace = tuple[Path, Analyser]


def _trace_of(
    trace: Path | None,
    rate: float | None,
    clock_ppm: float | None,
    channels: str | None,
    time_unit: str | None,
) -> _Trace | None:
    if trace is None:
        if any(value is not None for value in (rate, clock_ppm, channels, time_unit)):
            raise BadValue("--rate, --clock-ppm, --channels and --time-unit belong to --trace.")
        return None
    if rate is None or clock_ppm is None:
        raise BadValue(
            "With --trace, give --rate (samples a second) and --clock-ppm (data sheet of the "
            "analyser): without them nobody knows how exact its times are."
        )
    if not (0 < rate < 1e12 and 0 <= clock_ppm <= 1e6):
        raise BadValue("--rate is more than 0, and --clock-ppm 0 to 1,000,000.")
    names = tuple(name.strip() for name in channels.split(",")) if channels else ()
    if names and (len(names) != LINES or len(set(names)) != LINES):
        raise BadValue(f"--channels takes eight different names, unlike '{channels}'.")
    return trace, Analyser(rate, clock_ppm, names, time_unit)


def _run(acceptance: Acceptance, where: str | None, witness: str | None, trace: _Trace | None,
         person: _Terminal) -> None:
    """Does what the record lacks."""
    if record.signature_of(acceptance.path).exists():
        raise BadValue(f"{acceptance.path} is signed, so it stays as it is. Begin a new record.")
    if acceptance.needs_box(trace is not None):
        if trace is not None and trace[0].exists():
            raise BadValue(f"{trace[0]} exists before the lines have moved, so it can't be their "
                           "trace. Name a file that does not exist yet.")
        with contextlib.closing(open_boxes(where, witness, note)) as boxes:
            remember_use()
            try:
                _at_the_box(acceptance, boxes, is_virtual(where), trace, person)
            except KeyboardInterrupt:
                take_to_idle(boxes.box)
                raise
    else:
        acceptance.supply()
    if trace is not None and acceptance.parts_to_judge():
        if not trace[0].exists():
            person.pause(f"Stop the analyser, and save what it saw as {trace[0]}.")
        if not trace[0].exists():
            note(f"{trace[0]} does not exist yet. Save it and give the same command again.")
            return
        acceptance.judge_trace(*trace)


def _at_the_box(acceptance: Acceptance, boxes: Boxes, virtual: bool, trace: _Trace | None,
                person: _Terminal) -> None:
    """What a box is needed for."""
    acceptance.identify(
        boxes.box, witness_analyser(trace[1]) if trace else witness_box(_named(boxes.witness))
    )
    acceptance.supply()
    if not virtual:
        person.ask_ready()
    acceptance.selftest(boxes.box)
    if trace is None:
        acceptance.measure(boxes)
    elif acceptance.parts_to_drive(with_trace=True):
        if not virtual:
            mhz = trace[1].rate_hz / 1e6
            person.pause(f"Start the analyser now: {mhz:g} MHz, for a minute or longer.")
        with boxes.analyser(trace[0], person.say):
            acceptance.drive_for_trace(boxes)


def _named(witness: Box | None) -> Box:
    assert witness is not None
    return witness


class _Terminal:
    """The person at the terminal. Nobody there, that is the end of its input: no answer."""

    def __init__(self, kind: str | None, volts: tuple[str, ...], ready: bool) -> None:
        for text in volts:
            supply.reading(text)
        self._kind = kind
        self._volts = list(volts)
        self._ready = ready
        self._bar = contextlib.ExitStack()
        self._update: Update | None = None

    def say(self, text: str) -> None:
        """Tells what to do now."""
        self._end_bar()
        err().print(text, style="bold")

    def kind(self, board: str) -> str | None:
        """What was built, of the kinds that fit a board."""
        kinds = [kind for kind in SUPPLY if fits(kind, board)]
        if self._kind is None:
            self._kind = self._ask("What did you build?", click.Choice(kinds))
        return self._kind

    def voltage(self, limit: Limit) -> str | None:
        """The reading of a meter."""
        if self._volts:
            return self._volts.pop(0)
        while True:
            text = self._ask(f"{limit.what}, in V (must be {supply.range_text(limit)})")
            try:
                if text is not None:
                    supply.reading(text)
                return text
            except BadValue as error:
                note(f"{error}.")

    def progress(self, text: str, done: float, total: float) -> None:
        """Shows how far a step is."""
        if self._update is None:
            self._update = self._bar.enter_context(progress(text))
        self._update(text, done, total)

    def step_done(self, name: str, step: dict[str, Any]) -> None:
        """Shows what came of a step."""
        self._end_bar()
        err().print(step_line(name, step))

    def ask_ready(self) -> None:
        """Asks once whether the lines may move. Raises BadValue if not."""
        if self._ready:
            return
        self.say(CAUTION)
        if self._ask("Ready? Type yes") != "yes":
            raise BadValue("No line was moved. Give the command again when all is ready; --ready "
                           "leaves the question out.")

    def pause(self, text: str) -> None:
        """Tells what to do now, and waits until it is done."""
        self.say(text)
        if not self._ready:
            self._ask("Press Enter when it is done", default="")

    def close(self) -> None:
        """Ends what is on the screen."""
        self._end_bar()

    def _ask(self, text: str, kind: Any = str, default: str | None = None) -> str | None:
        self._end_bar()
        try:
            answer: str = click.prompt(
                text, type=kind, err=True, default=default, show_default=False
            )
        except click.Abort:
            if not sys.stdin.isatty():
                err().print()
                return None
            raise
        return answer

    def _end_bar(self) -> None:
        self._bar.close()
        self._update = None
