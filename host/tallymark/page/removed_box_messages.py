"""What ends when a box is taken off the page, and what became of it: sentences for windows."""

from __future__ import annotations

from typing import NamedTuple

from tallymark.page.box_session import Station


class TakenOff(NamedTuple):
    """A box that was taken off. good: nothing is left to look at. log_failed: records are
    missing."""

    text: str
    good: bool
    log_failed: bool


def what_ends(station: Station) -> list[str]:
    """What would end that can't be taken up again, and what else; empty if nothing would."""
    held = station.lines.rows.state()["held"]
    lost = []
    if station.plays:
        lost.append("A sequence plays: it is stopped where it is.")
    if held:
        lost.append(f"Code {held['code']} is on the lines: it ends.")
    if station.log_kept:
        lost.append(
            f"The marker log {station.log_path} ends. If the box is opened again, it has another "
            "number and another log."
        )
    if not lost:
        return []
    return [
        f"It is {_who(station)}. Its lines go to idle.",
        *lost,
        f"The byte port {station.port_where} closes: a program that writes there sends no markers "
        "from then on.",
    ]


def taken_off(station: Station, idle: bool) -> TakenOff:
    """What became of a station that has ended. idle: its lines are known to be at idle."""
    failed = station.sent.log_failed
    parts = [f"Box {station.number} ({_who(station)}) is off this page."]
    if idle:
        parts.append("Its lines are at idle.")
    else:
        parts.append("! It is not known whether its lines are at idle: look at the amplifier, or "
                     "unplug the box.")
    parts.append(f"Its byte port {station.port_where} is closed: a program that writes there sends "
                 "no markers.")
    if failed:
        parts.append(f"! Its marker log lacks records: {station.log_path}.")
    elif station.log_kept:
        parts.append(f"Its marker log has ended: {station.log_path}.")
    return TakenOff(" ".join(parts), idle and not failed, failed)


def _who(station: Station) -> str:
    identity = station.identity
    return " ".join(filter(None, (identity.name, identity.board, identity.serial)))
