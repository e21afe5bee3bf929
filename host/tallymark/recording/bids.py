"""BIDS events: `events.tsv` with its JSON sidecar.

Format: Brain Imaging Data Structure, "Task events". Columns `onset` and `duration` come first, in
seconds; `n/a` stands for what isn't known.
"""

from __future__ import annotations

import contextlib
import csv
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from tallymark.common.errors import BadValue, NotWritten
from tallymark.markerlog import LogData
from tallymark.markerlog.delay import Delays
from tallymark.markerlog.marker_durations import durations
from tallymark.recording.comparison_result import Comparison
from tallymark.recording.fates import FATES
from tallymark.recording.recording_data import RecordingError

_COLUMNS: dict[str, dict[str, Any]] = {
    "onset": {"Description": "Onset of the marker", "Units": "s"},
    "duration": {"Description": "Width of the marker", "Units": "s"},
    "sample": {"Description": "Sample of the onset in the recording, counted from 0"},
    "trial_type": {"Description": "Name of the event in the plan"},
    "value": {"Description": "Code of the marker on the eight lines, 0 to 255"},
    "fate": {
        "Description": "What became of the marker in the recording",
        "Levels": {
            "arrived": "there, with its code",
            "altered": "there, with another code",
            "merged": "one event with its neighbour",
            "missed": "not in the recording",
            "in a gap": "sent while the recording dropped samples",
            "absent": "never confirmed by the box, and not in the recording",
            "unknown": "its place in the recording can't be known",
            "extra": "recorded, but never sent",
        },
    },
    "recorded_value": {"Description": "Code found in the recording"},
    "confirmed": {
        "Description": "Whether the box confirmed the marker",
        "Levels": {"yes": "the box gave the time of its edge", "no": "no answer came"},
    },
    "stimulus_onset": {
        "Description": "Onset of the light, sound or TTL signal that the marker announces, as a "
        "probe of the marker box saw it; not corrected into 'onset'",
        "Units": "s",
    },
    "stimulus_delay": {"Description": "From the marker to stimulus_onset", "Units": "s"},
    "stimulus_probe": {
        "Description": "Which probe saw it",
        "Levels": {"light": "light sensor", "sound": "microphone or line signal", "ttl": "TTL"},
    },
    "host_error": {"Description": "Bound on the error of times by the host's clock", "Units": "s"},
}


_STIMULUS = ("stimulus_onset", "stimulus_delay", "stimulus_probe")


def write_comparison(
    result: Comparison,
    path: str | Path,
    replace: bool = False,
    delays: Delays | None = None,
    presentation: dict[str, Any] | None = None,
) -> Path:
    """Write `events.tsv` with times on the recording's clock, and the sidecar beside it.

    Markers that lie outside the recording are left out; extra events are listed as such. delays:
    of the same log; their onsets become columns of their own. presentation: what the user says of
    screen and program, for the sidecar (`stimulus_presentation.read`).
    Returns the sidecar's path. Raises BadValue if either file exists and isn't to be replaced.
    """
    at, width = result.alignment_times(), result.width_us()
    sent, recorded = result.sent, result.recorded
    has_rate = recorded.rate is not None
    rows: list[tuple[float, list[str]]] = []
    seen = {} if delays is None else delays.by_marker()
    for row in range(len(sent)):
        fate = FATES[result.fate[row]]
        if fate in ("outside", "unknown") or at[row] < 0:
            continue
        event = int(result.partner[row])
        fields = [
            f"{at[row] / 1e6:.6f}",
            _seconds(width[row]) if width[row] == width[row] else _seconds(sent.width[row]),
            str(recorded.sample[event]) if event >= 0 and has_rate else "n/a",
            sent.names[sent.name[row]] if sent.name[row] >= 0 else "n/a",
            str(sent.code[row]),
            fate,
            str(recorded.code[event]) if event >= 0 else "n/a",
        ]
        if delays is not None:
            probe, delay_us = seen.get(int(sent.at[row]), ("n/a", float("nan")))
            fields += [_seconds(at[row] + delay_us), _seconds(delay_us), probe]
        rows.append((float(at[row]), fields))
    for event in result.extra:
        when = float(recorded.time_us[event])
        width_s = recorded.width[event] * recorded.sample_us
        code = str(recorded.code[event])
        sample = str(recorded.sample[event]) if has_rate else "n/a"
        fields = [f"{when / 1e6:.6f}", _seconds(width_s), sample, "n/a", code, "extra", code]
        if delays is not None:
            fields += ["n/a"] * len(_STIMULUS)
        rows.append((when, fields))
    rows.sort(key=lambda entry: entry[0])
    columns = ["onset", "duration", "sample", "trial_type", "value", "fate", "recorded_value"]
    if delays is not None:
        columns += _STIMULUS
    return _write(path, columns, (fields for _, fields in rows), replace, presentation)


