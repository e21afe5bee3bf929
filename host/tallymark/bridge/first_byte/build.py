"""Builds the way from a byte port to the box's port into a Python extension (cffi, API mode).

Run by setup.py from the root of the source tree, for Linux. The frames are made by the firmware's
own core.
"""

from __future__ import annotations

import re
from pathlib import Path

from cffi import FFI

HERE = Path("host/tallymark/bridge/first_byte")
CORE = Path("firmware/core")
BOARD = Path("firmware/boards/virtual")
SYSTEM = "linux"
"""The only one that it is for: its clock is that of the library's host times there."""


def declarations(header: str) -> str:
    """What cffi needs of a header: no comments, no preprocessor lines, sizes as numbers."""
    text = re.sub(r"/\*.*?\*/", "", header, flags=re.DOTALL)
    sizes = dict(re.findall(r"#define (\w+) (\d+)", text))
    for name, value in sizes.items():
        text = text.replace(f"[{name}]", f"[{value}]")
    return "\n".join(line for line in text.splitlines() if not line.startswith("#"))


ffi = FFI()
ffi.cdef("typedef struct { ...; } pthread_mutex_t;")
ffi.cdef(declarations((HERE / "first_byte.h").read_text()))
ffi.set_source(
    "tallymark.bridge.first_byte._first_byte",
    '#include "first_byte.h"',
    sources=[(HERE / "first_byte.c").as_posix(), (CORE / "frame.c").as_posix()],
    depends=[
        path.as_posix()
        for path in (HERE / "first_byte.h", CORE / "frame.h", BOARD / "board_config.h")
    ],
    include_dirs=[each.as_posix() for each in (HERE, CORE, BOARD)],
    extra_compile_args=["-fvisibility=hidden"],
)

if __name__ == "__main__":
    ffi.compile(tmpdir="build/first_byte", verbose=True)
