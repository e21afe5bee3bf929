"""What each byte is to the box: PROTOCOL.md, section 5, `byte_mode`."""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.protocol_enumerations import ByteMode, Reason, Request
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text
from tallymark.plan import Plan


@dataclass(frozen=True, slots=True)
class ByteAction:
    """What one byte becomes. request: `PULSE`, `PULSE_FOR` or `SET`. width_us: of `PULSE_FOR`.
    refused: why it is no marker; empty if it is one."""

    request: Request = Request.PULSE
    width_us: int | None = None
    name: str | None = None
    refused: str = ""


def byte_actions(
    mode: ByteMode, width_us: int | None, plan: Plan | None, identity: Identity
) -> list[ByteAction]:
    """The meaning of each of the 256 bytes.

    width_us: of every pulse; None: that of the plan for its events, otherwise that of the settings.
    Raises BadValue for a width that the box can't do.
    """
    found = []
    for code in range(256):
        event = None
        if plan is not None:
            event = next((event for event in plan.events if event.code == code), None)
        name = None if event is None else event.name
        if mode is ByteMode.OFF:
            found.append(ByteAction(refused=Reason.BYTES_OFF.label))
        elif code == 0 and mode is ByteMode.PULSE:
            found.append(ByteAction(refused=Reason.NO_MARKER.label))
        elif code == 0 or mode is ByteMode.SET:
            found.append(ByteAction(Request.SET, name=name))
        else:
            width = width_us if event is None or width_us is not None else event.width_us
            _check_width(width, name, identity)
            request = Request.PULSE if width is None else Request.PULSE_FOR
            found.append(ByteAction(request, width, name))
    return found


def _check_width(width_us: int | None, name: str | None, identity: Identity) -> None:
    least, longest = identity.least_width_us, identity.longest_width_us
    if width_us is not None and not least <= width_us <= longest:
        of = f"of the event '{name}' in the plan" if name else "of --width"
        raise BadValue(
            f"The width {of} is {time_text(width_us)}, but this box can do {time_text(least)} to "
            f"{time_text(longest)}."
        )
