"""`tallymark settings ...`: show them, carry them in a file to another box, change them."""

from __future__ import annotations

import shlex
from dataclasses import fields
from pathlib import Path
from typing import Any

import click
from rich.table import Table

from tallymark.box.settings import NO_STROBE, Settings, SettingsState
from tallymark.box.wire.protocol_enumerations import Origin
from tallymark.cli import exit_codes
from tallymark.cli.common import (
    box_option,
    json_option,
    note,
    opened,
    out,
    parse_number,
    print_json,
    print_rows,
)
from tallymark.cli.number_lists import listed
from tallymark.cli.output_files import check_free, replace_option
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text, time_value, times
from tallymark.common.lines.readback_wiring_model import LINES

edited_option = click.option(
    "--edited",
    is_flag=True,
    help="FILE was edited by hand: accept it although its checksum does not match or is missing.",
)

_BYTE_MODES = {
    "off": "bytes are refused",
    "pulse": "byte 0 does nothing",
    "set": "a byte stays until the next; byte 0 takes the lines to idle",
    "limited": "a pulse that byte 0 may end early",
}


@click.group()
def settings() -> None:
    """Show, change and keep settings; copy them to another box."""


@settings.command()
@box_option
@json_option
def show(where: str | None, as_json: bool) -> None:
    """Show the settings in force."""
    with opened(where) as box:
        state = box.settings.state()
    _print(state, as_json)


@settings.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@replace_option
@box_option
@json_option
def read(file: Path, replace: bool, where: str | None, as_json: bool) -> None:
    """Read the settings of a box into FILE.

    FILE is TOML with comments. It may be edited by hand; its checksum then no longer
    matches, and 'write' needs --edited.
    """
    check_free(file, replace=replace)
    with opened(where) as box:
        state = box.settings.state()
        state.settings.save(file, box.identity)
        serial = box.identity.serial
    if as_json:
        print_json({"serial": serial, "file": str(file), "settings": settings_dict(state)})
        return
    out().print(f"The settings of box {serial} are in {file}.", soft_wrap=True)


@settings.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@edited_option
@click.option("--until-restart", is_flag=True,
              help="Do not keep them: in force until the next restart.")
@box_option
@json_option
def write(
    file: Path, edited: bool, until_restart: bool, where: str | None, as_json: bool
) -> None:
    """Write the settings of FILE to a box and keep them.

    They are read back and compared. A file that was edited by hand needs --edited; to update its
    checksum, read the settings of the box into it.
    """
    wanted = Settings.load(file, edited)
    with opened(where) as box:
        if until_restart:
            box.settings.write(wanted)
        else:
            box.settings.install(wanted)
        state = box.settings.state()
        serial = box.identity.serial
    if as_json:
        print_json({"serial": serial, "equal": True, "settings": settings_dict(state)})
        return
    count = len(fields(wanted))
    out().print(
        f"Box {serial} has the settings of {file}: all {count} were read back and are equal. "
        + ("They are in force until its next start." if until_restart else "They are kept."),
        soft_wrap=True,
    )
    if edited:
        print_rows(settings_rows(settings_dict(state)))  # with units: a slip in one shows here
        note(f"To update the checksum of the file: tallymark settings read {file} --replace")


@settings.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@edited_option
@box_option
@json_option
def compare(file: Path, edited: bool, where: str | None, as_json: bool) -> None:
    """Compare the settings of a box with FILE.

    Exit code 0: equal. 1: they differ.
    """
    wanted = Settings.load(file, edited)
    with opened(where) as box:
        found = box.settings.read()
    different = wanted.differences(found)
    if as_json:
        print_json(
            {
                "equal": not different,
                "differences": {
                    name: {
                        "file": _plain(name, getattr(wanted, name)),
                        "box": _plain(name, getattr(found, name)),
                    }
                    for name in different
                },
            }
        )
    elif different:
        table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
        for heading in ("setting", "in the file", "in the box"):
            table.add_column(heading)
        for name in different:
            table.add_row(name, _text(name, wanted), _text(name, found))
        out().print(table)
    else:
        out().print("Equal.")
    if different:
        raise SystemExit(exit_codes.NOT_GOOD)


@settings.command()
@click.argument("changes", nargs=-1, required=True, metavar="NAME=VALUE...")
@click.option("--until-restart", is_flag=True,
              help="Do not keep them: in force until the next restart.")
@box_option
@json_option
def change(
    changes: tuple[str, ...], until_restart: bool, where: str | None, as_json: bool
) -> None:
    """Change single settings and keep them.

    For instance: width_us=10ms idle=high lines=0-3 hold_limit_us=2s

    Times have a unit: 500us, 5ms, 1.5s.

    byte_mode sets how a byte on the byte input is used:

    \b
      off      nothing: it is refused, and no line moves
      pulse    a pulse of width_us; byte 0 does nothing
      set      a code that stays until the next byte; byte 0 takes the lines to idle
      limited  a pulse of width_us at most; byte 0 ends it early

    For programs that send codes only: pulse. For programs that send a 0 after each code: limited,
    or set if their codes last longer than width_us.

    strobe=7 strobe_lead_us=100us strobe_hold_us=100us: line 7 goes active 100us after the code and
    idle 100us before its end, for receivers that latch. Codes can't have that line then. A marker
    that cuts another ends code and strobe in one moment; overlap=refuse prevents that. strobe=none
    switches it off.
    """
    values = dict(_assignment(text) for text in changes)
    Settings().changed(**values)
    with opened(where) as box:
        before = box.settings.read()
        wanted = before.changed(**values)
        if until_restart:
            box.settings.write(wanted)
        else:
            box.settings.install(wanted)
        state = box.settings.state()
    _print(state, as_json)
    if not as_json:
        _tell_changes(before, state.settings, until_restart, where)


