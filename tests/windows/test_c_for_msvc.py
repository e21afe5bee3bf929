"""What Microsoft's compiler would see of the C that the source package and the C client compile on
Windows, by clang's preprocessor in its place."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SOURCES = sorted(
    path
    for folder in ("firmware/core", "firmware/boards/virtual", "host/tallymark/recording/kernel",
                   "host/c")
    for path in (ROOT / folder).glob("*.[ch]")
)


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.name)
def test_no_attribute_reaches_another_compiler(path: Path) -> None:
    """`__attribute__` stands only where __GNUC__ or _MSC_VER was asked for."""
    if "__attribute__" not in path.read_text():
        return
    unincluded = re.sub(r"(?m)^#include.*", "", path.read_text())
    clang = shutil.which("clang")
    if clang is None:
        pytest.skip("'make build/guided' installs clang")
    seen = subprocess.run(
        [clang, "--target=x86_64-pc-windows-msvc", "-fms-compatibility-version=19.30", "-E", "-P",
         "-U__GNUC__", "-x", "c", "-dD", "-"],
        input=unincluded, capture_output=True, text=True, check=True,
    ).stdout
    own = [line for line in seen.splitlines() if not line.startswith("#define __seg_")]  # clang's
    assert not [line for line in own if "__attribute__" in line]
