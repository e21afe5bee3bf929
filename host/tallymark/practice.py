"""Practice recordings: a simulated amplifier samples a box's lines.

The lines come as a list of (box time in microseconds, levels of the eight lines) changes, such as
the virtual box keeps; `play` sends a session by a plan through it. A `Wiring` takes them to the
amplifier, with faults if wanted. An `Amplifier` samples them by its own clock. `write_bdf` writes a
BDF+ file with plausible signals beside the status channel.

The wires are those of `tallymark.wiring`, with the same faults as for the self-test. A level at
an input that changes back before its threshold is passed never shows.

Not modelled: contact bounce, noise on the lines, a sampling clock that wanders.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import serial
from numpy.typing import NDArray

from tallymark.box import Box
from tallymark.markerlog import MarkerLog
from tallymark.messages import Idle
from tallymark.plan import Plan, PlanError
from tallymark.wiring import Wiring

Changes = Sequence[tuple[int, int]]
BDF_MINIMUM, BDF_MAXIMUM = -(1 << 23), (1 << 23) - 1  # range of 24-bit samples


@dataclass(frozen=True)
class Amplifier:
    """A simulated amplifier.

    rate: nominal sampling rate in whole Hz. clock_error_ppm: how much faster it samples than that.
    start_us: box time of its first sample. duration_s: length by its own clock.
    first_bit: bit of the status channel that carries line 0. other_bits: value of the bits that
    carry no line. dropped: (time in its own seconds, number of samples) that it loses.
    signals: number of signal channels beside the status channel.
    """

    rate: int = 1000
    clock_error_ppm: float = 0.0
    start_us: float = 0.0
    duration_s: float = 60.0
    first_bit: int = 0
    other_bits: int = 0
    dropped: tuple[tuple[float, int], ...] = ()
    signals: int = 4

    @property
    def samples(self) -> int:
        """Number of samples in the file."""
        return int(self.duration_s * self.rate) - sum(count for _, count in self.dropped)


@dataclass(frozen=True)
class Sampled:
    """A status channel as steps: from sample start[k] on its eight lines have levels[k]."""

    amplifier: Amplifier
    start: NDArray[np.int64]
    levels: NDArray[np.int64]

    def pieces(self, length: int | None = None) -> Iterator[NDArray[np.int32]]:
        """The channel's 24-bit samples in pieces of `length` (default: one second)."""
        amplifier = self.amplifier
        length = length or amplifier.rate
        other = amplifier.other_bits & ~(0xFF << amplifier.first_bit)
        for first in range(0, amplifier.samples, length):
            end = min(first + length, amplifier.samples)
            low, high = np.searchsorted(self.start, [first, end], side="right")
            inner = self.start[low:high][self.start[low:high] < end]
            edges = np.concatenate(([first], inner, [end]))
            values = np.repeat(self.levels[low - 1 : low + len(inner)], np.diff(edges))
            value = (values << amplifier.first_bit) | other
            yield ((value + (1 << 23)) % (1 << 24) - (1 << 23)).astype(np.int32)


def sample(changes: Changes, wiring: Wiring, amplifier: Amplifier) -> Sampled:
    """Sample a box's lines. The lines keep their first level before the first change.

    Raises ValueError if there is no change, or the amplifier's settings make no sense.
    """
    if not len(changes):
        raise ValueError("there is nothing to sample: the box's lines never changed")
    if amplifier.rate <= 0 or amplifier.samples <= 0:
        raise ValueError("the amplifier's sampling rate and duration must be above 0")
    time = np.array([change[0] for change in changes], float)
    driven = [change[1] for change in changes]
    levels = np.frombuffer(wiring.table(), np.uint8).astype(np.int64)[driven]
    rise_us, fall_us = wiring.rise_us(), wiring.fall_us()
    toggle_at, toggle_bit = [], []
    for line in range(8):
        level = (levels >> line) & 1
        turn = np.flatnonzero(np.diff(level)) + 1
        delay = np.where(level[turn] == 1, rise_us[line], fall_us[line])
        at = time[turn] + delay
        overtaken = np.flatnonzero(np.diff(at) <= 0)  # too short to pass the threshold
        keep = np.ones(len(at), bool)
        keep[overtaken] = keep[overtaken + 1] = False
        toggle_at.append(at[keep])
        toggle_bit.append(np.full(int(keep.sum()), 1 << line))
    at, bit = np.concatenate(toggle_at), np.concatenate(toggle_bit)
    true_rate = amplifier.rate * (1 + amplifier.clock_error_ppm * 1e-6) / 1e6
    index = np.ceil((at - amplifier.start_us) * true_rate - 1e-9).astype(np.int64)
    index = np.maximum(index, 0)
    for when, count in sorted(amplifier.dropped, reverse=True):
        gap = int(when * amplifier.rate)
        index = np.where(index >= gap + count, index - count, np.minimum(index, gap))
    order = np.argsort(index, kind="stable")
    index, state = index[order], np.bitwise_xor.accumulate(np.concatenate((levels[:1], bit[order])))
    last = np.append(index[1:] != index[:-1], True) if len(index) else np.zeros(0, bool)
    start = np.concatenate(([-1], index[last]))
    return Sampled(amplifier, start, np.concatenate((state[:1], state[1:][last])))


