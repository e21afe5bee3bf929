"""Reads the events of a recording, whatever its format."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from tallymark.recording.event_extraction import Design, Rule, extract
from tallymark.recording.formats import brainvision, delimited_text, edf, xdf
from tallymark.recording.formats.code_text import Codes
from tallymark.recording.formats.digital_or_physical import Values
from tallymark.recording.formats.edf_header import is_edf
from tallymark.recording.formats.event_rows import from_rows, written_step_us
from tallymark.recording.formats.text_file import encoding_of
from tallymark.recording.formats.xdf_chunk_checks import MAGIC as XDF_MAGIC
from tallymark.recording.recording_data import RecordedEvents, RecordingError

_BRAINVISION = (".vhdr", ".vmrk", ".ahdr", ".amrk", ".eeg")


def load_events(
    path: str | Path,
    rule: Rule | None = None,
    channel: str | None = None,
    rate: float | None = None,
    progress: Callable[[int, int], None] | None = None,
    *,
    design: Design | None = None,
    types: Sequence[str] = (),
    values: Values = "auto",
    hexadecimal: bool = False,
    time_column: str | None = None,
) -> RecordedEvents:
    """Read the events of a recording; the format is told by the file's content, then its name.

    Args:
        rule: how events are extracted from a status channel.
        channel: label of the status channel, name of the column with codes of a table, or name of
            the stream ('stream/channel') of an XDF file; 'annotations' takes the annotations of an
            EDF+ or BDF+ file. BrainVision files give their marker list without it.
        rate: sampling rate in Hz, for tables.
        progress: called with (samples read, samples in all).
        design: what is known of the markers (`design_of` a log), for status channels.
        types: types of marker to take from BrainVision files; default: Stimulus and Response.
        values: whether codes of a status channel are digital or physical values; 'auto' finds out.
        hexadecimal: whether codes in texts are hexadecimal.
        time_column: name of the column with times of a table.

    Raises:
        RecordingError: the file can't be read, holds no marker, or it can't be known what is idle.
    """
    path = Path(path)
    head = _head(path)
    suffix = path.suffix.lower()
    if suffix in (".edf", ".bdf") or is_edf(head):
        if channel == "annotations":
            return _from_annotations(path, hexadecimal)
        return extract(edf.open_status(path, channel, values), rule, progress, design)
    if head.startswith(XDF_MAGIC) or suffix == ".xdf":
        return xdf.read_events(path, rule, channel, progress, design, hexadecimal)
    if suffix in _BRAINVISION or b"Data Exchange" in head[:80]:
        if channel is None:
            return brainvision.read_events(path, types, hexadecimal)
        return extract(brainvision.open_status(path, channel, values), rule, progress, design)
    if b"\x00" in head and encoding_of(head) == "utf-8":
        raise RecordingError(
            f"{path}: is in a format that is not known here. Known are EDF, EDF+, BDF, BDF+, "
            "BrainVision, XDF, events.tsv and other delimited text. Export the recording to one of "
            "them."
        )
    return delimited_text.read_events(path, rate, time_column, channel, hexadecimal)


def _head(path: Path) -> bytes:
    try:
        with open(path, "rb") as file:
            head = file.read(256)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "that can't be a file name"
        raise RecordingError(f"{path}: can't be opened ({why}).") from error
    if not head:
        raise RecordingError(f"{path}: is empty. Copy it from the amplifier again.")
    return head


def _from_annotations(path: Path, hexadecimal: bool) -> RecordedEvents:
    header, found = edf.read_annotations(path)
    codes = Codes("annotation", hexadecimal)
    rows = [
        (onset * 1e6, code, length * 1e6)
        for onset, length, text in found
        if (code := codes.take(text, f"at {onset:.3f} s"))
    ]
    return from_rows(
        path,
        "annotations",
        rows,
        notes=header.notes + codes.notes(),
        format=header.format,
        step_us=written_step_us([onset for onset, _, _ in found]),
        covers_us=None if header.paused else (0.0, header.records * header.record_s * 1e6),
        incomplete=header.incomplete,
        began=header.began,
    )
