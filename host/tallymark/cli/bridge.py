"""`tallymark bridge`: a byte port for any box."""

from __future__ import annotations

import contextlib
import json
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import click

from tallymark import markerlog
from tallymark import plan as plans
from tallymark.box.box import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.protocol_enumerations import ByteMode
from tallymark.bridge import Bridge, ByteAction, ByteOutcomes, BytePort, byte_actions
from tallymark.bridge.box_reopening import reopener
from tallymark.bridge.port_factory import make_byte_port
from tallymark.cli import exit_codes, interrupts
from tallymark.cli.common import (
    box_option,
    json_option,
    note,
    out,
    remember_use,
    time_option,
)
from tallymark.common.errors import BadValue
from tallymark.common.formatting import duration
from tallymark.monitor import LiveScreen, LogComparison, compare_log, draw_at_end
from tallymark.monitor.pacing_advice import Origin
from tallymark.plan import Plan

_MODES = [mode.label for mode in ByteMode if mode is not ByteMode.OFF]


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.option("--append", is_flag=True, help="Append to the marker log FILE if it exists.")
@click.option("--link", type=click.Path(path_type=Path), metavar="PATH",
              help="Make a symbolic link to the pseudo-terminal at PATH.")
@click.option("--tcp", "tcp_port", type=click.IntRange(0, 65535), metavar="PORT",
              help="Provide a TCP port instead of a pseudo-terminal; 0: any free port.")
@click.option("--listen", "address", metavar="ADDRESS",
              help="With --tcp: the address to listen on, for connections from other computers. "
                   "Needs a token.")
@click.option("--token", envvar="TALLYMARK_TOKEN",
              help="With --tcp: the first line that a program must send. Prefer the environment "
                   "variable TALLYMARK_TOKEN, since other users may see the options of a command. "
                   "It travels unencrypted. Useful on this computer too.")
@click.option("--serial", "serial_port", metavar="PORT",
              help="Read the bytes from an existing serial port: a cable from the stimulus "
                   "computer, or one end of a pair of ports.")
@click.option("--baud", type=click.IntRange(50, 4_000_000), default=115_200, show_default=True,
              help="With --serial: its baud rate.")
@click.option("--byte-mode", type=click.Choice(_MODES),
              help="How each byte is used in this run; default: the setting byte_mode of the box. "
                   "pulse: a pulse of the width, byte 0 nothing; set: a code that stays, byte 0 "
                   "idle; limited: a pulse, which byte 0 may end early.")
@click.option("--width", type=time_option, metavar="TIME",
              help="Width of every pulse: 500us, 5ms. Default: the width in the plan, otherwise "
                   "the width in the settings of the box.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Show the event names of this plan, and compare with it at the end.")
@click.option("--idle-at-hang-up", is_flag=True,
              help="Take the lines to idle when a program closes the port with a code on them.")
@box_option
@json_option
def bridge(
    file: Path | None,
    append: bool,
    link: Path | None,
    tcp_port: int | None,
    address: str | None,
    token: str | None,
    serial_port: str | None,
    baud: int,
    byte_mode: str | None,
    width: int | None,
    plan_file: Path | None,
    idle_at_hang_up: bool,
    where: str | None,
    as_json: bool,
) -> None:
    """Provide a port that turns each byte into a marker.

    For experiment programs that can only write a byte to a serial port (or to a TCP connection):
    each byte becomes a marker at once. What comes in is shown, and kept in the marker log FILE.
    Ends with Ctrl-C, which takes the lines to idle. With --json it prints JSON Lines: where the
    port is, an object a byte, and in the end a summary.

    Without --tcp and --serial the port is a pseudo-terminal, which a program opens like any serial
    port, at any rate.

    If the plan reserves a code for the session signature, it is sent first; bytes that come before
    it is over, within 2 s as a rule, are refused and reported.

    Exit codes: 0 ended by Ctrl-C or SIGTERM, and each byte became what it should; 1 some did not
    (refused, unconfirmed, cut short by the next one, or merged with the same code before it), the
    log lacks records, or the plan says otherwise; 4 the box was gone at the end; otherwise those of
    every command.
    """
    plan = None if plan_file is None else plans.load(plan_file)
    if plan is not None and not plan.events:
        raise BadValue(f"{plan_file} names no event: nothing to compare with.")
    with contextlib.ExitStack() as stack:
        box = stack.enter_context(_opened(where))
        settings, meaning = _meaning(box, byte_mode, width, plan)
        planned = plan is not None and width is None
        origin: Origin = "option" if width is not None else "plan" if planned else "settings"
        screen = LiveScreen(plan, settings, as_json=as_json, console=out(), origin=origin)
        if token and tcp_port is None:
            note("The token is not used: only a TCP port (--tcp) has one.")
        ledger = ByteOutcomes(None, screen.show, screen.say)
        port = make_byte_port(ledger.say, link, tcp_port, address, token, serial_port, baud)
        stack.callback(port.close)
        path = file or (_temporary(stack) if plan is not None else None)
        if path is not None:
            log = markerlog.MarkerLog.for_box(path, box, plan, append)
            screen.begin_us = log.begin_us
            ledger.begin(log)
        screen.keep = ledger.note
        running = Bridge(
            box, reopener(where, box), port, meaning, ledger, screen,
            idle_at_hang_up=idle_at_hang_up,
            sign=None if plan is None or plan.signature_code is None else plan.sign,
        )
        found = None
        with contextlib.ExitStack() as shown:

            def show() -> None:
                asks_token = bool(token) and tcp_port is not None
                _announce(port, settings, planned, file, as_json, asks_token)
                shown.enter_context(screen)

            _run(running, show, screen)
            if plan is not None and path is not None:
                found = compare_log(plan, markerlog.read(path))
                screen.summary["comparison"] = found.as_data()
        _tell(found, file, plan_file, as_json)
        if not running.has_box:
            raise SystemExit(exit_codes.CONNECTION)
        if not ledger.is_good or (found is not None and not found.clean):
            raise SystemExit(exit_codes.NOT_GOOD)


