"""`tallymark probe --waveform`: a piece of the signal, on the screen and in a file."""

from __future__ import annotations

from pathlib import Path

import click
from rich.text import Text

from tallymark.box.box import Box
from tallymark.box.probe.snippet_beside_lines import SnippetBesideLines
from tallymark.box.probe.waveform import Waveform, draw, sentences, text_rows, waveform, write_csv
from tallymark.cli.common import out, print_json
from tallymark.cli.output_files import check_free
from tallymark.common.errors import BadValue, pip_install
from tallymark.common.formatting import some

_VCD = ".vcd"
_PICTURES = (".png", ".svg", ".pdf")


def check_path(path: Path | None, replace: bool) -> None:
    """Before the box is asked. Raises BadValue."""
    check_free(path, replace=replace)
    if path is not None and path.suffix.lower() not in (".csv", _VCD, *_PICTURES):
        raise BadValue(
            f"The name of a waveform's file ends in .csv, .vcd, .png, .svg or .pdf, not as {path}."
        )


def show(box: Box, probe: str, every: int, path: Path | None, as_json: bool) -> None:
    """Takes a snippet, shows and keeps it. Raises BadValue, and as `Probes.snippet`."""
    settings = box.settings.read()
    if path is not None and path.suffix.lower() == _VCD:
        taken = SnippetBesideLines.take(box, probe, every)
        snippet = taken.snippet
    else:
        taken, snippet = None, box.probes.snippet(probe, every)
    wave = waveform(probe, snippet, settings, distances=box.identity.board == "virtual")
    if taken is not None and path is not None:
        _keep_with_lines(taken, path, settings.idle_levels, box.identity.serial)
    elif path is not None:
        _keep(wave, path)
    if as_json:
        print_json(_plain(wave))
        return
    for line in text_rows(wave):
        out().print(Text(line), soft_wrap=True)
    for said in sentences(wave):
        out().print(Text(said), soft_wrap=True)
    if taken is not None and taken.lost:
        out().print(Text(f"{some(taken.lost, 'change')} of the lines lost: they came too fast for "
                         "the box. What is in the file did happen.", "red"), soft_wrap=True)
    if path is not None:
        out().print(Text(f"Written: {path}", "dim"), soft_wrap=True)


def _keep(wave: Waveform, path: Path) -> None:
    try:
        (write_csv if path.suffix.lower() == ".csv" else draw)(wave, path)
    except ImportError:
        raise BadValue("A picture needs matplotlib. Nothing was drawn; a .csv needs nothing. "
                       f"Install it: {pip_install('picture')}") from None
    except OSError as error:
        raise click.FileError(str(path), str(error)) from None


def _keep_with_lines(
    taken: SnippetBesideLines, path: Path, idle_levels: int, serial: str
) -> None:
    try:
        with path.open("w", encoding="ascii") as file:
            taken.write_vcd(file, idle_levels, f"Box {serial}.")
    except OSError as error:
        raise click.FileError(str(path), str(error)) from None


def _plain(wave: Waveform) -> dict[str, object]:
    return {
        "probe": wave.probe,
        "time_us": wave.snippet.time_us,
        "interval_us": wave.snippet.interval_us,
        "rest": wave.rest,
        "threshold": wave.threshold,
        "hysteresis": wave.hysteresis,
        "watched": wave.by_level,
        "flicker_hz": wave.flicker_hz,
        "samples": list(wave.snippet.samples),
    }
