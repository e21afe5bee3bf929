"""The wheel without compiled parts says so where one of them is asked for; an installation of which
a package can't be loaded is told in words; and what an extra needs is named as pip takes it."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from tomlkit import parse

from tallymark.cli import exit_codes
from tallymark.common.errors import NotCompiled, pip_install


@pytest.mark.parametrize(
    ("module", "part", "words"),
    [
        ("tallymark.virtual.virtual_box", "tallymark.virtual._virtual", "virtual box"),
        ("tallymark.recording.kernel.kernel_wrapper", "tallymark.recording.kernel._kernel",
         "recording check"),
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


@pytest.mark.parametrize(("command", "module"), [("page a.log", "starlette"),
                                                 ("study check .", "pyarrow")])
def test_packages_of_an_extra_are_named(command: str, module: str, tmp_path: Path) -> None:
    code = f"""
import importlib.util, sys
sys.modules[{module!r}] = None
find = importlib.util.find_spec
importlib.util.find_spec = lambda name, *more: None if name == {module!r} else find(name, *more)
from tallymark.cli import main
main({command.split()!r})
"""
    ran = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True,
                         check=False)
    assert ran.returncode == exit_codes.BAD_INPUT
    advice = pip_install(command.split()[0])
    assert advice in " ".join(ran.stderr.split())
    assert f'"{module}>=' in advice


def test_the_advice_installs_what_the_extra_needs() -> None:
    project = (Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8")
    for extra, needed in parse(project)["project"]["optional-dependencies"].items():
        advice = pip_install(extra)
        assert "'" not in advice  # cmd.exe would keep them
        pip, install, *named = shlex.split(advice)
        assert (pip, install) == ("pip", "install")
        assert set(map(Requirement, named)) == set(map(Requirement, needed))
