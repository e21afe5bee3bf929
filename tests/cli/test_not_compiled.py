"""The wheel without compiled parts says so where one of them is asked for; and an installation of
which a package can't be loaded is told in words."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tallymark.errors import NotCompiled


@pytest.mark.parametrize(
    ("module", "part", "words"),
    [
        ("tallymark.virtual.virtual_box", "tallymark.virtual._virtual", "virtual box"),
        ("tallymark.recording.kernel", "tallymark.recording.kernel._kernel", "recording check"),
    ],
)
def test_a_missing_part_is_named(
    monkeypatch: pytest.MonkeyPatch, module: str, part: str, words: str
) -> None:
    monkeypatch.delitem(sys.modules, module, raising=False)
    monkeypatch.setitem(sys.modules, part, None)  # as if the file were not there
    with pytest.raises(NotCompiled, match=words):
        __import__(module)


@pytest.mark.parametrize("package", ["fastcrc", "serial.tools"])
def test_a_package_that_cannot_be_loaded_is_named(package: str) -> None:
    """As on a computer whose system lacks a library that it needs."""
    code = (f"import sys; sys.modules[{package!r}] = None\n"
            "from tallymark.cli import main; main(['show', '--box', 'virtual', '--json'])")
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 70
    assert "Traceback" not in ran.stderr
    assert ran.stderr.startswith("Error: A package that Tallymark needs can't be loaded")
    assert package in ran.stderr
    assert package in json.loads(ran.stdout)["error"]
