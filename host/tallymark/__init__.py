"""Host library and command line of the Tallymark marker box.

    from tallymark import Box

    with Box.open() as box:
        box.pulse(5)

Importing this package also teaches pyserial the URL `virtual://`. Everything else is imported when
its name is first used, so that a program pays only for what it needs.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

import serial

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.box.capture import Capture
    from tallymark.box.link.marker import Marker, Outcome
    from tallymark.box.sequence import Sequence
    from tallymark.box.settings import Settings
    from tallymark.common.errors import (
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
    from tallymark.markerlog.log_errors import MarkerLogError, MarkerLogIncomplete
    from tallymark.markerlog.writer import MarkerLog
    from tallymark.plan.model import Plan, PlanError

if "tallymark.virtual" not in serial.protocol_handler_packages:
    serial.protocol_handler_packages.append("tallymark.virtual")

__version__ = "0.1.0"

__all__ = [
    "BadValue",
    "Box",
    "Capture",
    "Marker",
    "MarkerLog",
    "MarkerLogError",
    "MarkerLogIncomplete",
    "NoAnswer",
    "NotABox",
    "Outcome",
    "Plan",
    "PlanError",
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

_MODULES = {
    "Box": "box.box",
    "Capture": "box.capture",
    "Marker": "box.link.marker",
    "MarkerLog": "markerlog.writer",
    "MarkerLogError": "markerlog.log_errors",
    "MarkerLogIncomplete": "markerlog.log_errors",
    "Outcome": "box.link.marker",
    "Plan": "plan.model",
    "PlanError": "plan.model",
    "Sequence": "box.sequence",
    "Settings": "box.settings",
}
"""Where a public name is defined, if not in `common.errors`."""


def __getattr__(name: str) -> Any:
    """Imports a public name when it is first used (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module 'tallymark' has no attribute '{name}'")
    value = getattr(import_module(f"tallymark.{_MODULES.get(name, 'common.errors')}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
