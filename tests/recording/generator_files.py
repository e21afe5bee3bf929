"""Recordings of the generator as files, by writers that are not this project's; and their logs."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pybv
from generator.amplifier import Recording, record, straight, whole
from generator.damages import DAMAGES, World
from generator.designs import DESIGNS, Sent
from independent_bdf_writer import write_bdf


@dataclass
class Made:
    """A session of the generator. log: what the log holds, which may be another session's."""

    world: World
    recording: Recording
    log: Sent

    @property
    def rate(self) -> int:
        """Sampling rate in Hz."""
        return int(self.recording.rate)


def session(design: str, damage: str, seed: int, count: int = 120, rate: float = 512.0) -> Made:
    """A session of a design, with a damage."""
    random = np.random.default_rng(seed)
    sent = DESIGNS[design](random, count)
    world = World(design, sent, straight(sent), whole(sent, random, rate))
    DAMAGES[damage](world, random)
    log = DESIGNS[design](random, count) if world.foreign else world.sent
    return Made(world, record(world.sent, world.lines, world.amplifier), log)


def status(made: Made) -> np.ndarray:
    """Samples of the status channel."""
    recording = made.recording
    values = np.zeros(recording.samples, np.int32)
    for first, code, width in zip(
        recording.sample, recording.code, recording.width, strict=True
    ):
        values[first : first + width] = code
    return values


def write_log(path: Path, sent: Sent, settings: dict[str, Any] | None = None) -> Path:
    """A marker log as its format is described, all markers confirmed."""
    rows: list[dict[str, Any]] = [
        {
            "marker_log": 1,
            "start": "2026-04-01T12:30:00.000000+00:00",
            "host": 0,
            "box": {"serial": "7"},
            "settings": {"idle": "low", "lines": 255} if settings is None else settings,
            "plan": None,
        }
    ]
    for number, (at, code, width) in enumerate(
        zip(sent.time, sent.code, sent.width, strict=True), 1
    ):
        box = int(at)
        rows.append({"sent": number, "code": int(code), "width": int(width), "host": box})
        rows.append({"done": number, "box": box, "host": box, "error": 50})
    rows.append({"end": int(sent.time[-1]) + 1_000_000})
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    return path


def write_brainvision(folder: Path, made: Made) -> Path:
    """A BrainVision recording by pybv, with the events in its marker file."""
    recording = made.recording
    pybv.write_brainvision(
        data=np.zeros((1, recording.samples)),
        sfreq=made.rate,
        ch_names=["Fz"],
        fname_base="made",
        folder_out=folder,
        events=[
            {
                "onset": int(first),
                "duration": int(width),
                "description": int(code),
                "type": "Stimulus",
            }
            for first, code, width in zip(
                recording.sample, recording.code, recording.width, strict=True
            )
        ],
        meas_date="20260401123000000000",
    )
    return folder / "made.vhdr"


def write_table(path: Path, made: Made) -> Path:
    """A list of events, as an export of an acquisition program."""
    recording = made.recording
    rows = [
        f"{first / recording.rate:.6f}\t{code}"
        for first, code in zip(recording.sample, recording.code, strict=True)
    ]
    path.write_text("onset\tvalue\n" + "\n".join(rows) + "\n")
    return path


def write_paused_bdf(path: Path, values: np.ndarray, rate: int, first_s: int, last_s: int) -> Path:
    """A BDF+D file that paused from one second to another: pyedflib's file without these records,
    and with the time stamps of those behind them moved, as the format has it."""
    kept = np.concatenate((values[: first_s * rate], values[last_s * rate :]))
    raw = bytearray(write_bdf(path, kept, rate).read_bytes())
    assert raw[192:197] == b"BDF+C"
    raw[192:197] = b"BDF+D"
    header_bytes, records = int(raw[184:192]), int(raw[236:244])
    record_bytes = (len(raw) - header_bytes) // records
    for number in range(first_s, records):
        start = header_bytes + number * record_bytes
        old, new = b"+%d\x14\x14" % number, b"+%d\x14\x14" % (number + last_s - first_s)
        at = raw.index(old, start, start + record_bytes)
        room = 12
        assert raw[at + len(old) : at + room] == bytes(room - len(old))
        raw[at : at + room] = new.ljust(room, b"\x00")
    path.write_bytes(raw)
    return path


def quiet_seconds(values: np.ndarray, rate: int, lasting: int) -> tuple[int, int]:
    """Two whole seconds, some way apart, at which all lines idle."""
    for first in range(len(values) // rate // 3, len(values) // rate - lasting):
        last = first + lasting
        ends = [values[at * rate - 2 : at * rate + 2] for at in (first, last)]
        if not np.concatenate(ends).any():
            return first, last
    raise AssertionError("no quiet second")


def without(made: Made, first_s: int, last_s: int) -> Made:
    """The session without the samples from one second to another."""
    recording = made.recording
    start, end = first_s * made.rate, last_s * made.rate
    keep = (recording.sample < start) | (recording.sample >= end)
    sample = recording.sample[keep]
    shown = Recording(
        np.where(sample >= end, sample - (end - start), sample),
        recording.code[keep],
        recording.width[keep],
        recording.rate,
        recording.samples - (end - start),
        recording.maker[keep],
        recording.event,
    )
    return Made(made.world, shown, made.log)


def add_segment(header: Path, made: Made, at: int, date: str | None) -> None:
    """A line in a BrainVision marker file: a new segment begins at a sample, at a date."""
    markers = header.with_suffix(".vmrk")
    dated = "" if date is None else f",{date}"
    number = len(made.recording.sample) + 2
    line = f"Mk{number}=New Segment,,{at + 1},1,0{dated}\n"
    markers.write_text(markers.read_text(encoding="utf-8") + line, encoding="utf-8")


def part(made: Made, first: int, last: int) -> Made:
    """The same session of which only the events from first to before last were recorded."""
    recording = made.recording
    keep = slice(first, last)
    start = int(recording.sample[first]) - 20
    end = int(recording.sample[last - 1]) + 20
    shown = Recording(
        recording.sample[keep] - start,
        recording.code[keep],
        recording.width[keep],
        recording.rate,
        end - start,
        recording.maker[keep],
        recording.event,
    )
    return Made(made.world, shown, made.log)
