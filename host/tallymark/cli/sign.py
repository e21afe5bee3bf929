"""`tallymark sign`: a session signature by hand.

Exit codes: 0 it went out; 1 only a part of it did; otherwise those of every command.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.box.box import Box
from tallymark.cli import exit_codes
from tallymark.cli.common import box_option, code_option, json_option, note, opened, out, print_json
from tallymark.common.errors import BadValue
from tallymark.common.formatting import duration, time_text
from tallymark.common.signature import Session, Signed
from tallymark.common.signature.pattern import PULSES


@click.command()
@click.option("--plan", "plan_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Take code and width from this plan, which reserves a code by two lines: "
                   "'[signature]' and, below it, 'code = 255'.")
@click.option("--code", type=code_option, metavar="CODE",
              help="Without a plan: the code, which no event may have. 255 is usual.")
@click.option("--log", "log_file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Note it in this marker log, which is made if it doesn't exist, and go on with "
                   "the session of the signatures in it.")
@box_option
@json_option
def sign(
    plan_file: Path | None,
    code: int | None,
    log_file: Path | None,
    where: str | None,
    as_json: bool,
) -> None:
    """Send a session signature.

    15 pulses of one code, whose intervals spell the number of the session. By it 'check' knows
    which session a recording holds, and which place of it, even if all blocks look alike. Send it
    when the recording runs, before the first marker, and in pauses: the box refuses markers until
    it is over, after 1 to 2 s (longer where the receiver is slow).

    Exit codes: 0 it went out; 1 only a part of it did, because somebody stopped it; otherwise those
    of every command.
    """
    plan = None if plan_file is None else plans.load(plan_file)
    if (plan is None) == (code is None):
        raise BadValue("Give --plan with a plan that reserves a code, or --code. Nothing was sent.")
    session = None if log_file is None else _session_in(log_file)
    with opened(where, drives=True) as box, contextlib.ExitStack() as stack:
        if session is not None:
            box.session = session
        if log_file is not None:
            log = markerlog.MarkerLog.for_box(log_file, box, plan, append=log_file.exists())
            log.tell = note
            stack.enter_context(log)
        signed = _sign(box, plan, code)
    _tell(signed, log_file, as_json)
    if signed.pulses < PULSES:
        raise SystemExit(exit_codes.NOT_GOOD)


def _sign(box: Box, plan: plans.Plan | None, code: int | None) -> Signed:
    if plan is not None:
        return plan.sign(box)
    assert code is not None
    return box.sign(code)


def _session_in(log_file: Path) -> Session | None:
    """The session whose signatures a log holds; None for a new one."""
    if not log_file.exists():
        return None
    signatures = markerlog.read(log_file).signatures
    return Session(signatures[-1].session, signatures[-1].count) if signatures else None


def _tell(signed: Signed, log_file: Path | None, as_json: bool) -> None:
    if as_json:
        print_json({
            "session": signed.session,
            "signature": signed.count,
            "code": signed.form.code,
            "unit_us": signed.form.unit_us,
            "pulses": signed.pulses,
            "box_times_us": list(signed.edges_us),
        })
        return
    last = signed.signature.starts[-1] * signed.form.unit_us + signed.form.width_us
    went = f"took {duration(last)}"
    if signed.pulses < PULSES:
        went = f"was stopped after {signed.pulses} of {PULSES} pulses and can't be read"
    out().print(
        f"Session {signed.session}: signature {signed.count} (code {signed.form.code}) began at "
        f"box time {time_text(signed.box_us)} and {went}."
    )
    if log_file is None:
        note("No marker log knows of it, so a check can't use it. Give a FILE by --log, or call "
             "Box.sign in the program that writes the log.")
