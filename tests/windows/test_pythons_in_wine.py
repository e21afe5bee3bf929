"""The one wheel in each Python for Windows that can be had: 3.10 to 3.13.

`make windows-pythons` installs them; for each landing that would take too long."""

from __future__ import annotations

import json

import pytest
from install import PYTHON, PYTHONS, place_of
from wine import Wine

OTHERS = [version for version in PYTHONS if version != PYTHON]


@pytest.mark.parametrize("version", OTHERS)
def test_the_wheel_works(wine: Wine, version: str) -> None:
    python = place_of(wine.folder, version) / "python.exe"
    if not python.exists():
        pytest.skip("make windows-pythons installs it")
    told = wine.run(python, "-c", "import sys; print(*sys.version_info[:2], sep='.')")
    assert told.stdout.strip() == version, told.stderr
    ran = wine.run(place_of(wine.folder, version) / "Scripts/tallymark.exe", "--help")
    assert ran.returncode == 0, ran.stderr
    assert "selftest" in ran.stdout
    ran = wine.run(python, "-m", "tallymark", "boxes", "--json")
    assert isinstance(json.loads(ran.stdout), dict | list), ran.stderr
    assert "Traceback" not in ran.stderr
    ran = wine.run(python, "-m", "tallymark", "pulse", "42", "--box", "virtual", "--json")
    (marker,) = json.loads(ran.stdout)["markers"]
    assert (marker["code"], marker["outcome"]) == (42, "done"), ran.stderr
