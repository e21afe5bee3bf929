"""Recording check: is every marker in the recording, rightly?

`load_events` reads a recording, `columns` takes the markers out of a log, `compare` puts the two
together. The parts: readers (edf, brainvision, table), extract, align (with clock, candidates,
rates, pieces, identity and the kernel in C), compare (with timing and wiring), summary and bids.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

try:
    import numpy as _numpy  # noqa: F401
except ImportError as error:  # pragma: no cover - depends on the installation
    raise ImportError(
        "The recording check needs numpy. Install it with: pip install 'tallymark[recording]'"
    ) from error

from tallymark.recording import brainvision, edf, table
from tallymark.recording.compare import (
    FATES,
    AnotherSession,
    Comparison,
    Rival,
    Sent,
    columns,
    compare,
)
from tallymark.recording.extract import Rule, extract
from tallymark.recording.model import RecordedEvents, RecordingError

__all__ = [
    "FATES",
    "AnotherSession",
    "Comparison",
    "RecordedEvents",
    "RecordingError",
    "Rival",
    "Rule",
    "Sent",
    "columns",
    "compare",
    "load_events",
]


def load_events(
    path: str | Path,
    rule: Rule | None = None,
    channel: str | None = None,
    rate: float | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> RecordedEvents:
    """Read the events of a recording; the format is told by the file's content, then its name.

    Args:
        rule: how events are extracted from a status channel.
        channel: label of the status channel, or name of the column with codes of a table;
            'annotations' takes the annotations of an EDF+ or BDF+ file.
        rate: sampling rate in Hz, for tables.
        progress: called with (samples read, samples in all).

    Raises:
        RecordingError: the file can't be read or holds no marker.
    """
    path = Path(path)
    try:
        with open(path, "rb") as file:
            head = file.read(256)
    except OSError as error:
        raise RecordingError(f"{path}: can't be opened ({error.strerror}).") from error
    if not head:
        raise RecordingError(f"{path}: is empty. Copy it from the amplifier again.")
    suffix = path.suffix.lower()
    if suffix in (".edf", ".bdf") or head[:8] in (b"\xffBIOSEMI", b"0       "):
        if channel == "annotations":
            return _from_annotations(path)
        return extract(edf.open_status(path, channel), rule, progress)
    if suffix in (".vhdr", ".vmrk"):
        return brainvision.read_events(path)
    if suffix == ".eeg":
        return brainvision.read_events(path.with_suffix(".vhdr"))
    if b"\x00" in head:
        raise RecordingError(
            f"{path}: is in a format that is not known here. Known are EDF, EDF+, BDF, BDF+, "
            "BrainVision, events.tsv and other delimited text. Export the recording to one of them."
        )
    return table.read_events(path, rate, code_column=channel)


def _from_annotations(path: Path) -> RecordedEvents:
    rows = [
        (onset * 1e6, table.code_in(text), duration * 1e6)
        for onset, duration, text in edf.read_annotations(path)
    ]
    return table.from_rows(path, "annotations", [row for row in rows if row[1]])
