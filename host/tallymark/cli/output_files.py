"""The one rule of overwriting, for all commands that write files.

A file that exists is never overwritten, unless `--replace` is given. Marker logs, recordings of an
amplifier and the files that a command reads are evidence: no option overwrites them. What goes on
with a file says so in its help: `--append` and `sign --log` add to a marker log, `accept` completes
its record, `serve --store` keeps settings.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

import click

from tallymark.common.errors import BadValue

F = TypeVar("F", bound=Callable[..., Any])
_RECORDINGS = (".edf", ".bdf", ".vhdr", ".vmrk", ".eeg", ".xdf")


def replace_option(command: F) -> F:
    """Adds `--replace`, which a command gets as `replace`."""
    return click.option("--replace", is_flag=True, help="Overwrite files that exist.")(command)


def check_free(*paths: Path | None, replace: bool, inputs: Iterable[Path | None] = ()) -> None:
    """Raises BadValue for a path at which there is something that must not be overwritten.

    Called before the work, so that nothing is done in vain. paths: what is to be written; None is
    passed over. inputs: files that the command reads."""
    read = {path.resolve() for path in inputs if path is not None}
    for path in filter(None, paths):
        if path.is_dir():
            raise BadValue(f"{path} is a directory. Nothing was written; give the name of a file.")
        if path.resolve() in read:
            raise BadValue(
                f"{path} is a file that this command reads. Nothing was written; choose another "
                "name."
            )
        if path.exists() and _is_evidence(path):
            check_new(path)
        if path.exists() and not replace:
            raise BadValue(
                f"{path} exists. Nothing was written; --replace overwrites it, or choose another "
                "name."
            )


def check_new(*paths: Path) -> None:
    """As `check_free`, for evidence, which nothing overwrites."""
    for path in paths:
        if path.exists():
            raise BadValue(
                f"{path} exists, and recordings and marker logs are never overwritten. Nothing "
                "was written; choose another name."
            )


def _is_evidence(path: Path) -> bool:
    from tallymark import markerlog

    return path.suffix.lower() in _RECORDINGS or markerlog.begins_as_log(path)
