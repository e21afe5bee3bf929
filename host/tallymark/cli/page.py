"""`tallymark page`: see and work a box from a browser on this computer."""

from __future__ import annotations

import contextlib
from pathlib import Path
from urllib.parse import quote

import click

from tallymark import plan as plans
from tallymark.box.ports.discovery import is_virtual
from tallymark.cli import exit_codes, interrupts
from tallymark.cli.common import box_option, note, out, remember_use
from tallymark.cli.output_files import check_new
from tallymark.common.errors import BadValue, PortNotFound, pip_install

STUDENTS_MOST = 40
_STUDENT_SERIAL = "7669727475616C"


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
@click.option("--other", "others", multiple=True, metavar="BOX",
              help="One more box on the page, with a byte port and a marker log of its own: FILE "
                   "with the box's number on the page before the ending. May be repeated.")
@click.option("--class", "students", type=click.IntRange(1, STUDENTS_MOST), metavar="N",
              help="For a class: N virtual boxes, each with an address of its own for a student. "
                   "The teacher's address shows all, and hides faults in them.")
@click.option("--listen", "address", metavar="ADDRESS",
              help="With --class: this computer's address by which students' computers reach it. "
                   "The connection is not encrypted.  [default: 127.0.0.1, this computer only]")
def page(
    file: Path | None,
    append: bool,
    plan_file: Path | None,
    link: Path | None,
    tcp_port: int | None,
    port: int,
    where: str | None,
    others: tuple[str, ...],
    students: int | None,
    address: str | None,
) -> None:
    """See and work a box from a browser on this computer.

    Shows the lines as they move, sends markers, goes through what has to be so before a session,
    and follows the session against the plan. Meanwhile it provides a byte port as 'tallymark
    bridge' does, and keeps the marker log FILE. Open the printed address in a browser; it holds a
    token, so pass it on to nobody. Ends with Ctrl-C, which takes the lines to idle. Starts without
    a box as well: it says what it looked for, and offers the box once it is plugged in.

    Needs more packages: install the wheel, or the folder of the source, with [page] behind its
    name, as in: pip install "tallymark-VERSION-....whl[page]"

    Exit codes: 0 ended by Ctrl-C or SIGTERM; 1 the marker log lacks records; 4 the box was gone at
    the end; otherwise those of every command.
    """
    try:
        from tallymark.page.access import Role, new_token
        from tallymark.page.recording_checks import RecordingChecks
        from tallymark.page.server import LOOPBACK, PageServer, listen, serve
    except ImportError as error:
        raise BadValue(
            f"The page needs a package that is not installed ({error.name}). Install what it "
            f"needs: {pip_install('page')}"
        ) from None
    from tallymark.page.boxes import Boxes

    wanted = _wanted(where, others, students, address)
    plan = None if plan_file is None else plans.load(plan_file)
    checks = RecordingChecks(plan_file)
    boxes = Boxes(plan, file, append=append, may_wire=students is None, link=link,
                  tcp_port=tcp_port, progress=note)
    with contextlib.closing(checks), contextlib.closing(
        listen(port, address or LOOPBACK)
    ) as door:
        try:
            for each in wanted:
                try:
                    boxes.open(each)
                    remember_use()
                except PortNotFound as error:
                    if file is not None and not append:
                        check_new(file)
                    boxes.wait_for(each, str(error))
            screen = out()
            base = "http://{}:{}/#".format(*door.getsockname()[:2])
            token = new_token()
            roles = {token: Role(boxes.numbers if students else None, teacher=bool(students))}
            of_students = {}
            screen.print(f"The page is at {base}{quote(token)}", soft_wrap=True)
            for number in boxes.numbers if students else ():
                token = new_token()
                roles[token] = Role((number,))
                of_students[number] = f"{base}{quote(token)}"
                screen.print(f"Student {number}: {of_students[number]}", soft_wrap=True)
            for station in boxes:
                number = station.number
                of = f" of box {number}, {station.identity.serial}," if number > 1 else ""
                screen.print(f"The byte port{of} is at {station.port_where}", soft_wrap=True)
                note("No marker log is kept; give a FILE to keep one." if file is None
                     else f"Log: {station.log_path}")
            for why in boxes.waiting.values():
                note(f"{why} The page waits for the box, and offers it once it is plugged in.")
            note("Stop with Ctrl-C.")
            with contextlib.suppress(KeyboardInterrupt):
                serve(PageServer(boxes, roles, checks, of_students), door)
        finally:
            interrupts.ignore()
            connected = [station.connected for station in boxes]
            boxes.close()
    if not all(connected):
        raise SystemExit(exit_codes.CONNECTION)
    if boxes.logs_lack_records:
        raise SystemExit(exit_codes.NOT_GOOD)


def _wanted(
    where: str | None, others: tuple[str, ...], students: int | None, address: str | None
) -> tuple[str | None, ...]:
    """The boxes of the page, the first one first."""
    if students is None:
        if address is not None:
            raise BadValue("--listen is for --class: only virtual boxes are shown to other "
                           "computers.")
        return where, *others
    if others or (where is not None and not is_virtual(where)):
        raise BadValue("--class is for virtual boxes; omit --box and --other.")
    return tuple(f"virtual://?serial={_STUDENT_SERIAL}{n:02X}" for n in range(1, students + 1))
