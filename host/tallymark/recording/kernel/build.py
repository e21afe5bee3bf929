"""Builds the inner loops of the recording check into a Python extension (cffi, API mode).

Run by setup.py from the root of the source tree.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

from cffi import FFI

HERE = Path("host/tallymark/recording/kernel")


def declarations(header: str) -> str:
    """What cffi needs of a header: no comments, no preprocessor lines, sizes as numbers."""
    text = re.sub(r"/\*.*?\*/", "", header, flags=re.DOTALL)
    sizes = dict(re.findall(r"#define (\w+) (\d+)", text))
    for name, value in sizes.items():
        text = text.replace(f"[{name}]", f"[{value}]")
    return "\n".join(line for line in text.splitlines() if not line.startswith("#"))


ffi = FFI()
ffi.cdef(declarations((HERE / "kernel.h").read_text()))
ffi.set_source(
    "tallymark.recording.kernel._kernel",
    '#include "kernel.h"',
    sources=[path.as_posix() for path in sorted(HERE.glob("*.c"))],
    depends=[path.as_posix() for path in sorted(HERE.glob("*.h"))],
    include_dirs=[HERE.as_posix()],
    extra_compile_args=["/O2", "/std:c11"] if sys.platform == "win32" else ["-O3"],
)

if __name__ == "__main__":
    ffi.compile(tmpdir="build/kernel", verbose=True)
