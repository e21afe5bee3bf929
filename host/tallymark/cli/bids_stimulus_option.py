"""`--stimulus`: what the user says of screen and program, for the sidecar of BIDS events."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])


def stimulus_option(command: F) -> F:
    """Adds `--stimulus`, which a command gets as `stimulus_file`."""
    return click.option(
        "--stimulus", "stimulus_file", type=click.Path(path_type=Path), metavar="JSON",
        help="Fields for StimulusPresentation in the sidecar of the events, such as "
             '{"ScreenRefreshRate": 60}.',
    )(command)  # fmt: skip


def stimulus_presentation(path: Path | None) -> dict[str, Any] | None:
    """The fields of that file. Raises BadValue for what BIDS doesn't know."""
    if path is None:
        return None
    from tallymark.recording.bids_stimulus_fields import read

    return read(path)
