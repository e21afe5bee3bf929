"""Everything that can go wrong, in the words of the person who has to put it right.

    TallymarkError
    ├── PortError         something is wrong with the port; `port` names it
    │   ├── PortNotFound      no such port; no box is plugged in; two boxes are and none was named
    │   ├── PortBusy          another program has the port open
    │   ├── PortDenied        the user may not open it (on Linux: not a member of the port's group)
    │   ├── NotABox           the port opened, but what is behind it doesn't speak the protocol
    │   └── PortGone          unplugged, or the box takes no more bytes; `unconfirmed` lists markers
    ├── VersionError      the box and this library speak different major versions
    ├── Refused           the box refused a request; `reason`, `detail`, `request`
    ├── Unconfirmed       (also a TimeoutError) markers of which nobody knows whether they went out;
    │                     `markers` lists their (number, code)
    ├── NoAnswer          (also a TimeoutError) a question that the box did not answer
    ├── StudyStopped      the check of a study ended early; what was done is kept
    ├── SettingsFileError a settings file that is unreadable, incomplete or from a newer version
    └── BadValue          (also a ValueError) an argument out of range: code 256, width 0

Each text says what happened, what it means for the recording, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence

from tallymark.box.wire.protocol_enumerations import Reason, Request
from tallymark.common.formatting import time_text


class TallymarkError(Exception):
    """Base of every error that this library raises on purpose."""


class PortError(TallymarkError):
    """Something is wrong with the port that is named by `port`."""

    def __init__(self, port: str, text: str) -> None:
        super().__init__(text)
        self.port = port


class PortNotFound(PortError):
    """There is no such port, no box, or more than one box and none was named."""


class PortBusy(PortError):
    """Another program has the port open."""


class PortDenied(PortError):
    """This user may not open the port."""


class NotABox(PortError):
    """The port can be opened, but what is behind it does not speak the protocol."""


class PortGone(PortError):
    """The port went away in use. `unconfirmed` lists (number, code) of the open markers."""

    def __init__(
        self, port: str, text: str, unconfirmed: Sequence[tuple[int, int]] = ()
    ) -> None:
        if unconfirmed:
            text = f"{text} {describe_markers(unconfirmed)}"
        super().__init__(port, text)
        self.unconfirmed = list(unconfirmed)


class VersionError(TallymarkError):
    """The box and this library speak different major versions of the protocol."""

    def __init__(self, box_major: int, host_major: int) -> None:
        older = "box's firmware" if box_major < host_major else "tallymark package"
        super().__init__(
            f"The box speaks protocol version {box_major}, this library version {host_major}. "
            f"No marker was sent. Update the {older}."
        )
        self.box_major = box_major
        self.host_major = host_major


class Unconfirmed(TallymarkError, TimeoutError):
    """Markers whose fate is not known. `markers` lists (number, code); `why` is the cause alone."""

    def __init__(self, text: str, markers: Sequence[tuple[int, int]]) -> None:
        super().__init__(f"{text} {describe_markers(markers)}")
        self.why = text
        self.markers = list(markers)


class NoAnswer(TallymarkError, TimeoutError):
    """A question that changes no line was not answered in time."""

    def __init__(self, request: Request, seconds: float) -> None:
        super().__init__(
            f"The box's answer to '{request.label}' was not received within {seconds:g} s, or a "
            "later one was received first. No marker is affected. Try again; if it happens more "
            "often, change the cable or the USB socket."
        )
        self.request = request


class NotWritten(TallymarkError):
    """A file with results could not be written. What was computed is still known."""

    def __init__(self, path: object, error: OSError) -> None:
        super().__init__(
            f"{path} can't be written ({error.strerror or error}). Nothing else is affected. "
            "Choose another place or free some space, then try again."
        )


class StudyStopped(TallymarkError):
    """The check of a study ended early. What was done is kept, and the next run goes on there."""


class SettingsFileError(TallymarkError):
    """A settings file that can't be used. The box was not changed."""


class BadValue(TallymarkError, ValueError):
    """An argument out of range. Nothing was sent."""


class NotCompiled(BadValue):
    """This is the wheel without compiled parts, and one of them was asked for."""

    def __init__(self, part: str) -> None:
        super().__init__(
            f"This copy of the package has no {part}: it is the one without compiled parts, for "
            "systems that have no wheel of their own. Install the wheel for this computer, or, "
            "with a C compiler, the source package."
        )


class Refused(TallymarkError):
    """The box refused a request and did nothing.

    `reason` says why, `detail` is the number that goes with it (PROTOCOL.md, section 4.4), and
    `request` is the request that was refused.
    """

    def __init__(self, reason: int, detail: int, request: int) -> None:
        self.reason = Reason.of(reason)
        self.detail = detail
        self.request = Request.of(request)
        what = self.request.label if self.request else f"request 0x{request:02X}"
        super().__init__(f"The box refused '{what}': {describe_reason(reason, detail)}")


