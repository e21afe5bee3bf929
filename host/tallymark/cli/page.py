"""`tallymark page`: see and work a box from a browser on this computer."""

from __future__ import annotations

import contextlib
from pathlib import Path
from urllib.parse import quote

import click

from tallymark import plan as plans
from tallymark.cli import exit_codes, interrupts
from tallymark.cli.common import box_option, note, out, remember_use
from tallymark.errors import BadValue


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), required=False)
@click.option("--append", is_flag=True, help="Append to the marker log FILE if it exists.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Show the event names of this plan, and compare with it.")
@click.option("--link", type=click.Path(path_type=Path), metavar="PATH",
              help="Make a symbolic link to the byte port's pseudo-terminal at PATH.")
@click.option("--tcp", "tcp_port", type=click.IntRange(0, 65535), metavar="PORT",
              help="Provide the byte port on TCP instead of a pseudo-terminal; 0: any free port.")
@click.option("--port", type=click.IntRange(0, 65535), default=0,
              help="TCP port of the page itself.  [default: any free port]")
@box_option
def page(
    file: Path | None,
    append: bool,
    plan_file: Path | None,
    link: Path | None,
    tcp_port: int | None,
    port: int,
    where: str | None,
) -> None:
    """See and work a box from a browser on this computer.

    Shows the lines as they move, sends markers, goes through what has to be so before a session,
    and follows the session against the plan. Meanwhile it provides a byte port as 'tallymark
    bridge' does, and keeps the marker log FILE. Open the printed address in a browser; it holds a
    token, so pass it on to nobody. Ends with Ctrl-C, which takes the lines to idle.

    Needs the extra 'page': pip install 'tallymark[page]'

    Exit codes: 0 ended by Ctrl-C or SIGTERM; 1 the marker log lacks records; 4 the box was gone at
    the end; otherwise those of every command.
    """
    try:
        from tallymark.page.access import new_token
        from tallymark.page.recording_checks import RecordingChecks
        from tallymark.page.server import PageServer, listen, serve
    except ImportError as error:
        raise BadValue(
            f"The page needs a package that is not installed ({error.name}). Install it: pip "
            "install 'tallymark[page]'"
        ) from None
    from tallymark.page.station import Station

    plan = None if plan_file is None else plans.load(plan_file)
    token = new_token()
    checks = RecordingChecks(plan_file)
    with contextlib.closing(checks), contextlib.closing(listen(port)) as door:
        station = Station(
            1, where, plan, log_path=file, append=append, link=link, tcp_port=tcp_port,
            progress=note,
        )
        remember_use()
        try:
            number = door.getsockname()[1]
            screen = out()
            screen.print(f"The page is at http://127.0.0.1:{number}/#{quote(token)}",
                         soft_wrap=True)
            screen.print(f"The byte port is at {station.port_where}", soft_wrap=True)
            note("No marker log is kept; give a FILE to keep one." if file is None
                 else f"Log: {file}")
            note("Stop with Ctrl-C.")
            with contextlib.suppress(KeyboardInterrupt):
                serve(PageServer([station], plan, token, checks), door)
        finally:
            interrupts.ignore()
            connected = station.connected
            station.close()
    if not connected:
        raise SystemExit(exit_codes.CONNECTION)
    if station.sent.log_failed:
        raise SystemExit(exit_codes.NOT_GOOD)
