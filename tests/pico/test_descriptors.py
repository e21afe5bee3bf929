"""The image's USB descriptors, read with parsers that are not ours.

Standard and communication class descriptors by the package usb-protocol, whose field types refuse
wrong types, lengths and subtypes. For Microsoft's OS 2.0 descriptors there is no such package: they
are laid out here with construct after Microsoft's specification, tables 10 to 15.
"""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Iterator
from typing import Any

import construct as c
import pytest
from pico_chip import HERE, ROOT, prepare
from usb_protocol.types.descriptors import cdc, standard

from tallymark.box.ports import usb_id

CDC = {
    0: cdc.HeaderDescriptor,
    1: cdc.CallManagementFunctionalDescriptor,
    2: cdc.ACMFunctionalDescriptor,
    6: cdc.UnionFunctionalDescriptor,
}
STANDARD = {
    2: standard.ConfigurationDescriptor,
    4: standard.InterfaceDescriptor,
    5: standard.EndpointDescriptor,
    11: standard.InterfaceAssociationDescriptor,
}

WINDOWS_8_1 = 0x06030000
UUID_OF_OS_2 = "d8dd60df-4589-4cc7-9cd2-659d9e648a9f"

STORE = c.Struct(
    "head" / standard.BinaryObjectStoreDescriptor,
    "bLength" / c.Const(28, c.Int8ul),
    "bDescriptorType" / c.Const(16, c.Int8ul),
    "bDevCapabilityType" / c.Const(5, c.Int8ul),
    "bReserved" / c.Const(0, c.Int8ul),
    "PlatformCapabilityUUID" / c.Bytes(16),
    "dwWindowsVersion" / c.Const(WINDOWS_8_1, c.Int32ul),
    "wLength" / c.Int16ul,
    "bMS_VendorCode" / c.Int8ul,
    "bAltEnumCode" / c.Const(0, c.Int8ul),
    c.Terminated,
)

MICROSOFT = c.Struct(
    "wLength" / c.Const(10, c.Int16ul),
    "wDescriptorType" / c.Const(0, c.Int16ul),
    "dwWindowsVersion" / c.Const(WINDOWS_8_1, c.Int32ul),
    "wTotalLength" / c.Int16ul,
    "configuration" / c.Struct(
        "wLength" / c.Const(8, c.Int16ul),
        "wDescriptorType" / c.Const(1, c.Int16ul),
        "bConfigurationValue" / c.Const(0, c.Int8ul),
        "bReserved" / c.Const(0, c.Int8ul),
        "wTotalLength" / c.Int16ul,
    ),
    "function" / c.Struct(
        "wLength" / c.Const(8, c.Int16ul),
        "wDescriptorType" / c.Const(2, c.Int16ul),
        "bFirstInterface" / c.Int8ul,
        "bReserved" / c.Const(0, c.Int8ul),
        "wSubsetLength" / c.Int16ul,
    ),
    "compatible" / c.Struct(
        "wLength" / c.Const(20, c.Int16ul),
        "wDescriptorType" / c.Const(3, c.Int16ul),
        "CompatibleID" / c.Bytes(8),
        "SubCompatibleID" / c.Const(bytes(8)),
    ),
    "property" / c.Struct(
        "wLength" / c.Int16ul,
        "wDescriptorType" / c.Const(4, c.Int16ul),
        "wPropertyDataType" / c.Const(7, c.Int16ul),  # REG_MULTI_SZ
        "wPropertyNameLength" / c.Int16ul,
        "PropertyName" / c.Bytes(c.this.wPropertyNameLength),
        "wPropertyDataLength" / c.Int16ul,
        "PropertyData" / c.Bytes(c.this.wPropertyDataLength),
    ),
    c.Terminated,
)


@pytest.fixture(scope="module")
def said() -> dict[str, Any]:
    """All descriptors, as bytes."""
    prepare()
    run = subprocess.run(
        ["node", "sim/print_descriptors.mjs"], cwd=HERE, capture_output=True, text=True, check=True
    )
    found: dict[str, Any] = json.loads(run.stdout)
    texts = found.pop("texts")
    return {name: bytes(content) for name, content in found.items()} | {
        "texts": [bytes(text) for text in texts]
    }


def parts(configuration: bytes) -> Iterator[Any]:
    """The descriptors in a configuration, each parsed by its type, with nothing left over."""
    while configuration:
        length, kind = configuration[0], configuration[1]
        one, configuration = configuration[:length], configuration[length:]
        form = CDC[one[2]] if kind == 0x24 else STANDARD[kind]
        yield c.Struct("it" / form, c.Terminated).parse(one).it