def describe_markers(markers: Sequence[tuple[int, int]], most: int = 20) -> str:
    """Lists markers by number and code."""
    if not markers:
        return "No marker was open."
    listed = ", ".join(f"number {number} (code {code})" for number, code in markers[:most])
    more = f" and {len(markers) - most} more" if len(markers) > most else ""
    what = "Marker" if len(markers) == 1 else f"{len(markers)} markers"
    return (
        f"{what} unconfirmed: {listed}{more}. They may or may not be in the recording, and nothing "
        "was sent again: look for them there."
    )


def describe_lines(bits: int) -> str:
    """Names lines, bit n for line n: 'lines 0, 1 and 4'."""
    lines = [str(line) for line in range(8) if bits >> line & 1]
    if len(lines) == 1:
        return f"line {lines[0]}"
    return f"lines {', '.join(lines[:-1])} and {lines[-1]}" if lines else "no line"


def describe_times(number: int) -> str:
    """How often: 'once', '7 times'."""
    return "once" if number == 1 else f"{number:,} times"


# What each refusal means and what to do; {0} is the detail, {time} the detail as a time.
_REASONS: dict[Reason, str] = {
    Reason.UNKNOWN_REQUEST: "its firmware does not know that request. Update the firmware.",
    Reason.WRONG_LENGTH: "the request should have {0} bytes. Library and firmware do not match; "
                         "update both.",
    Reason.VERSION: "it speaks protocol version {0}. Update the firmware or the tallymark package.",
    Reason.TAG_ZERO: "the request had no tag. The connection between program and box alters bytes. "
                     "Change the cable.",
    Reason.TAG_REPEATED: "its tag is not ahead of {0}, the newest one: this copy was not put out. "
                         "An earlier copy may have been. The connection between program and box "
                         "repeats bytes: change the cable.",
    Reason.OUTSIDE_LINES: "the code needs a line that is not in use ({lines} are) or is the "
    "strobe. No marker went out. Choose another code, or change 'lines' or 'strobe' in the "
    "settings.",
    Reason.WIDTH_RANGE: "the width or hold time is outside the range of this box, whose limit is "
                        "{time}. No marker went out. Choose a width within the limits that "
                        "'tallymark show' lists. With a strobe in the settings the shortest width "
                        "is longer by its lead and hold.",
    Reason.OVERLAP: "an earlier pulse was still out, for another {time}, and the setting 'overlap' "
                    "is 'refuse'. This marker is not in the recording. Use shorter pulses or more "
                    "time between markers.",
    Reason.WAITING: "an earlier marker was still waiting for its gap, for another {time}. This "
                    "marker is not in the recording. Leave more time between markers, or make the "
                    "gap shorter.",
    Reason.PLAYING: "a sequence is playing. No marker went out. Stop the sequence first.",
    Reason.SEQUENCE_ORDER: "step {0} was expected; a step is missing. Load the sequence again.",
    Reason.SEQUENCE_FULL: "it holds {0} steps at most. Make the sequence shorter, or use repeats.",
    Reason.SEQUENCE_EMPTY: "there is nothing to play. Load a sequence first (a change of the "
    "settings empties it).",
    Reason.SEQUENCE_LONG: "a sequence with that many steps can be repeated {0} times at most.",
    Reason.VALUE_RANGE: "the value at offset {0} of the request is out of range. Nothing was "
    "changed.",
    Reason.LINES_BUSY: "the lines have to be idle for that, and a marker is out, waits, or its gap "
    "is not over. Wait until the pulse is over, or set code 0 first.",
    Reason.STORE_FAILED: "its memory did not keep the settings. The settings kept before are "
                         "unchanged; the new ones are in force until the next start. Try again; "
                         "replace the board if it fails again.",
    Reason.UNSUPPORTED: "this board can't do that.",
    Reason.CANCELLED: "it was taken back while it waited: by code 0, if for its gap; by 'cancel', "
    "the end of the program or a restart, if for its time. It is not in the recording.",
    Reason.BYTES_OFF: "the byte input is off. Turn it on with 'byte_mode' in the settings.",
    Reason.LATE: "it came {time} after the time until which it was wanted. The lines were not "
    "touched, and the marker is not in the recording.",
    Reason.TAKEN: "a marker that was given ahead is too near, {time} from now, or what is out now. "
    "This marker is not in the recording. Leave more time between the two, or cancel the other.",
    Reason.PLACES: "it holds {0} markers ahead, and as many wait for their time. This one was not "
    "accepted: wait for one of them, or cancel it.",
    Reason.NO_MARKER: "byte 0 puts out no marker while each byte is a pulse.",
}


def pip_install(extra: str) -> str:
    """The command that installs what an extra of this package needs, wherever the package itself
    came from. Double quotes, which every shell takes (cmd.exe keeps single ones)."""
    from importlib.metadata import requires  # slow to import, and seldom needed

    needs = [needed.partition(";") for needed in requires("tallymark") or []]
    return "pip install " + " ".join(
        f'"{name.strip()}"'
        for name, _, when in needs
        if when.split() == ["extra", "==", f'"{extra}"']
    )


def describe_reason(reason: int, detail: int) -> str:
    """Says in words why a request was refused, and what to do."""
    known = Reason.of(reason)
    if known is None or known not in _REASONS:
        return f"reason {reason}, detail {detail}, which this library does not know. Update it."
    return _REASONS[known].format(detail, lines=describe_lines(detail), time=time_text(detail))
