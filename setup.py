"""Only what pyproject.toml can't say: the virtual box is compiled from the firmware's C files, and
the inner loops of the recording check from their own. TALLYMARK_PURE=1 makes a package without."""

import os

from setuptools import setup

setup(
    cffi_modules=[]
    if os.environ.get("TALLYMARK_PURE") == "1"
    else [
        "host/tallymark/virtual/cffi_build.py:ffi",
        "host/tallymark/recording/kernel/build.py:ffi",
    ]
)
