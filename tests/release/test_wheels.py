"""The wheels are the same from every clone, and hold what each platform needs."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
import zipfile
from pathlib import Path

import pefile
import pytest
from elftools.elf.elffile import ELFFile
from elftools.elf.gnuversions import GNUVerNeedSection
from macholib.mach_o import LC_BUILD_VERSION
from macholib.MachO import MachO
from macholib.SymbolTable import SymbolTable
from packaging.tags import Tag, compatible_tags, cpython_tags, mac_platforms
from packaging.utils import parse_wheel_filename

pytestmark = pytest.mark.timeout(1800)  # a compiler for five systems, without a cache
PARTS = ("tallymark/virtual/_virtual", "tallymark/recording/kernel/_kernel")
LINUX_PARTS = (*PARTS, "tallymark/bridge/first_byte/_first_byte")
GLIBC = [f"manylinux_2_{minor}" for minor in range(39, 16, -1)]
COMPUTERS = {
    "win_amd64": ["win_amd64"],
    "macosx_11_0_arm64": list(mac_platforms((15, 0), "arm64")),
    "macosx_11_0_x86_64": list(mac_platforms((11, 0), "x86_64")),
    "manylinux_2_17_x86_64": [f"{name}_x86_64" for name in GLIBC],
    "manylinux_2_17_aarch64": [f"{name}_aarch64" for name in GLIBC],
}
"""What each kind of computer takes, by the tag that its wheel has."""
OTHERS = {"musllinux": ["musllinux_1_2_x86_64"], "arm": ["manylinux_2_31_armv7l"]}


def tags(python: tuple[int, int], platforms: list[str]) -> list[Tag]:
    return [
        *cpython_tags(python, platforms=platforms),
        *compatible_tags(python, f"cp{python[0]}{python[1]}", platforms),
    ]


def taken(folder: Path, python: tuple[int, int], platforms: list[str]) -> Path | None:
    """The wheel that pip takes: that with the first tag in its order of worth."""
    order = {tag: place for place, tag in enumerate(tags(python, platforms))}
    fitting = [
        (min(order[tag] for tag in found & order.keys()), path)
        for path in folder.glob("*.whl")
        if (found := parse_wheel_filename(path.name)[3]) & order.keys()
    ]
    return min(fitting)[1] if fitting else None


def parts(wheel: Path) -> dict[str, bytes]:
    """Compiled parts of a wheel, by name."""
    with zipfile.ZipFile(wheel) as packed:
        return {
            name: packed.read(name) for name in packed.namelist() if name.endswith((".so", ".pyd"))
        }


def wheel_of(folder: Path, tag: str) -> Path:
    (wheel,) = (path for path in folder.glob("*.whl") if tag in path.name)
    return wheel


def test_two_clones_give_the_same_bytes(wheels: Path, again: Path) -> None:
    here, there = (
        {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in folder.iterdir()}
        for folder in (wheels, again)
    )
    assert len(here) == 8  # six wheels, the source package, the checksums
    assert here == there


def test_the_checksums_are_those_of_the_files(wheels: Path) -> None:
    ran = subprocess.run(["sha256sum", "--check", "--strict", "SHA256SUMS"], cwd=wheels,
                         capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.count(": OK") == 7


@pytest.mark.parametrize("python", [(3, minor) for minor in range(10, 16)], ids=str)
@pytest.mark.parametrize("tag", COMPUTERS)
def test_pip_takes_the_wheel_of_the_computer(
    wheels: Path, tag: str, python: tuple[int, int]
) -> None:
    found = taken(wheels, python, COMPUTERS[tag])
    assert found is not None
    assert tag in found.name


@pytest.mark.parametrize("kind", OTHERS)
def test_pip_takes_the_pure_wheel_on_other_computers(wheels: Path, kind: str) -> None:
    found = taken(wheels, (3, 12), OTHERS[kind])
    assert found is not None
    assert found.name.endswith("-py3-none-any.whl")
    assert parts(found) == {}


def test_every_wheel_has_firmware_and_says_its_tags(wheels: Path) -> None:
    assert len(list(wheels.glob("*.whl"))) == 6
    for wheel in wheels.glob("*.whl"):
        with zipfile.ZipFile(wheel) as packed:
            names = set(packed.namelist())
            (about,) = (name for name in names if name.endswith(".dist-info/WHEEL"))
            said = {
                line.removeprefix("Tag: ")
                for line in packed.read(about).decode().splitlines() if line.startswith("Tag: ")
            }
        assert said == {str(tag) for tag in parse_wheel_filename(wheel.name)[3]}
        assert {f"tallymark/box/flash/images/{image}" for image in ("pico.uf2", "nano.hex")} < names


def test_no_wheel_needs_more_of_python_than_it_may(wheels: Path) -> None:
    program = Path(sys.executable).with_name("abi3audit")
    compiled = sorted(wheels.glob("*abi3*.whl"))
    assert len(compiled) == 5
    for wheel in compiled:
        ran = subprocess.run([program, "--strict", "--summary", wheel], capture_output=True,
                             text=True, check=False, env={"COLUMNS": "400", "HOME": str(wheels)})
        assert ran.returncode == 0, ran.stdout + ran.stderr
        said = " ".join((ran.stdout + ran.stderr).split())
        count = len(LINUX_PARTS if "linux" in wheel.name else PARTS)
        assert f"{count} extensions scanned; 0 ABI version mismatches and 0 ABI violations" in said


@pytest.mark.parametrize(
    ("tag", "processor"), [("macosx_11_0_arm64", 0x0100000C), ("macosx_11_0_x86_64", 0x01000007)]
)
def test_parts_for_macos(wheels: Path, tmp_path: Path, tag: str, processor: int) -> None:
    found = parts(wheel_of(wheels, tag))
    assert set(found) == {f"{part}.abi3.so" for part in PARTS}
    for name, content in found.items():
        path = tmp_path / Path(name).name
        path.write_bytes(content)
        (header,) = (read := MachO(str(path))).headers
        assert header.header.cputype == processor
        assert header.filetype in ("dylib", "bundle")
        (least,) = (
            command for load, command, _ in header.commands if load.cmd == LC_BUILD_VERSION
        )
        assert (least.platform, least.minos) == (1, 11 << 16)  # macOS 11.0
        defined = {symbol for _, symbol in SymbolTable(read).extdefsyms}
        assert f"_PyInit_{Path(name).name.partition('.')[0]}".encode() in defined
        loaded = {
            data.rstrip(b"\0").decode() for load, _, data in header.commands
            if load.get_cmd_name() == "LC_LOAD_DYLIB"
        }
        assert loaded <= {"/usr/lib/libSystem.B.dylib"}


def test_parts_for_windows(wheels: Path) -> None:
    found = parts(wheel_of(wheels, "win_amd64"))
    assert set(found) == {f"{part}.pyd" for part in PARTS}
    for name, content in found.items():
        read = pefile.PE(data=content)
        assert read.FILE_HEADER.Machine == pefile.MACHINE_TYPE["IMAGE_FILE_MACHINE_AMD64"]
        exported = {symbol.name for symbol in read.DIRECTORY_ENTRY_EXPORT.symbols}
        assert f"PyInit_{Path(name).stem}".encode() in exported
        libraries = {entry.dll.decode().lower() for entry in read.DIRECTORY_ENTRY_IMPORT}
        assert "python3.dll" in libraries  # not that of one Python
        system = {name for name in libraries if name.startswith("api-ms-win-crt-")}
        assert libraries - system <= {"python3.dll", "kernel32.dll"}


@pytest.mark.parametrize(
    ("tag", "machine"), [("2_17_x86_64", "EM_X86_64"), ("2_17_aarch64", "EM_AARCH64")]
)
def test_parts_for_linux(wheels: Path, tag: str, machine: str) -> None:
    found = parts(wheel_of(wheels, f"manylinux_{tag}"))
    assert set(found) == {f"{part}.abi3.so" for part in LINUX_PARTS}
    for name, content in found.items():
        read = ELFFile(io.BytesIO(content))
        assert read["e_machine"] == machine
        dynamic = read.get_section_by_name(".dynsym")
        exported = {
            symbol.name for symbol in dynamic.iter_symbols() if symbol["st_shndx"] != "SHN_UNDEF"
        }
        assert f"PyInit_{Path(name).name.partition('.')[0]}" in exported
        needed = [
            tuple(map(int, version.name.removeprefix("GLIBC_").split(".")))
            for section in read.iter_sections() if isinstance(section, GNUVerNeedSection)
            for _, versions in section.iter_versions() for version in versions
        ]
        assert needed
        assert max(needed) <= (2, 17)
