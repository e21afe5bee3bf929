"""Finding the port of a box, and opening it on purpose.

An unknown serial device may be a stimulator, so this module writes to nothing, and it opens only
what is known to be a box: ports whose USB descriptor says "Tallymark", ports that the user named,
and ports that turned out to be a box when the user named them before. Those are remembered, by
their USB serial number or else by the socket they are plugged into, in `ports.json` in the user's
configuration folder: boards with a general USB-serial chip don't say "Tallymark".
"""

from __future__ import annotations

import contextlib
import errno
import json
import logging
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import serial
from platformdirs import user_config_path
from serial.tools import list_ports

from tallymark.box.ports import windows_usb
from tallymark.common.errors import PortBusy, PortDenied, PortError, PortNotFound, TallymarkError

logger = logging.getLogger("tallymark")

MAKER = "Tallymark"
BYTE_INPUT = "Tallymark byte input"
BAUD = 500_000
_MEMORY_FORMAT = 1


@dataclass(frozen=True, slots=True)
class Found:
    """A port with a box behind it, as far as can be told without opening it."""

    port: str
    description: str
    serial: str
    """The box's serial number, 16 hexadecimal digits; empty if it isn't known yet."""
    name: str
    """The box's name when it was opened last; empty if it isn't known."""
    remembered: bool
    """It counts because it was a box when the user named its port before."""
    certain: bool = True
    """False where another device may be in its place by now: it was remembered by its socket, as
    its USB chip has no serial number. It is opened only where its port is named."""
    byte_port: str = ""
    """The box's second port, for programs that write bytes; empty if it has none, or none that
    can be told by the same USB serial number."""


def find_boxes() -> list[Found]:
    """Boxes that are plugged in. Opens nothing and writes to nothing."""
    memory = _read_memory()
    reported = windows_usb.bus_reported_descriptions()
    ports = list_ports.comports()
    byte_ports = {
        _key(info): info.device for info in ports
        if info.serial_number and _is_byte_input(info, reported.get(info.device, ""))
    }
    found = []
    for info in ports:
        known = memory.get(_key(info), {})
        description = reported.get(info.device, "")
        ours = _is_ours(info, description)
        if not (ours or known) or _is_byte_input(info, description):
            continue
        usb_serial = (info.serial_number or "").upper()
        box_serial = usb_serial if re.fullmatch("[0-9A-F]{16}", usb_serial) and ours else ""
        found.append(
            Found(
                info.device,
                info.product or description or info.description or "",
                box_serial or known.get("serial", ""),
                known.get("name", ""),
                remembered=not ours,
                certain=ours or bool(info.serial_number),
                byte_port=byte_ports.get(_key(info), ""),
            )
        )
    return found


def _is_ours(info: Any, description: str) -> bool:
    """Whether a device says that it is a box. On Windows pyserial gives the driver's maker, and no
    product: what the bus reported counts, or else our ids with a serial number as ours are."""
    if description:
        return MAKER in description
    if MAKER in (info.manufacturer or "") or MAKER in (info.product or ""):
        return True
    try:
        from tallymark.box.ports import usb_id  # it loads the virtual box's C
    except ModuleNotFoundError:  # a wheel without compiled parts: the box is opened by its port
        return False

    return (
        info.manufacturer == "Microsoft"
        and (info.vid, info.pid) == (usb_id.VENDOR_ID, usb_id.PRODUCT_ID)
        and re.fullmatch("[0-9A-Fa-f]{16}", info.serial_number or "") is not None
    )


def _is_byte_input(info: Any, description: str) -> bool:
    """Whether a port of a box is its second one, for bytes: by what the bus reported, by the name
    of the USB interface, which Linux tells, by its number, which Windows tells, or by the digit
    that macOS appends."""
    interface, location = getattr(info, "interface", None), getattr(info, "location", None)
    return (
        BYTE_INPUT in description
        or BYTE_INPUT in (interface or "")
        or re.search(r":\w+\.2$", location or "") is not None
        or re.search(r"/cu\.usbmodem\w*3$", info.device) is not None
    )


