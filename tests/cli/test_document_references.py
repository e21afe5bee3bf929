"""Commands, options and files that the documents name exist."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from tallymark.cli import main

ROOT = Path(__file__).resolve().parents[2]
NOT_OURS = {"dist", ".venv", "build", "node_modules"}
DOCUMENTS = sorted(
    path.relative_to(ROOT)
    for path in ROOT.rglob("*.md")
    if not NOT_OURS & set(path.relative_to(ROOT).parts)
)
COMMAND = re.compile(r"^\s*(?:\$ +)?tallymark((?: +(?!#)[^\s;|]+)+)")
LINK = re.compile(r"\]\(([^)#\s]+)(?:#[^)]*)?\)")


def commands(text: str) -> list[list[str]]:
    """The words behind `tallymark` wherever a command line stands: in code, indented or quoted."""
    code = re.findall(r"^(?: {4}|\$ ).*$", text, re.M) + re.findall(r"`([^`]+)`", text)
    return [found.split() for line in code for found in COMMAND.findall(line)]


def refusal(words: list[str]) -> str | None:
    """The error in a command line: an unknown command or option."""
    command: click.Command = main
    while isinstance(command, click.Group):
        if not words:
            return None  # all commands of the group are meant
        name = words.pop(0)
        found = command.get_command(click.Context(command), name)
        if found is None:
            return None if name.startswith("-") else f"no command {name}"
        command = found
    known = {option for param in command.params for option in (*param.opts, *param.secondary_opts)}
    unknown = [
        word
        for word in words
        if word.startswith("--") and word.split("=")[0] not in known | {"--help"}
    ]
    return f"{command.name} has no {', '.join(unknown)}" if unknown else None


@pytest.mark.parametrize("path", DOCUMENTS, ids=str)
def test_links_lead_somewhere(path):
    for target in LINK.findall((ROOT / path).read_text(encoding="utf-8")):
        if "://" not in target:
            assert (ROOT / path.parent / target).exists(), target


@pytest.mark.parametrize("path", DOCUMENTS, ids=str)
def test_commands_and_options_exist(path):
    for words in commands((ROOT / path).read_text(encoding="utf-8")):
        assert refusal(list(words)) is None, words


@pytest.mark.parametrize("path", DOCUMENTS, ids=str)
def test_what_pip_gets_is_quoted_for_every_shell(path):
    """cmd.exe takes single quotes for a part of the name."""
    assert not re.search(r"pip install [^`\n]*'", (ROOT / path).read_text(encoding="utf-8"))


def test_a_wrong_command_would_be_found():
    assert commands("`tallymark pluse 5` and\n    tallymark pulse 5 --widht 3\n")
    assert refusal(["pluse", "5"]) == "no command pluse"
    assert refusal(["pulse", "5", "--widht", "3"]) == "pulse has no --widht"
    assert refusal(["log", "keep", "F", "--lines"]) is None
