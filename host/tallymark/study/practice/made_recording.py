"""Makes one recording of an archive for practice, with its log and the files of BIDS beside it."""

from __future__ import annotations

import json
import os
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.plan import Event, Plan, Receiver, Session
from tallymark.study.practice.planned_archive import LINE, Planned
from tallymark.virtual.practice import (
    Amplifier,
    Pulse,
    changes_of,
    play,
    pulses_of,
    sample,
    write_recording,
)
from tallymark.virtual.stimuli import Display, Stage

_RATE = 1000
_DROPPED = 0.01
"""Share of what is shown that comes a frame late."""
_CODES = {"empty sea": 9, "ferry at left": 17, "ferry at right": 18, "horn": 36,
          "answer left": 65, "answer right": 66, "ferry lands": 96}
_SHOWN = ("empty sea", "ferry at left", "ferry at right")


def plan_of(changed: bool) -> Plan:
    """The study's plan, and the one that a site changed to."""
    events = [Event(name, code, 5000, probe="light" if name in _SHOWN else None)
              for name, code in _CODES.items()]
    if changed:
        events.append(Event("ran aground", 129, 5000))
    return Plan(
        "Ferry",
        Receiver(sampling_rate=_RATE, least_samples=2),
        Session(least_interval_us=1_000_000.0, width_us=5000, distance=2),
        tuple(events),
    )


def make(planned: Planned, root: Path, seed: int, markers: int) -> dict[str, Any]:
    """Make the recording and its log. Returns what was done to its markers, by their numbers."""
    random = np.random.default_rng([seed, planned.index])
    recording = root / planned.name
    log = root / "sourcedata" / planned.folder / f"{planned.stem}_markerlog.jsonl"
    for folder in (recording.parent, log.parent):
        folder.mkdir(parents=True, exist_ok=True)
    plan = plan_of(planned.changed_plan)
    stage = Stage(Display(lag_us=planned.lag_us), seed=planned.index, dropped=_DROPPED)
    changes = play(plan, markers, log, int(random.integers(1 << 31)), stage=stage)
    pulses = pulses_of(changes)
    there, missed, altered = _disturbed(pulses, planned, random)
    duration = int(pulses[-1].time_us / 1e6) + 1
    amplifier = Amplifier(_RATE, planned.drift_ppm, 1e6 + float(random.uniform(0, 1000)), duration,
                          signals=1)
    write_recording(recording, sample(changes_of(there), Wiring([]), amplifier), planned.date)
    _complete_log(log, planned, random)
    _metadata(root, planned)
    return {"markers": len(pulses), "missed": missed, "altered": altered, "late": stage.late}


def _disturbed(
    pulses: list[Pulse], planned: Planned, random: np.random.Generator
) -> tuple[list[Pulse], list[int], list[int]]:
    there, missed, altered = [], [], []
    for number, pulse in enumerate(pulses, 1):
        if random.random() < planned.lost:
            missed.append(number)
            continue
        if pulse.code >> LINE & 1 and random.random() < planned.line_lost:
            altered.append(number)
            pulse = replace(pulse, code=pulse.code & ~(1 << LINE))
        there.append(pulse)
    return there, missed, altered


def _complete_log(log: Path, planned: Planned, random: np.random.Generator) -> None:
    """The log of the virtual box has no date of the past, the same serial number everywhere, and
    no time between request and edge."""
    lines = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    lines[0]["start"] = planned.date.isoformat() + "+00:00"
    lines[0]["box"]["serial"] = planned.box
    for record in lines:
        if "sent" in record:
            record["host"] -= round(planned.delay_us * float(random.lognormal(0, 0.1)))
    text = "".join(json.dumps(record, separators=(",", ":")) + "\n" for record in lines)
    log.write_text(text, encoding="utf-8")


def _metadata(root: Path, planned: Planned) -> None:
    folder = root / planned.folder
    told = {
        "TaskName": "ferry",
        "SamplingFrequency": _RATE,
        "EEGReference": "Cz",
        "PowerLineFrequency": 50,
        "SoftwareFilters": "n/a",
        "InstitutionName": planned.site,
        "DeviceSerialNumber": planned.amplifier,
    }
    path = folder / "eeg" / f"{planned.stem}_eeg.json"
    path.write_text(json.dumps(told, indent=1), encoding="utf-8")
    channels = "name\ttype\tunits\nFz\tEEG\tuV\nMarker lines\tTRIG\tn/a\n"
    (folder / "eeg" / f"{planned.stem}_channels.tsv").write_text(channels, encoding="utf-8")
    scan = f"eeg/{planned.stem}_eeg.edf\t{planned.date.isoformat()}\n"
    scans = folder / f"sub-{planned.index + 1:05d}_ses-01_scans.tsv"
    scans.write_text("filename\tacq_time\n" + scan, encoding="utf-8")


def exchange_logs(one: Planned, other: Planned, root: Path) -> None:
    """Two logs change places, as when files are named by hand."""
    paths = [root / "sourcedata" / each.folder / f"{each.stem}_markerlog.jsonl"
             for each in (one, other)]
    aside = paths[0].with_suffix(".aside")
    os.replace(paths[0], aside)
    os.replace(paths[1], paths[0])
    os.replace(aside, paths[1])


def damage(planned: Planned, root: Path) -> list[str]:
    """Damage a recording in the way that is planned. Returns the names that can't be checked, or
    are copies."""
    recording = root / planned.name
    log = root / "sourcedata" / planned.folder / f"{planned.stem}_markerlog.jsonl"
    name = planned.name
    if planned.damage == "log missing":
        log.unlink()
    elif planned.damage == "log damaged":
        log.write_bytes(b"\x00\xff" * 500)
    elif planned.damage == "cut off":
        with recording.open("r+b") as file:
            file.truncate(300)
    elif planned.damage == "empty":
        recording.write_bytes(b"")
    elif planned.damage == "other extension":
        recording.rename(recording.with_suffix(".txt"))
        return []  # what it is shows by its content
    elif planned.damage == "copied run":
        copy = recording.with_name(recording.name.replace("run-1", "run-2"))
        shutil.copy(recording, copy)
        shutil.copy(log, log.with_name(log.name.replace("run-1", "run-2")))
        return [name.replace("run-1", "run-2")]
    elif planned.damage == "doubled run":
        shutil.copy(recording, recording.with_name(recording.name.replace("run-1", "run-01")))
        return [name, name.replace("run-1", "run-01")]
    elif planned.damage == "broken link":
        recording.unlink()
        recording.symlink_to("../../../.git/annex/objects/not-there")
    elif planned.damage == "linked loop":
        (recording.parent / "again").symlink_to("../../..", target_is_directory=True)
        return [f"{planned.folder}/eeg/again"]
    return [name]
