"""`tallymark probe`: levels at the probe inputs, once or live, with the edges that come."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import click
from rich.console import Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from tallymark.box.box import Box
from tallymark.box.probe import calibrate_light, calibrate_sound, flicker_hz_of
from tallymark.box.probe.calibration import look
from tallymark.box.probe_modes import LEVEL_HIGHEST, LightProbe, SoundProbe
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import ProbeEdge, ProbeLevels
from tallymark.box.wire.protocol_enumerations import Capability
from tallymark.cli.common import box_option, json_option, opened, out, print_json
from tallymark.cli.output_files import replace_option
from tallymark.cli.probe_waveform import check_path, show
from tallymark.common.errors import BadValue
from tallymark.common.formatting import some, time_text

PROBES = ("light", "sound", "ttl")
_LOOK_S = 0.1
_SETTLE_S = 0.03  # the first question starts the converter of some boards
_BAR = 32


@dataclass
class Seen:
    """What came since the command began."""

    onsets: dict[str, int] = field(default_factory=lambda: dict.fromkeys(PROBES, 0))
    last: dict[str, ProbeEdge] = field(default_factory=dict)
    lost: int = 0

    def take(self, box: Box) -> None:
        """The edges that the box has told meanwhile."""
        for edge in box.probes.take():
            self.onsets[edge.probe] += edge.on
            self.last[edge.probe] = edge
        self.lost = box.probes.lost


@click.command()
@click.option("--live", is_flag=True, help="Update the display until Ctrl-C.")
@click.option("--calibrate", type=click.Choice(["light", "sound"]),
              help="Find threshold and hysteresis, from dark and bright or from silence and tone; "
              "put them in force and keep them.")
@click.option("--waveform", type=click.Choice(["light", "sound"]),
              help="Show a piece of the signal, with threshold and hysteresis.")
@click.option("--every", type=click.IntRange(1, 255), default=8, show_default=True,
              help="With --waveform: one of so many samples of 10 µs, 2048 in all.")
@click.option("--save", type=click.Path(path_type=Path), metavar="FILE",
              help="With --waveform: keep it as .csv, .png, .svg or .pdf, too; as .vcd "
              "with what the lines do meanwhile.")
@replace_option
@box_option
@json_option
def probe(
    live: bool,
    calibrate: str | None,
    waveform: str | None,
    every: int,
    save: Path | None,
    replace: bool,
    where: str | None,
    as_json: bool,
) -> None:
    """Show what the probes see: the levels of light and sound, and what is on.

    Levels and thresholds go from 0 to 65535, the full scale. A level is the lowest and the
    highest of the last 10 ms; that of sound is its distance from rest. On a Nano the level is that
    of the jumper JP3.

    Which probes are watched is set by, for instance:

    \b
      tallymark settings change light=level light_threshold=20000 light_hysteresis=5000
      tallymark settings change light=off ttl=low

    With --live, onsets are counted too; stop with Ctrl-C (exit code 0).

    With --calibrate, you are asked for the two states one after the other. A flicker of the light
    is told with its frequency. Keep the sensor and the cable of a screen away from the wiring of a
    participant: the probe's ground is that of the computer.

    With --waveform, 2048 samples of a Pico's light or sound are plotted: 164 ms with --every 8,
    20 ms with --every 1. '=' is the threshold, '-' the level below which it is off. Of a sound,
    both count from its rest, up and down; the rest is the mean of what is shown.
    """
    if calibrate and (live or as_json):
        raise click.UsageError("--calibrate asks questions: use it without --live and --json.")
    if live and as_json:
        raise click.UsageError("--live shows a screen and --json prints one result: choose one.")
    if waveform and (live or calibrate):
        raise click.UsageError("--waveform shows one piece: use it without --live, --calibrate.")
    if (save is not None or replace) and not waveform:
        raise click.UsageError("--save and --replace belong to --waveform.")
    check_path(save, replace)
    with opened(where) as box:
        if not box.identity.capabilities & (Capability.DIGITAL | Capability.ANALOG):
            raise BadValue("This box has no probe inputs: its firmware or its board can't do that.")
        if waveform:
            _need_analog(box, "It can't tell a waveform")
            show(box, waveform, every, save, as_json)
            return
        if calibrate:
            _calibrate(box, calibrate)
            return
        settings = box.settings.read()
        box.probes.levels()
        box.pacing.sleep(_SETTLE_S)
        levels = box.probes.levels()
        if as_json:
            print_json(_plain(levels, settings))
            return
        if not live:
            out().print(_draw(levels, settings, _analog(box)))
            return
        seen = Seen()
        try:
            with Live(
                _draw(levels, settings, _analog(box), seen), console=out(), auto_refresh=False
            ) as view:
                while True:
                    box.pacing.sleep(_LOOK_S)
                    seen.take(box)
                    levels = box.probes.levels()
                    view.update(_draw(levels, settings, _analog(box), seen), refresh=True)
        except KeyboardInterrupt:
            return


def _calibrate(box: Box, name: str) -> None:
    _need_analog(box, "It has no threshold to set: the comparator on its board has it")
    rest, stimulus = ("dark", "bright") if name == "light" else ("silence", "tone")
    click.prompt(f"Make it {rest}, and keep it so. Enter", default="", show_default=False, err=True)
    low = look(box, name)
    click.prompt(f"Now {stimulus}, and keep it so. Enter", default="", show_default=False, err=True)
    high = look(box, name)
    if name == "light":
        found = calibrate_light(low, high, flicker_hz_of(partial(box.probes.snippet, "light")))
    else:
        found = calibrate_sound(low, high)
    box.settings.write(box.settings.read().changed(**found.settings))
    box.settings.keep()
    out().print(f"{rest}: {found.rest}    {stimulus}: {found.stimulus}")
    for note in found.notes:
        out().print(Text(note, style="yellow"), soft_wrap=True)
    values = " ".join(f"{key}={value}" for key, value in found.settings.items())
    out().print(Text(f"✓ In force and kept: {values}"), soft_wrap=True)


def _need_analog(box: Box, what: str) -> None:
    if not _analog(box):
        raise BadValue(f"This box has no analog inputs. {what}. See hardware/README.md; "
                       "`tallymark probe --live` shows what it sees.")


def _analog(box: Box) -> bool:
    return bool(box.identity.capabilities & Capability.ANALOG)


def _plain(levels: ProbeLevels, settings: Settings) -> dict[str, Any]:
    return {
        "time_us": levels.time_us,
        "light": {
            "watched": settings.light.label,
            "on": "light" in levels.on,
            "level": list(levels.light),
            "threshold": settings.light_threshold,
            "hysteresis": settings.light_hysteresis,
        },
        "sound": {
            "watched": settings.sound.label,
            "on": "sound" in levels.on,
            "level": list(levels.sound),
            "threshold": settings.sound_threshold,
            "hysteresis": settings.sound_hysteresis,
        },
        "ttl": {"watched": settings.ttl.label, "on": "ttl" in levels.on},
    }


def _draw(
    levels: ProbeLevels, settings: Settings, analog: bool, seen: Seen | None = None
) -> RenderableType:
    table = Table(box=None, padding=(0, 2, 0, 0), header_style="dim")
    headings = ["probe", "watched", "now", "level", "threshold", "0 to full scale"]
    for heading in headings + (["onsets", "last edge"] if seen else []):
        table.add_column(heading, no_wrap=True)
    for name in PROBES:
        watched = getattr(settings, name)
        cells: list[str | Text] = [name, watched.label, _state(name in levels.on, bool(watched))]
        level = {"light": levels.light, "sound": levels.sound}.get(name)
        by_level = watched in (LightProbe.LEVEL, LightProbe.STEADY) or watched is SoundProbe.LEVEL
        threshold = getattr(settings, f"{name}_threshold", 0) if by_level else 0
        if level is None or (name == "sound" and not analog):
            cells += ["", "", ""]
        else:
            low, high = level
            cells += [str(low) if low == high else f"{low} to {high}"]
            cells += [str(threshold) if by_level else "", _bar(level, threshold)]
        if seen:
            last = seen.last.get(name)
            cells.append(str(seen.onsets[name]))
            cells.append(
                f"{'on' if last.on else 'off'} at {time_text(last.time_us)}" if last else ""
            )
        table.add_row(*cells)
    notes = []
    if not (settings.light or settings.sound or settings.ttl):
        notes.append(Text("No probe is watched: see `tallymark probe --help`.", style="dim"))
    if seen and _flickers(levels, settings):
        notes.append(
            Text("The light passes its threshold again and again: a flicker. `tallymark probe "
                 "--calibrate light` tells its frequency.", style="red")
        )
    if seen and seen.lost:
        notes.append(
            Text(f"{some(seen.lost, 'edge')} lost: too many for the box, such as a flicker.",
                 style="red")
        )
    return Group(table, *notes)


def _flickers(levels: ProbeLevels, settings: Settings) -> bool:
    """Whether the light was both on and off within the last 10 ms, as no stimulus is for long."""
    low, high = levels.light
    release = settings.light_threshold - settings.light_hysteresis
    return settings.light is LightProbe.LEVEL and low < release and high >= settings.light_threshold


def _state(on: bool, watched: bool) -> Text:
    return Text("on" if on else "off", style="bold green" if on and watched else "")


def _bar(level: tuple[int, int], threshold: int) -> Text:
    """The range of a level as a bar, with a mark at the threshold."""
    low, high = (each * (_BAR - 1) // LEVEL_HIGHEST for each in level)
    mark = threshold * (_BAR - 1) // LEVEL_HIGHEST
    cells = ["#" if low <= at <= high else "-" if at < low else "." for at in range(_BAR)]
    if threshold:
        cells[mark] = "|"
    return Text("".join(cells))