def is_port(where: str) -> bool:
    """Whether a text names a port or a URL rather than a box."""
    return (
        "://" in where
        or where.startswith("/")
        or re.fullmatch(r"(\\\\\.\\)?COM\d+", where, re.IGNORECASE) is not None
        or (os.path.exists(where) and stat.S_ISCHR(os.stat(where).st_mode))
    )


def is_virtual(where: str | None) -> bool:
    """Whether `--box` names a virtual box in this process."""
    return where is not None and (where == "virtual" or where.startswith("virtual:"))


def candidates(where: str | None) -> list[str]:
    """Ports that may have the wanted box behind them, the likeliest first.

    where: a port, a URL, a serial number or name of a box, "virtual", or None for the only box
    that is plugged in. Raises PortNotFound.
    """
    if where == "virtual":
        return ["virtual://"]
    if where is not None and is_port(where):
        return [where]
    known = find_boxes()
    found = [box for box in known if box.certain]
    if where is None:
        if len(known) > 1:
            listed = ", ".join(f"{box.port} {box.serial} {box.name}".strip() for box in known)
            raise PortNotFound(
                "", f"Several boxes are plugged in ({listed}). Select one by port, serial number "
                    "or name.")
        if not found:
            raise PortNotFound("", _no_box(known))
        return [found[0].port]
    if not found:
        raise PortNotFound(where, _no_box(known))
    sure = [box.port for box in found if where in (box.serial, box.name) or
            where.upper() == box.serial]
    return sure + [box.port for box in found if box.port not in sure]


def _no_box(uncertain: list[Found]) -> str:
    if uncertain:
        at = ", ".join(f"{box.port} {box.serial} {box.name}".strip() for box in uncertain)
        return (
            f"No box can be told for certain. One was plugged in where now is: {at}. Its USB chip "
            "has no serial number, so another device may be there, and nothing was written to it. "
            f"If it is the box, give its port: --box {uncertain[0].port}."
        )
    others = [info.device for info in list_ports.comports()]
    text = "No box was found. Plug it in, and try another USB cable (some only charge)."
    if others:
        text += (
            " These serial ports were not opened, because they may belong to other devices: "
            f"{', '.join(others)}. Give the port the first time for a board with a general "
            "USB-serial chip."
        )
    return text


def device_at(port: str) -> str | None:
    """What tells the USB device behind a port from others: its ids with its serial number, or else
    with the socket it is plugged into. None for a port that isn't USB, or isn't there."""
    info = next((info for info in list_ports.comports() if info.device == port), None)
    return None if info is None else _key(info)


def remember(port: str, box_serial: str, name: str) -> None:
    """Remembers that the port which the user named has a box behind it."""
    info = next((info for info in list_ports.comports() if info.device == port), None)
    if info is None or _key(info) is None:
        return
    memory = _read_memory()
    entry = {"serial": box_serial, "name": name}
    key = _key(info)
    if key is None or memory.get(key) == entry:
        return
    memory[key] = entry
    path = _memory_path()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_suffix(".new")
        temporary.write_text(json.dumps({"format": _MEMORY_FORMAT, "ports": memory}, indent=1))
        temporary.replace(path)
    except OSError as error:
        logger.warning("The port could not be remembered in %s: %s", path, error)


def _memory_path() -> Path:
    return user_config_path("tallymark") / "ports.json"


def _key(info: Any) -> str | None:
    """What tells one USB device from another; None for a port that isn't USB."""
    if info.vid is None:
        return None
    place = f"serial {info.serial_number}" if info.serial_number else f"socket {info.location}"
    return f"{info.vid:04X}:{info.pid:04X} {place}"


