"""`tallymark record`: the lines over time as a VCD file, through the box's own capture."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path
from typing import IO

import click

from tallymark.box.box import Box
from tallymark.box.capture import Capture
from tallymark.box.sequence import Sequence
from tallymark.box.wire.protocol_enumerations import SequencePhase
from tallymark.cli import exit_codes
from tallymark.cli.common import (
    box_option,
    err,
    json_option,
    note,
    opened,
    out,
    print_json,
    progress,
    time_option,
)
from tallymark.cli.output_files import check_free, replace_option
from tallymark.cli.play import play_through
from tallymark.cli.sequence_file import read_steps
from tallymark.common.errors import BadValue, TallymarkError
from tallymark.common.formatting import time_text
from tallymark.common.lines.vcd_writer import VcdFile

_LOOK_S = 0.1
_AROUND_S = 0.05
"""A sequence is recorded with so much idle time before and after it, for slow inputs too."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--for", "duration", type=time_option, metavar="TIME",
              help="Duration: 500ms, 10s. Default: until Ctrl-C.")
@click.option("--play", "steps_file", type=click.Path(path_type=Path, dir_okay=False),
              help="Play a sequence from a CSV file (see 'play') and record it.")
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False),
              help="Also draw the lines: .png, .svg or .pdf. Needs matplotlib.")
@replace_option
@box_option
@json_option
def record(
    file: Path,
    duration: int | None,
    steps_file: Path | None,
    picture: Path | None,
    replace: bool,
    where: str | None,
    as_json: bool,
) -> None:
    """Record the lines into a VCD file (IEEE 1364).

    It records what the readback sees: connect it first. Times are the box's own. What moves the
    lines meanwhile: --play, or the byte input. Ends after --for, with the sequence, or with
    Ctrl-C, after which the file is complete (exit code 0 where nothing else was to end it, 130
    otherwise).
    """
    steps = None if steps_file is None else read_steps(steps_file)
    check_free(file, picture, replace=replace, inputs=[steps_file])
    if picture is not None:
        _check_picture(picture)
    if duration is not None and duration <= 0:
        raise BadValue("--for has to be longer than 0.")
    interrupted = False
    with opened(where, drives=steps is not None) as box:
        sequence = None if steps is None else box.sequence(steps)
        recording = _Recording(box, keep=picture is not None)
        with _created(file) as stream:
            recording.vcd = VcdFile(stream, recording.idle_levels, f"Box {box.identity.serial}.")
            try:
                if sequence is not None:
                    recording.play(sequence)
                else:
                    recording.watch(duration)
            except KeyboardInterrupt:
                interrupted = True
            except TallymarkError:
                recording.save()
                note(f"The changes recorded until then are in {file}: {recording.changes:,} "
                     "changes.")
                raise
            recording.end()
    if picture is not None:
        from tallymark.common.lines.plot import draw_lines

        draw_lines(
            recording.edges,
            picture,
            recording.end_us,
            idle_levels=recording.idle_levels,
            title=f"{file.stem}: {recording.changes:,} changes",
        )
    _tell(recording, file, picture, as_json)
    if interrupted and (duration is not None or steps is not None):
        raise SystemExit(exit_codes.INTERRUPTED)
    if recording.lost:
        raise SystemExit(exit_codes.NOT_GOOD)


class _Recording:
    """A capture that runs into a VCD file."""

    vcd: VcdFile

    def __init__(self, box: Box, keep: bool) -> None:
        settings = box.settings.read()
        self.idle_levels = settings.idle_levels
        self.edges: list[tuple[int, int]] = []
        self.end_us = 0
        self._box = box
        self._keep = keep
        self._capture: Capture = box.capture(send=True)

    @property
    def changes(self) -> int:
        """Changes recorded so far."""
        return self.vcd.changes

    @property
    def lost(self) -> int:
        """Changes that are missing."""
        return self._capture.lost

    def watch(self, duration: int | None) -> None:
        """Records for a time in microseconds, or until an interrupt."""
        pacing = self._box.pacing
        begin = pacing.now()
        with progress("Recording") as update:
            while True:
                done = (pacing.now() - begin) * 1e6
                text = f"Recording, {self.changes:,} changes" + (
                    "" if duration else " (Ctrl-C ends it)"
                )
                update(text, done, duration or 0)
                if duration is not None and done >= duration:
                    return
                left = _LOOK_S if duration is None else min(_LOOK_S, (duration - done) * 1e-6)
                pacing.sleep(left)
                self._take()

    def play(self, sequence: Sequence) -> None:
        """Plays a sequence and records until shortly after its end."""
        self._box.pacing.sleep(_AROUND_S)
        with progress("Playing") as update:
            try:
                state = play_through(sequence, update, self._take)
            except KeyboardInterrupt:
                sequence.stop()
                raise
        if state.phase is SequencePhase.ENDED:
            self._box.pacing.sleep(_AROUND_S)

    def end(self) -> None:
        """Ends the capture and completes the file."""
        self._capture.stop()
        self._take()
        self._take()  # what came in beside the last answer
        self.end_us = self._box.levels().time_us
        self.save()

    def save(self) -> None:
        """Completes the file with what there is."""
        self.vcd.close(self.end_us)

    def _take(self) -> None:
        edges = self._capture.fetch()
        for edge in edges:
            self.vcd.add(edge.time_us, edge.levels)
        if edges:
            self.vcd.flush()
        if self._keep:
            self.edges += edges
        if self._box.link.failure is not None:  # no edge would ever come
            raise self._box.link.failure


def _created(path: Path) -> IO[str]:
    try:
        return path.open("w", encoding="ascii")
    except OSError as error:
        raise BadValue(f"{path} can't be written ({error.strerror}). Nothing was recorded.") from (
            error
        )


def _check_picture(path: Path) -> None:
    """Finds out before the recording whether a picture can be drawn."""
    if path.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise BadValue(f"The name of a picture must end in .png, .svg or .pdf, not {path}. Nothing "
                       "was recorded.")
    if find_spec("matplotlib") is None:
        raise BadValue("Pictures need matplotlib: pip install matplotlib. Nothing was "
                       "recorded.")


def _tell(recording: _Recording, file: Path, picture: Path | None, as_json: bool) -> None:
    if as_json:
        print_json(
            {
                "file": str(file),
                "picture": None if picture is None else str(picture),
                "changes": recording.changes,
                "edges_lost": recording.lost,
                "end_us": recording.end_us,
            }
        )
    else:
        drawn = f", drawn in {picture}" if picture else ""
        out().print(
            f"{recording.changes:,} changes up to box time {time_text(recording.end_us)} are in "
            f"{file}{drawn}.",
            soft_wrap=True,
        )
    if recording.lost:
        err().print(
            f"{recording.lost} or more changes were lost, because they were faster than the "
            "connection: the file is incomplete. Record at a lower rate of markers.",
            style="yellow",
        )
