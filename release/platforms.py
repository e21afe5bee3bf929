"""The five platforms that a release has programs for, and what tells them apart."""

from __future__ import annotations

import platform
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Platform:
    """One kind of computer.

    name: of folders and of files in the release. tag: the platform tag of the wheel, which also
    says which system it needs at least. target: what the compiler calls it, with the oldest glibc
    or macOS. extension, library: how a Python extension and a C library end.
    """

    name: str
    tag: str
    target: str
    extension: str
    library: str
    flags: tuple[str, ...] = ()


_MACOS = ("-Wl,-undefined,dynamic_lookup",)
"""The Python that loads an extension has the names of its API."""

PLATFORMS = (
    Platform("windows-x64", "win_amd64", "x86_64-windows-gnu", ".pyd", "tallymark.dll"),
    Platform("macos-arm64", "macosx_11_0_arm64", "aarch64-macos.11.0", ".abi3.so",
             "libtallymark.dylib", _MACOS),
    Platform("macos-x86_64", "macosx_11_0_x86_64", "x86_64-macos.11.0", ".abi3.so",
             "libtallymark.dylib", _MACOS),
    Platform("linux-x86_64", "manylinux_2_17_x86_64.manylinux2014_x86_64",
             "x86_64-linux-gnu.2.17", ".abi3.so", "libtallymark.so"),
    Platform("linux-aarch64", "manylinux_2_17_aarch64.manylinux2014_aarch64",
             "aarch64-linux-gnu.2.17", ".abi3.so", "libtallymark.so"),
)

PYTHON_TAG = "cp310"
LIMITED_API = "0x030A0000"
"""Python 3.10: the oldest that pyproject.toml names. One wheel serves it and all later ones."""


def named(names: str) -> tuple[Platform, ...]:
    """The platforms of a comma-separated list; all for an empty one."""
    if not names:
        return PLATFORMS
    return tuple(each for each in PLATFORMS if each.name in names.split(","))


def here() -> Platform:
    """The platform of this computer, which has to run Linux: only it makes releases."""
    return next(each for each in PLATFORMS if each.name == f"linux-{platform.machine()}")
