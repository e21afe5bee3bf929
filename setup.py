"""Only what pyproject.toml can't say: the virtual box is compiled from the firmware's C files, and
the inner loops of the recording check from their own."""

from setuptools import setup

setup(
    cffi_modules=[
        "host/tallymark/virtual/cffi_build.py:ffi",
        "host/tallymark/recording/kernel/build.py:ffi",
    ]
)
