"""`tallymark play`: a sequence from a file, timed by the box."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import click

from tallymark.box.sequence import Sequence
from tallymark.box.wire.answer_values import SequenceState
from tallymark.box.wire.protocol_enumerations import SequencePhase
from tallymark.cli import exit_codes
from tallymark.cli.common import (
    Update,
    box_option,
    json_option,
    note,
    opened,
    out,
    print_json,
    progress,
)
from tallymark.cli.sequence_file import read_steps
from tallymark.common.errors import PortGone, TallymarkError
from tallymark.common.formatting import time_text

_LOOK_S = 0.2


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--repeats", default=1, show_default=True, help="Number of repeats; 0: until Ctrl-C."
)
@box_option
@json_option
def play(file: Path, repeats: int, where: str | None, as_json: bool) -> None:
    """Play a sequence from a CSV file, timed by the box.

    The first row of FILE names the columns: code, and hold_us or hold_ms, or hold for times with
    their units (5ms). Each further row is a step: a code, and how long it stays. Code 0 is idle.

    Ctrl-C stops it, takes the lines to idle and prints the number of steps played.
    """
    steps = read_steps(file)
    interrupted = False
    with opened(where, drives=True) as box:
        sequence = box.sequence(steps, repeats)
        with progress("Playing") as update:
            try:
                state = play_through(sequence, update)
            except KeyboardInterrupt:
                state = sequence.stop()
                interrupted = True
            except PortGone:
                note("If the box still has power, the sequence continues.")
                raise
        lost = state.phase is SequencePhase.EMPTY
    if lost:
        raise TallymarkError(
            "The box started again while the sequence played, and lost it. Steps are missing from "
            "the recording. Check its power and its USB cable."
        )
    if as_json:
        print_json(
            {
                "outcome": "stopped" if interrupted else "ended",
                "steps": state.steps,
                "repeats": state.repeats,
                "steps_played": state.played,
                "started_us": state.started_us,
                "ended_us": state.ended_us,
            }
        )
    else:
        lasted = state.ended_us - state.started_us
        out().print(
            f"{'Stopped after' if interrupted else 'Played'} {state.played:,} steps in "
            f"{time_text(lasted)}, from box time {time_text(state.started_us)}. The lines are at "
            "idle."
        )
    if interrupted:
        raise SystemExit(exit_codes.INTERRUPTED)


def play_through(
    sequence: Sequence,
    update: Update,
    look: Callable[[], None] = lambda: None,
) -> SequenceState:
    """Starts a loaded sequence and waits for its end; calls `look` every now and then."""
    total = len(sequence.steps) * sequence.repeats
    sequence.start()
    state = sequence.state()
    while state.phase is SequencePhase.PLAYING:
        update(f"Playing, {state.played:,} steps", state.played, total)
        state = sequence.wait(_LOOK_S)
        look()
    return state
