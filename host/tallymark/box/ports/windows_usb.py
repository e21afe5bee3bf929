"""What a USB device says of itself, on Windows, where pyserial gives the driver's maker only.

Source: Microsoft's reference of cfgmgr32.h and devpkey.h. Nothing is opened.
"""

from __future__ import annotations

import ctypes
import logging
import sys

logger = logging.getLogger("tallymark")

_PORTS_CLASS = "{4d36e978-e325-11ce-bfc1-08002be10318}"
_LIST_OF_CLASS, _LIST_OF_PRESENT = 0x200, 0x100
_STRING = 0x12  # DEVPROP_TYPE_STRING


class _PropertyKey(ctypes.Structure):
    _fields_ = (
        ("data1", ctypes.c_uint32),
        ("data2", ctypes.c_uint16),
        ("data3", ctypes.c_uint16),
        ("data4", ctypes.c_ubyte * 8),
        ("number", ctypes.c_uint32),
    )


_BUS_REPORTED_DESCRIPTION = _PropertyKey(
    0x540B947E, 0x8B40, 0x45BC,
    (ctypes.c_ubyte * 8)(0xA8, 0xA2, 0x6A, 0x0B, 0x89, 0x4C, 0xBD, 0xA2), 4,
)  # DEVPKEY_Device_BusReportedDeviceDesc


def bus_reported_descriptions() -> dict[str, str]:
    """Names that USB devices gave to their serial ports, by port (`COM5`). Empty on other systems,
    and where Windows does not tell."""
    try:
        return _descriptions()  # type: ignore[name-defined,unused-ignore]
    except (OSError, AttributeError) as error:
        logger.warning("Windows did not tell the names of USB devices: %s", error)
        return {}


if sys.platform == "win32":
    import winreg

    def _descriptions() -> dict[str, str]:
        manager = ctypes.WinDLL("cfgmgr32")
        flags = _LIST_OF_CLASS | _LIST_OF_PRESENT
        size = ctypes.c_ulong()
        if manager.CM_Get_Device_ID_List_SizeW(ctypes.byref(size), _PORTS_CLASS, flags):
            return {}
        ids = ctypes.create_unicode_buffer(size.value)
        if manager.CM_Get_Device_ID_ListW(_PORTS_CLASS, ids, size, flags):
            return {}
        found = {}
        for device in filter(None, ids[: size.value].split("\0")):
            description = _description(manager, device)
            path = rf"SYSTEM\CurrentControlSet\Enum\{device}\Device Parameters"
            try:
                with winreg.OpenKey(winreg.HKEY_LOCAL_MACHINE, path) as key:
                    port = winreg.QueryValueEx(key, "PortName")[0]
            except OSError:
                continue
            if description:
                found[str(port)] = description
        return found

    def _description(manager: ctypes.WinDLL, device: str) -> str:
        node, kind = ctypes.c_ulong(), ctypes.c_ulong()
        text = ctypes.create_unicode_buffer(256)
        size = ctypes.c_ulong(ctypes.sizeof(text))
        if manager.CM_Locate_DevNodeW(ctypes.byref(node), device, 0):
            return ""
        if manager.CM_Get_DevNode_PropertyW(
            node, ctypes.byref(_BUS_REPORTED_DESCRIPTION), ctypes.byref(kind), text,
            ctypes.byref(size), 0,
        ) or kind.value != _STRING:
            return ""
        return text.value

else:

    def _descriptions() -> dict[str, str]:
        return {}
