"""Settings as the page shows them, and what a change would do to the plan in use."""

from __future__ import annotations

import tempfile
from dataclasses import fields
from pathlib import Path
from typing import Any

from tallymark.box.probe_modes import LightProbe, SoundProbe, TtlProbe
from tallymark.box.settings import NO_STROBE, Settings
from tallymark.box.wire.protocol_enumerations import ByteMode, Idle, Origin, Overlap
from tallymark.common.errors import BadValue, SettingsFileError
from tallymark.page.box_session import Station
from tallymark.plan import fit, needed_settings

MEANINGS = {
    "name": ("Name", "What the box is called in the lab; at most 16 letters, digits and signs."),
    "width_us": ("Pulse width", "How long a pulse lasts that is sent without a width: by code, or "
                                "as a byte that is not in the plan."),
    "gap_us": ("Gap", "Shortest idle time between two markers, up to 1000 ms. A marker that comes "
                      "too soon is delayed, and its delay is told."),
    "hold_limit_us": ("Hold limit", "A code that stays ends when the box has heard nothing from "
                                    "the computer for so long. 0: it stays."),
    "byte_baud": ("Byte input, baud", "Speed of the box's own byte input, where that is a serial "
                                      "line."),
    "lines": ("Lines in use", "Codes that need another line are refused; other lines never move."),
    "idle": ("Idle level", "Level of the lines while no marker is out. With the wrong one, the "
                           "receiver reads every idle line as active."),
    "overlap": ("Overlap", "A marker comes while a pulse is still out: 'cut' ends the pulse, and "
                           "tells its length; 'refuse' refuses the marker."),
    "byte_mode": ("Byte mode", "What a byte of a program does. 'off': it is refused. 'pulse': a "
                               "pulse. 'set': the code stays until the next byte; byte 0 is idle. "
                               "'limited': a pulse that byte 0 may end early."),
    "strobe": ("Strobe", "The line that says when the code on the others is valid, for receivers "
                         "that latch. Codes can't have that line."),
    "strobe_lead_us": ("Strobe lead", "From the code to the strobe."),
    "strobe_hold_us": ("Strobe hold", "From the strobe's end to the code's."),
    "light": ("Light probe", "A light sensor on a screen, watched by its 'level'; 'steady': "
                             "likewise, for a backlight that flickers; 'edge': by the board's "
                             "comparator."),
    "sound": ("Sound probe", "A microphone or line signal, watched by its 'level'; 'edge': by the "
                             "board's comparators."),
    "ttl": ("TTL probe", "A signal of a scanner, or a button: on while 'high', or while 'low'."),
    "light_threshold": ("Light threshold", "Level from which on light is on, to 65535. `tallymark "
                                           "probe --calibrate light` finds it."),
    "light_hysteresis": ("Light hysteresis", "How far below its threshold light falls to be off."),
    "sound_threshold": ("Sound threshold", "Distance from rest from which on sound is on, to "
                                           "65535. `tallymark probe --calibrate sound` finds "
                                           "it."),
    "sound_hysteresis": ("Sound hysteresis", "How far below its threshold sound falls to be off."),
}
"""Each setting: its name for people, and what it means."""

CHOICES = {
    "idle": [each.label for each in Idle],
    "overlap": [each.label for each in Overlap],
    "byte_mode": [each.label for each in ByteMode],
    "strobe": [NO_STROBE, *map(str, range(8))],
    "light": [each.label for each in LightProbe],
    "sound": [each.label for each in SoundProbe],
    "ttl": [each.label for each in TtlProbe],
}
_LONGEST_FILE = 20_000


def plain(settings: Settings) -> dict[str, Any]:
    """Settings for JSON."""
    found = {}
    for field in fields(settings):
        value = getattr(settings, field.name)
        if field.name == "lines":
            value = [line for line in range(8) if value >> line & 1]
        elif field.name == "strobe":
            value = NO_STROBE if settings.strobe_line is None else str(settings.strobe_line)
        found[field.name] = getattr(value, "label", value)
    return found


def form(station: Station) -> dict[str, Any]:
    """The settings in force as the box tells them now, where they came from, and what each means.
    Raises TallymarkError while the box is gone."""
    state = station.box.settings.state()
    plan = station.plan
    return {
        "values": plain(state.settings),
        "meanings": MEANINGS,
        "choices": CHOICES,
        "factory": plain(Settings()),
        "needed": None if plan is None else plain(needed_settings(plan, state.settings)),
        "not_loaded": state.origin is Origin.OTHER_VERSION,
        "times_kept": state.kept,
        "box_changes": station.box_changes,
        **effects(station, state.settings),
    }


def changed(station: Station, values: dict[str, Any]) -> Settings:
    """The settings in force with some changed. Raises BadValue."""
    settings = station.settings.changed(**values)
    settings.check(station.identity)
    return settings


def effects(station: Station, settings: Settings) -> dict[str, Any]:
    """What the plan in use would suffer with these settings, worst first."""
    plan = station.plan
    if plan is None:
        return {"plan": None, "effects": []}
    return {
        "plan": plan.name,
        "effects": [
            {"level": each.level, "text": each.text, "remedy": each.remedy}
            for each in fit(plan, settings, station.identity)
        ],
    }


def as_file(station: Station) -> str:
    """A settings file. Asks the box."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "settings.toml"
        box = station.box
        box.settings.read().save(path, box.identity)
        return path.read_text(encoding="utf-8")


def from_file(data: bytes) -> dict[str, Any]:
    """The settings of a settings file, for the form. Raises SettingsFileError, BadValue."""
    if len(data) > _LONGEST_FILE:
        raise BadValue("This is too long for a settings file. Nothing was changed.")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "the file"
        path.write_bytes(data)
        try:
            try:
                return {"values": plain(Settings.load(path)), "edited": False}
            except SettingsFileError:  # perhaps it was edited by hand, which is no fault
                return {"values": plain(Settings.load(path, edited=True)), "edited": True}
        except SettingsFileError as error:
            said = str(error).replace(str(path), "This file")
            raise SettingsFileError(said) from None