def _read_memory() -> dict[str | None, dict[str, str]]:
    path = _memory_path()
    try:
        content = json.loads(path.read_text())
        if content["format"] == _MEMORY_FORMAT:
            return {
                key: {"serial": str(entry["serial"]), "name": str(entry["name"])}
                for key, entry in content["ports"].items()
            }
    except FileNotFoundError:
        pass
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        logger.warning("Remembered ports can't be read from %s: %s", path, error)
    return {}


def open_port(name: str, baud: int = BAUD) -> Any:
    """Opens a port or a pyserial URL, for this program alone.

    DTR is on, because a USB serial port of a box sends nothing without it; RTS is off. Going on
    resets an Arduino Nano, so DTR is left on when the port is closed: then the next program that
    opens it finds the box running.

    Raises PortNotFound, PortBusy, PortDenied or PortError; BadValue for a `virtual://` URL.
    """
    try:
        port = serial.serial_for_url(name, do_not_open=True, baudrate=baud, exclusive=True)
        port.dtr = True
        port.rts = False
        port.open()
    except TallymarkError:
        raise
    except (serial.SerialException, OSError, ValueError) as error:
        raise _explain(name, error) from error
    if os.name == "posix" and type(port).__module__ == "serial.serialposix":
        _keep_dtr(port)
        # A USB-serial chip may hold answers back for 16 ms; only some drivers can be asked not to.
        with contextlib.suppress(ValueError, AttributeError, OSError):
            port.set_low_latency_mode(True)
    return port


def _keep_dtr(port: Any) -> None:
    import termios

    try:
        attributes = termios.tcgetattr(port.fd)
        attributes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fd, termios.TCSANOW, attributes)
    except termios.error as error:
        logger.debug("%s keeps dropping DTR: %s", port.port, error)


def _explain(name: str, error: Exception) -> PortError:
    number = getattr(error, "errno", None)
    text = str(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        return PortNotFound(
            name, f"There is no port {name}. Is the box plugged in? {_serial_ports()}"
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "PermissionError" in text:
        return PortBusy(
            name,
            f"{name} is in use by {_holder(name) or 'another program'}. Only one program at a time "
            "can send markers. Close the other one, then try again.",
        )
    if number in (errno.EACCES, errno.EPERM):
        return PortDenied(name, f"You may not open {name}. {_group_hint(name)}")
    if "ould not configure" in text or number == errno.ENOTTY:
        return PortError(name, f"{name} is not a serial port. {_serial_ports()}")
    # The code and not the text, which is in the language of the system.
    reason = error.__cause__ or error.__context__
    if number == errno.ECONNREFUSED or isinstance(reason, ConnectionRefusedError):
        return PortNotFound(name, f"{name} can't be opened: no box is available there. Check that "
                                  "the program that serves it is running.")
    if isinstance(error, ValueError):
        return PortError(name, f"'{name}' can't be opened: {error}.")
    return PortError(name, f"{name} can't be opened: {text}.")


def _serial_ports() -> str:
    ports = ", ".join(info.device for info in list_ports.comports())
    return f"Serial ports now: {ports or 'none'}."


def _group_hint(name: str) -> str:
    try:
        import grp

        group = grp.getgrgid(os.stat(name).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return "Ask the administrator of this computer."
    return (
        f"It belongs to the group {group}: run 'sudo usermod -aG {group} $USER', then log out and "
        "in again."
    )


def _holder(name: str) -> str | None:
    """The program that has a port open, where the system tells (Linux)."""
    try:
        wanted = os.stat(name).st_rdev
        processes = [entry for entry in os.listdir("/proc") if entry.isdigit()]
    except OSError:
        return None
    for process in processes:
        if int(process) == os.getpid():
            continue
        try:
            for descriptor in os.scandir(f"/proc/{process}/fd"):
                if os.stat(descriptor.path).st_rdev == wanted:
                    command = Path(f"/proc/{process}/comm").read_text().strip()
                    return f"'{command}' (process {process})"
        except OSError:
            continue
    return None
