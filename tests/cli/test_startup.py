"""The command line and the library import only what they need."""

from __future__ import annotations

import pkgutil
import subprocess
import sys
from importlib import import_module
from types import ModuleType

import click
import pytest

import tallymark
from tallymark.cli import COMMANDS, main

HEAVY = ("construct", "matplotlib", "numpy", "rich", "tomlkit", "tallymark.virtual._virtual")


def modules_after(statement: str) -> set[str]:
    script = f"import sys\n{statement}\nprint(*sys.modules, file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return set(done.stderr.split())


@pytest.mark.parametrize(
    "statement",
    [
        "import tallymark",
        "from tallymark.cli import main; main(['--help'], standalone_mode=False)",
    ],
)
def test_help_and_a_bare_import_load_nothing_heavy(statement):
    loaded = modules_after(statement)
    assert "tallymark" in loaded
    assert not loaded & set(HEAVY)


def test_a_box_is_still_imported_by_its_name():
    assert "tallymark.box.box" in modules_after("from tallymark import Box")


def test_every_public_name_can_be_imported():
    for name in tallymark.__all__:
        assert getattr(tallymark, name).__name__ == name
    assert set(tallymark.__all__) <= set(dir(tallymark))
    with pytest.raises(AttributeError, match="no attribute 'Boks'"):
        tallymark.Boks  # noqa: B018


PACKAGES = ["tallymark"] + [
    module.name
    for module in pkgutil.walk_packages(tallymark.__path__, "tallymark.")
    if module.ispkg
]


@pytest.mark.parametrize("name", PACKAGES)
def test_a_package_lists_its_public_names_or_says_that_it_is_internal(name):
    package = import_module(name)
    public = getattr(package, "__all__", None)
    if public is None:
        assert package.__doc__.startswith("Internal")
        return
    assert len(public) == len(set(public))
    for listed in public:
        assert getattr(package, listed) is not None
    own = {
        found
        for found, value in vars(package).items()
        if not isinstance(value, ModuleType)
        and getattr(value, "__module__", "").startswith("tallymark")
        and not found.startswith("_")
    }
    assert own <= set(public)


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_command_says_of_itself(name):
    context = click.Context(main)
    command = main.get_command(context, name)
    assert command.name == name
    assert COMMANDS[name][1] == command.get_short_help_str(limit=200)