@contextlib.contextmanager
def _opened(where: str | None) -> Iterator[Box]:
    box = Box.open(where, progress=note)
    remember_use()
    try:
        yield box
    finally:
        box.close()


def _meaning(
    box: Box, byte_mode: str | None, width: int | None, plan: Plan | None
) -> tuple[Settings, list[ByteAction]]:
    """The settings as they are in this run, and what each byte is."""
    settings = box.settings.read()
    if byte_mode is not None:
        settings = settings.changed(byte_mode=byte_mode)
    if settings.byte_mode is ByteMode.OFF:
        raise BadValue(
            "This box's byte_mode is off, so every byte would be refused. Set it for this run with "
            "--byte-mode ({', '.join(_MODES)}), or permanently: tallymark settings change "
            "byte_mode=pulse."
        )
    if width is not None:
        if settings.byte_mode is ByteMode.SET:
            raise BadValue("--width can't be used with byte_mode set, where a code stays until the "
                           "next byte. Omit one of the two.")
        settings = settings.changed(width_us=width)
    return settings, byte_actions(settings.byte_mode, width, plan, box.identity)


def _temporary(stack: contextlib.ExitStack) -> Path:
    """A log to compare with the plan, which nobody wants to keep."""
    return Path(stack.enter_context(tempfile.TemporaryDirectory())) / "bridge.log"


def _announce(
    port: BytePort,
    settings: Settings,
    planned: bool,
    file: Path | None,
    as_json: bool,
    asks_token: bool,
) -> None:
    """planned: pulses of the plan's events are as wide as it says."""
    if as_json:
        click.echo(json.dumps({
            "port": port.where, "byte_mode": settings.byte_mode.label, "width_us": settings.width_us
        }))
        return
    screen = out()
    screen.print(f"The byte port is at {port.where}", soft_wrap=True)
    if asks_token:
        screen.print("A program must send the token and a line end before its first byte.")
    width = duration(settings.width_us)
    pulse = f"a pulse as wide as the plan says, {width} otherwise" if planned else (
        f"a pulse of {width}"
    )
    screen.print({
        ByteMode.PULSE: f"Each byte is {pulse}; byte 0 does nothing.",
        ByteMode.SET: "Each byte is a code that stays until the next; byte 0 takes the lines to "
        "idle.",
        ByteMode.LIMITED: f"Each byte is {pulse}, at most; byte 0 takes the lines to idle.",
    }[settings.byte_mode])
    note("No marker log is written; give a FILE to write one." if file is None else f"Log: {file}")
    note("Stop with Ctrl-C.")


def _run(running: Bridge, show: Callable[[], None], screen: LiveScreen) -> None:
    """Until Ctrl-C, SIGTERM or the end of the terminal; a second Ctrl-C does not cut the end off.
    """
    try:
        running.begin()
        show()
        running.run()
    except KeyboardInterrupt:
        interrupts.ignore()
        screen.say("Stopped by Ctrl-C.")
    finally:
        running.end()


def _tell(
    found: LogComparison | None, file: Path | None, plan_file: Path | None, as_json: bool
) -> None:
    if as_json:
        return
    if file is not None and file.exists():
        out().print(f"The marker log is in {file}", soft_wrap=True)
    if found is not None and plan_file is not None:
        draw_at_end(out(), found, file, plan_file)