def write_bdf(
    path: str | Path,
    sampled: Sampled,
    started: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write a practice recording as a BDF+ file of 1 s data records. The file must not exist.

    Args:
        started: date and time of the first sample; default: a fixed date, so that the same settings
            give the same file.
        progress: called with (seconds written, seconds in all).

    Raises:
        FileExistsError: the file exists already. OSError: it can't be written.
    """
    import pyedflib

    path = Path(path)
    path.open("xb").close()
    amplifier = sampled.amplifier
    count = amplifier.signals
    writer = pyedflib.EdfWriter(str(path), count + 1, file_type=pyedflib.FILETYPE_BDFPLUS)
    try:
        names = [_SIGNAL_NAMES[n] if n < len(_SIGNAL_NAMES) else f"E{n}" for n in range(count)]
        headers = [_header(name, "uV", amplifier.rate, -262144, 262143) for name in names]
        headers.append(_header("Status", "Boolean", amplifier.rate, BDF_MINIMUM, BDF_MAXIMUM))
        writer.setSignalHeaders(headers)
        writer.setStartdatetime(started or datetime(2026, 1, 5, 10, 0, 0))
        writer.setRecordingAdditional("practice_recording")
        total = -(-amplifier.samples // amplifier.rate)
        signals = _Signals(amplifier.rate, count)
        for number, piece in enumerate(sampled.pieces()):
            status = np.empty(amplifier.rate, np.int32)
            status[: len(piece)] = piece
            status[len(piece) :] = piece[-1]  # a last record is filled up with its last level
            writer.writeSamples([*signals.second(), status], digital=True)
            if progress is not None:
                progress(number + 1, total)
    finally:
        writer.close()


def _header(
    label: str, dimension: str, rate: int, low: int, high: int
) -> dict[str, str | int | float | None]:
    return {
        "label": label,
        "dimension": dimension,
        "sample_frequency": rate,
        "physical_min": low,
        "physical_max": high,
        "digital_min": BDF_MINIMUM,
        "digital_max": BDF_MAXIMUM,
        "transducer": "",
        "prefilter": "",
    }


_SIGNAL_NAMES = ("Fz", "Cz", "Pz", "Oz", "C3", "C4", "P3", "P4")


@dataclass
class _Signals:
    """Brain-like signals: drifting noise, a rhythm near 10 Hz that waxes and wanes, mains hum."""

    rate: int
    count: int
    level: NDArray[np.float64] = field(init=False)
    seconds: int = 0

    def __post_init__(self) -> None:
        self.level = np.zeros(self.count)
        self.random = np.random.default_rng(5)

    def second(self) -> list[NDArray[np.int32]]:
        time = self.seconds + np.arange(self.rate) / self.rate
        self.seconds += 1
        rows = []
        for channel in range(self.count):
            steps = self.random.normal(0, 40 / np.sqrt(self.rate), self.rate)
            slow = self.level[channel] + np.cumsum(steps)
            slow -= np.linspace(0, 1, self.rate) * slow[-1] * 0.3  # pulls back to zero
            self.level[channel] = slow[-1]
            rhythm = 12 * (1 + np.sin(0.4 * time + channel)) * np.sin(63.6 * time + channel)
            hum = 1.5 * np.sin(2 * np.pi * 50 * time)
            microvolts = slow + rhythm + hum + self.random.normal(0, 2, self.rate)
            rows.append(np.round(microvolts * 32).astype(np.int32))  # 1/32 uV a step
        return rows


# ------------------------------------------------------------------------- losing and adding


@dataclass(frozen=True)
class Pulse:
    """One pulse on the lines: time and width in microseconds."""

    time_us: float
    code: int
    width_us: float


@dataclass(frozen=True)
class Disturbed:
    """Pulses after a disturbance, and the truth: what was done to which (indices of the input)."""

    pulses: list[Pulse]
    lost: set[int]
    altered: dict[int, int]
    extra: list[Pulse]


def disturb(
    pulses: Sequence[Pulse],
    lost: float = 0.0,
    extra: float = 0.0,
    altered: float = 0.0,
    seed: int = 1,
) -> Disturbed:
    """Lose, add and alter a share (0..1) of the pulses at random. An added pulse lies in idle time,
    clear of its neighbours; an altered one has one bit flipped, and never becomes 0."""
    random = np.random.default_rng(seed)
    kind = random.random(len(pulses))
    result: list[Pulse] = []
    gone: set[int] = set()
    changed: dict[int, int] = {}
    for number, pulse in enumerate(pulses):
        if kind[number] < lost:
            gone.add(number)
            continue
        if kind[number] < lost + altered:
            code = 0
            while not code:
                code = pulse.code ^ (1 << int(random.integers(8)))
            changed[number] = code
            pulse = replace(pulse, code=code)
        result.append(pulse)
    added: list[Pulse] = []
    for _ in range(round(extra * len(pulses))):
        place = int(random.integers(len(pulses) - 1))
        here, there = pulses[place], pulses[place + 1]
        free = there.time_us - here.time_us - here.width_us
        if free > 4 * here.width_us:
            at = here.time_us + 2 * here.width_us + random.random() * (free - 4 * here.width_us)
            if all(abs(other.time_us - at) > 3 * here.width_us for other in added):
                added.append(Pulse(at, int(random.integers(1, 256)), here.width_us))
    result = sorted([*result, *added], key=lambda pulse: pulse.time_us)
    return Disturbed(result, gone, changed, sorted(added, key=lambda pulse: pulse.time_us))


def changes_of(pulses: Sequence[Pulse], idle: int = 0) -> list[tuple[int, int]]:
    """The changes of the lines for pulses in order of time; one that begins early cuts the last."""
    changes: list[tuple[int, int]] = [(0, idle)]
    for number, pulse in enumerate(pulses):
        changes.append((round(pulse.time_us), pulse.code ^ idle))
        end = round(pulse.time_us + pulse.width_us)
        if number + 1 == len(pulses) or end < round(pulses[number + 1].time_us):
            changes.append((end, idle))
    return changes


def pulses_of(changes: Changes, idle: int = 0) -> list[Pulse]:
    """The pulses in changes of the lines: every stretch that is not idle."""
    return [
        Pulse(start, levels ^ idle, end - start)
        for (start, levels), (end, _) in pairwise(changes)
        if levels != idle
    ]


# ------------------------------------------------------------------------------ the virtual box


def play(
    plan: Plan,
    markers: int,
    log_path: str | Path,
    seed: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> list[tuple[int, int]]:
    """Send a session by a plan through the virtual box; keep its marker log, and return the changes
    of its lines.

    The firmware's own core carries out each marker; its time is stepped, so that a session of an
    hour takes seconds. Events come in random order, at intervals from the plan's least (default
    0.5 s) to twice that, the first some three seconds after the box's start.

    Args:
        progress: called with (markers sent, markers in all).

    Raises:
        PlanError: the plan has no events. MarkerLogError: the log exists or can't be written.
        BadValue: the box can't do what the plan asks for.
    """
    if not plan.events:
        raise PlanError("The plan names no event, so there is nothing to send.")
    random = np.random.default_rng(seed)
    least = plan.session.least_interval_us or 500_000.0
    waits = random.uniform(least, 2 * least, markers) / 1e6
    chosen = random.integers(0, len(plan.events), markers)
    changes: list[tuple[int, int]] = []
    port = serial.serial_for_url("virtual://?time=stepped")
    with Box(port) as box:
        if plan.receiver.active == "low":
            box.settings.write(replace(box.settings.read(), idle=Idle.HIGH))
        with MarkerLog.for_box(log_path, box, plan):
            changes += _send(box, plan, waits, chosen, progress)
    return changes


def _send(
    box: Box,
    plan: Plan,
    waits: NDArray[np.float64],
    chosen: NDArray[np.int64],
    progress: Callable[[int, int], None] | None,
) -> list[tuple[int, int]]:
    changes: list[tuple[int, int]] = []
    device = box.port.device
    box.pacing.sleep(3.0)
    for number, (wait, event) in enumerate(zip(waits, chosen, strict=True), 1):
        box.pacing.sleep(float(wait))
        plan.pulse(box, plan.events[event].name)
        if number % 500 == 0 or number == len(waits):
            changes += device.edges()
            if progress is not None:
                progress(number, len(waits))
    box.pacing.sleep(1.0)
    box.wait()
    changes += device.edges()
    return changes