def _tell_changes(
    before: Settings, after: Settings, until_restart: bool, where: str | None
) -> None:
    """What was changed from what to what, whether it is kept, and the command that undoes it."""
    changed = before.differences(after)
    out().print()
    if not changed:
        out().print("Nothing was changed: these values were in force already.")
        return
    print_rows([(name, f"{_text(name, before)} → {_text(name, after)}") for name in changed])
    out().print(
        "In force until the next restart of the box; the kept settings are as before."
        if until_restart
        else "Kept: in force after a restart, too."
    )
    undo = " ".join(shlex.quote(f"{name}={_typed(name, before)}") for name in changed)
    how = " --until-restart" if until_restart else ""
    box = f" --box {shlex.quote(where)}" if where else ""
    out().print(f"To undo it: tallymark settings change {undo}{how}{box}", soft_wrap=True)


def _typed(name: str, of: Settings) -> str:
    """A value as `change` takes it."""
    value = _plain(name, getattr(of, name))
    if name == "lines":
        return ",".join(map(str, value))
    if name.endswith("_us"):
        return "never" if name == "hold_limit_us" and not value else time_value(value)
    return str(value)


@settings.command()
@box_option
@json_option
def keep(where: str | None, as_json: bool) -> None:
    """Keep the settings in force permanently."""
    with opened(where) as box:
        state = box.settings.keep()
    if as_json:
        print_json(settings_dict(state))
        return
    out().print(f"Kept, for the {_ordinal(state.kept)} time in this box.")


@settings.command()
@click.option("--keep", "kept", is_flag=True, help="Also keep them.")
@box_option
@json_option
def factory(kept: bool, where: str | None, as_json: bool) -> None:
    """Put the factory values in force."""
    with opened(where) as box:
        box.settings.factory()
        if kept:
            box.settings.keep()
        state = box.settings.state()
    _print(state, as_json)
    if not kept:
        note("They are in force until the next start of the box; --keep makes them permanent.")


def _print(state: SettingsState, as_json: bool) -> None:
    shown = settings_dict(state)
    if as_json:
        print_json(shown)
    else:
        print_rows(settings_rows(shown))


def settings_dict(state: SettingsState) -> dict[str, Any]:
    """Settings for JSON."""
    values = {
        field.name: _plain(field.name, getattr(state.settings, field.name))
        for field in fields(Settings)
    }
    return {**values, "origin": state.origin.label, "times_kept": state.kept}


def settings_rows(shown: dict[str, Any]) -> list[tuple[str, str]]:
    """Settings for the screen, from `settings_dict`."""
    rows = []
    for name, value in shown.items():
        if name == "origin":
            kept = shown["times_kept"]
            text = f"{value} (kept {times(kept)})"
            if value == Origin.OTHER_VERSION.label:
                text = (
                    "factory values: the kept settings are of another version of the firmware "
                    "and were not loaded. Write and keep them again."
                )
        elif name == "times_kept":
            continue
        else:
            text = _written(name, value)
        rows.append((name, text))
    return rows


def _plain(name: str, value: Any) -> Any:
    if name == "lines":
        return [line for line in range(8) if value >> line & 1]
    if name == "strobe":
        return value.bit_length() - 1 if value else NO_STROBE
    return getattr(value, "label", value)


def _text(name: str, of: Settings) -> str:
    return _written(name, _plain(name, getattr(of, name)))


def _written(name: str, value: Any) -> str:
    if name == "lines":
        return ", ".join(map(str, value))
    if name == "strobe":
        return str(value) if value == NO_STROBE else f"line {value}"
    if name == "byte_mode":
        return f"{value} ({_BYTE_MODES[value]})"
    if name == "hold_limit_us" and value == 0:
        return "never"
    if name.endswith("_us"):
        return time_text(value)
    return str(value) if value != "" else "-"


def _assignment(text: str) -> tuple[str, Any]:
    """`width_us=5ms` as name and value."""
    name, equals, value = text.partition("=")
    if not equals:
        raise BadValue(f"'{text}' is not NAME=VALUE, such as width_us=10ms. Nothing was changed.")
    name = name.strip()
    try:
        if name == "lines":
            return name, listed(value, LINES - 1)
        if name == "byte_baud" or (name == "strobe" and value.strip() != NO_STROBE):
            return name, parse_number(value)
    except ValueError as error:
        why = "" if name in ("byte_baud", "strobe") else f": {error}"
        raise BadValue(f"'{value}' can't be a value of {name}{why}. Nothing was changed.") from None
    return name, value


def _ordinal(number: int) -> str:
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10 if number % 100 not in (11, 12, 13) else 0)
    return f"{number}{ending or 'th'}"