def write_log(
    log: LogData,
    path: str | Path,
    replace: bool = False,
    presentation: dict[str, Any] | None = None,
) -> Path:
    """Write a marker log as `events.tsv`. Onsets count from the first confirmed marker's box time.

    Refused markers and those of a test before the session are left out, and code 0, which is the
    end of the one before and in its duration. Unconfirmed ones are placed by the host's clock.
    presentation: as in `write_comparison`.
    Returns the sidecar's path.
    Raises BadValue if either file exists and isn't to be replaced, RecordingError without a marker
    that the box confirmed.
    """
    first = next((m for m in log.markers if m.box_us is not None and not m.test), None)
    if first is None or first.box_us is None or first.host_us is None:
        raise RecordingError(f"{log.path}: holds no marker that the box confirmed.")
    rows: list[tuple[float, list[str]]] = []
    for marker, lasted in zip(log.markers, durations(log), strict=True):
        if marker.fate == "refused" or not marker.code or marker.test:
            continue
        if marker.box_us is not None and marker.part == first.part:
            onset = (marker.box_us - first.box_us) / 1e6
        else:
            host = marker.host_us if marker.host_us is not None else marker.sent_host_us
            onset = ((host or 0) - first.host_us) / 1e6
        fields = [
            f"{onset:.6f}",
            "n/a" if lasted.us is None else _seconds(lasted.us),
            marker.name or "n/a",
            str(marker.code),
            "yes" if marker.fate == "done" else "no",
            "n/a" if marker.error_us is None else _seconds(marker.error_us),
        ]
        rows.append((onset, fields))
    rows.sort(key=lambda entry: entry[0])
    columns = ["onset", "duration", "trial_type", "value", "confirmed", "host_error"]
    return _write(path, columns, (fields for _, fields in rows), replace, presentation)


def _seconds(microseconds: float) -> str:
    return "n/a" if microseconds != microseconds else f"{microseconds / 1e6:.6f}"


def sidecar_of(path: Path) -> Path:
    """The file beside a table of events that says what its columns are."""
    return path.with_suffix(".json")


def _write(
    path: str | Path,
    columns: list[str],
    rows: Iterable[list[str]],
    replace: bool,
    presentation: dict[str, Any] | None,
) -> Path:
    path = Path(path)
    sidecar = sidecar_of(path)
    for existing in (path, sidecar):
        if existing.exists() and not replace:
            raise BadValue(f"{existing}: exists already. Choose another name.")
    made = []
    try:
        made.append(path)
        _write_rows(path, columns, rows, "w" if replace else "x")
        made.append(sidecar)
        said = {} if presentation is None else {"StimulusPresentation": presentation}
        text = json.dumps({name: _COLUMNS[name] for name in columns} | said, indent=2)
        sidecar.write_text(text + "\n", encoding="utf-8")
    except OSError as error:
        for part in made:  # half a table would be taken for a whole one
            with contextlib.suppress(OSError):
                part.unlink()
        raise NotWritten(made[-1], error) from error
    return sidecar


def _write_rows(
    path: Path, columns: list[str], rows: Iterable[list[str]], mode: str
) -> None:
    with path.open(mode, newline="", encoding="utf-8") as file:
        writer = csv.writer(
            file,
            delimiter="\t",
            lineterminator="\n",
            quoting=csv.QUOTE_NONE,
            escapechar=None,
            quotechar=None,
        )
        writer.writerow(columns)
        for fields in rows:
            writer.writerow([" ".join(field.split()) for field in fields])
