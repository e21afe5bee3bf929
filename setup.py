"""Only what pyproject.toml can't say: the virtual box is compiled from the firmware's C files."""

from setuptools import setup

setup(cffi_modules=["host/tallymark/virtual/cffi_build.py:ffi"])
