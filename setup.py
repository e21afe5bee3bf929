"""Only what pyproject.toml can't say: the virtual box is compiled from the firmware's C files, the
inner loops of the recording check and the bridge's shortest way to the box from their own.
TALLYMARK_PURE=1 makes a package without."""

import os
import sys

from setuptools import setup

MODULES = [
    "host/tallymark/virtual/cffi_build.py:ffi",
    "host/tallymark/recording/kernel/build.py:ffi",
]
LINUX_ALONE = ["host/tallymark/bridge/first_byte/build.py:ffi"]

if sys.platform == "linux":
    MODULES += LINUX_ALONE
setup(cffi_modules=[] if os.environ.get("TALLYMARK_PURE") == "1" else MODULES)
