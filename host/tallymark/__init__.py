"""Host library and command line of the Tallymark marker box.

    from tallymark import Box

    with Box.open() as box:
        box.pulse(5)

Importing this package also teaches pyserial the URL `virtual://`.
"""

import serial

from tallymark.box.box import Box
from tallymark.box.parts import Capture, Sequence
from tallymark.errors import (
    BadValue,
    NoAnswer,
    NotABox,
    PortBusy,
    PortDenied,
    PortError,
    PortGone,
    PortNotFound,
    Refused,
    SettingsFileError,
    TallymarkError,
    Unconfirmed,
    VersionError,
)
from tallymark.box.link.marker import Marker, Outcome
from tallymark.box.settings import Settings

if "tallymark.virtual" not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append("tallymark.virtual")

__version__ = "0.1.0"

__all__ = [
    "BadValue",
    "Box",
    "Capture",
    "Marker",
    "NoAnswer",
    "NotABox",
    "Outcome",
    "PortBusy",
    "PortDenied",
    "PortError",
    "PortGone",
    "PortNotFound",
    "Refused",
    "Sequence",
    "Settings",
    "SettingsFileError",
    "TallymarkError",
    "Unconfirmed",
    "VersionError",
]