def test_the_device(said: dict[str, Any]) -> None:
    device = c.Struct("it" / standard.DeviceDescriptor, c.Terminated).parse(said["device"]).it
    assert device.bcdUSB == 2.1
    assert (device.idVendor, device.idProduct) == (usb_id.VENDOR_ID, usb_id.PRODUCT_ID)
    assert (device.bDeviceClass, device.bDeviceSubclass, device.bDeviceProtocol) == (0xEF, 2, 1)
    assert device.bMaxPacketSize0 == 64
    assert device.bNumConfigurations == 1


def test_the_ids_stand_in_one_line() -> None:
    """From which image and library are built. The page for makers gives the same, and no source
    has a copy."""
    header = ROOT / "firmware/boards/usb_id.h"
    (line,) = re.findall(r"enum \{.*\};", header.read_text())
    vendor, product = (int(number, 16) for number in re.findall(r"0x([0-9A-Fa-f]{4})\b", line))
    assert (vendor, product) == (usb_id.VENDOR_ID, usb_id.PRODUCT_ID)
    page = (ROOT / "firmware/boards/pico/README.md").read_text()
    assert f"{vendor:04X}:{product:04X}" in page
    copies = [
        path
        for folder in ("firmware", "host")
        for kind in ("py", "c", "h", "js", "m", "rules", "toml", "json")
        for path in (ROOT / folder).rglob(f"*.{kind}")
        if "node_modules" not in path.parts
        and re.search(rf"\b(0x)?{vendor:04x}\b", path.read_text("utf-8", "replace").lower())
    ]
    assert copies == [header]


def test_the_configuration(said: dict[str, Any]) -> None:
    head, *rest = parts(said["configuration"])
    assert head.wTotalLength == len(said["configuration"])
    of = {name: [one for one in rest if name in one] for name in
          ("bInterfaceNumber", "bEndpointAddress", "bFirstInterface", "bControlInterface")}
    numbers = [one.bInterfaceNumber for one in of["bInterfaceNumber"]]
    assert numbers == list(range(head.bNumInterfaces))
    assert sum(one.bNumEndpoints for one in of["bInterfaceNumber"]) == len(of["bEndpointAddress"])
    addresses = [one.bEndpointAddress for one in of["bEndpointAddress"]]
    assert len(set(addresses)) == len(addresses)
    assert [(one.bFirstInterface, one.bInterfaceCount) for one in of["bFirstInterface"]] == [
        (one.bControlInterface, 1 + one.bSubordinateInterface0 - one.bControlInterface)
        for one in of["bControlInterface"]
    ]


def test_the_texts(said: dict[str, Any]) -> None:
    languages = standard.StringLanguageDescriptor.parse(said["languages"])
    assert [int(one) for one in languages.wLANGID] == [0x0409]
    texts = [standard.StringDescriptor.parse(text).bString for text in said["texts"]]
    assert texts[0] == "Tallymark"
    assert len(set(texts)) == len(texts)


def test_windows_finds_the_boot_loader_interface(said: dict[str, Any]) -> None:
    store = STORE.parse(said["store"])
    assert store.head.wTotalLength == len(said["store"])
    swapped = bytes.fromhex(UUID_OF_OS_2.replace("-", ""))  # three fields little-endian
    assert store.PlatformCapabilityUUID == (
        swapped[3::-1] + swapped[5:3:-1] + swapped[7:5:-1] + swapped[8:]
    )
    found = MICROSOFT.parse(said["microsoft"])
    assert store.wLength == found.wTotalLength == len(said["microsoft"])
    assert found.configuration.wTotalLength == len(said["microsoft"]) - 10
    assert found.function.wSubsetLength == len(said["microsoft"]) - 18
    assert found.property.wLength == len(said["microsoft"]) - 46
    assert found.compatible.CompatibleID == b"WINUSB\0\0"
    boot_loader = [one for one in parts(said["configuration"]) if "bInterfaceNumber" in one][-1]
    assert boot_loader.bInterfaceClass == 0xFF
    assert found.function.bFirstInterface == boot_loader.bInterfaceNumber
    assert found.property.PropertyName.decode("utf-16-le") == "DeviceInterfaceGUIDs\0"
    guid = "[0-9A-F]{8}(-[0-9A-F]{4}){3}-[0-9A-F]{12}"
    assert re.fullmatch(rf"{{{guid}}}\0\0", found.property.PropertyData.decode("utf-16-le"))
