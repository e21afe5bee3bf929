"""Builds the firmware core and the virtual board into a Python extension (cffi, API mode).

Run by setup.py from the root of the source tree. The same C files go into the boxes' firmware.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from cffi import FFI

CORE = Path("firmware/core")
BOARD = Path("firmware/boards/virtual")
USB_ID = Path("firmware/boards/usb_id.h")


def declarations(header: str) -> str:
    """What cffi needs of virtual.h: no preprocessor lines, no comments, array sizes as numbers."""
    text = re.sub(r"/\*.*?\*/", "", header, flags=re.DOTALL)
    return "\n".join(line for line in text.splitlines() if not line.startswith("#"))


ffi = FFI()
ffi.cdef(declarations((BOARD / "virtual.h").read_text()))
ffi.cdef(declarations(USB_ID.read_text()))
ffi.set_source(
    "tallymark.virtual._virtual",
    '#include "virtual.h"\n#include "usb_id.h"',
    sources=[path.as_posix() for path in sorted([*CORE.glob("*.c"), *BOARD.glob("*.c")])],
    depends=[path.as_posix() for path in sorted([*CORE.glob("*.h"), *BOARD.glob("*.h"), USB_ID])],
    include_dirs=[CORE.as_posix(), BOARD.as_posix(), USB_ID.parent.as_posix()],
    # Names of the core stay inside the extension: another library may have its own frame_read().
    extra_compile_args=["/std:c11"] if sys.platform == "win32" else ["-fvisibility=hidden"],
)

if __name__ == "__main__":
    ffi.compile(tmpdir="build/virtual", verbose=True)
