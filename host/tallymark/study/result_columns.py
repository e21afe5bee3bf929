"""Columns of the two tables of a study: a row a recording, and a row a marker."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pyarrow as pa

from tallymark.study.onset_delay_columns import PROBES


@dataclass(frozen=True)
class Column:
    """A column: its name, its Arrow type, what it says."""

    name: str
    type: Any
    about: str


_TEXT, _COUNT, _REAL = pa.string(), pa.int64(), pa.float64()
_FATES = ("arrived", "altered", "merged", "missed", "in_gap", "in_pause", "outside", "absent",
          "unknown")

RECORDINGS = (
    Column("name", _TEXT, "Name of the recording in the study"),
    Column("recording", _TEXT, "Path or URL of the recording"),
    Column("log", _TEXT, "Path or URL of its marker log"),
    Column("subject", _TEXT, "Participant"),
    Column("session", _TEXT, "Session"),
    Column("task", _TEXT, "Task"),
    Column("run", _TEXT, "Run"),
    Column("site", _TEXT, "Where it was recorded"),
    Column("box", _TEXT, "Serial number of the box, as the log says"),
    Column("amplifier", _TEXT, "Amplifier"),
    Column("date", _TEXT, "Date and time of its beginning (ISO 8601)"),
    Column("status", _TEXT, "checked, copy (same content as another: not counted) or failed"),
    Column("problem", _TEXT, "Why it failed, or what it is a copy of"),
    Column("outcome", _TEXT, "Outcome of the check"),
    Column("summary", _TEXT, "The outcome in a sentence"),
    Column("findings", _TEXT, "Everything that holds of the recording, separated by ';'"),
    Column("identity", _TEXT, "Whether the log is of this session: own, foreign or untold"),
    Column("log_of", _TEXT, "Recording whose log fits instead, or that this log fits"),
    Column("counted", pa.bool_(), "Whether its markers count in the rates of the study"),
    Column("expected", _COUNT, "Markers that the recording should hold"),
    *(Column(fate, _COUNT, f"Markers with the fate '{fate.replace('_', ' ')}'") for fate in _FATES),
    Column("extra", _COUNT, "Events that nobody sent"),
    *(Column(f"line{line}_told", _COUNT, f"Markers that tell of line {line}") for line in range(8)),
    *(Column(f"line{line}_wrong", _COUNT, f"Markers with line {line} at the wrong level")
      for line in range(8)),
    Column("faults", _TEXT, "Faults of the lines that explain altered codes"),
    Column("drift_ppm", _REAL, "How much faster the recording's clock runs than the box's"),
    Column("drift_error_ppm", _REAL, "How far that may be off"),
    Column("jitter_us", _REAL, "Standard deviation of recorded times from the clocks' fit"),
    Column("worst_us", _REAL, "Largest deviation of a recorded time"),
    Column("sampling_us", _REAL, "Jitter that sampling alone gives"),
    Column("late_us", _REAL, "How much later than others the latest code comes"),
    Column("delay_us", _REAL, "Median time from the request to the edge, by the log"),
    Column("delay_jitter_us", _REAL, "Range of the middle half of these times"),
    *(column for probe in PROBES for column in (
        Column(f"{probe}_onsets", _COUNT,
               f"Markers with one onset of the probe '{probe}', where the plan names that probe"),
        Column(f"{probe}_onset_us", _REAL, "Median time from the marker to the onset; none for "
               "fewer than 10"),
        Column(f"{probe}_onset_jitter_us", _REAL, "Standard deviation of these times, without "
               "onsets that are off from the others"),
        Column(f"{probe}_late_onsets", _COUNT, "Onsets that come later than the others, such as "
               "by a frame that was dropped"),
        Column(f"{probe}_no_onset", _COUNT, "Markers whose onset did not come"),
    )),
    Column("rate_hz", _REAL, "Sampling rate"),
    Column("recorded_s", _REAL, "Time that the recording covers"),
    Column("format", _TEXT, "Format of the recording"),
    Column("plan", _TEXT, "Name of the plan in the log"),
    Column("plan_digest", _TEXT, "Digest of the plan in the log"),
    Column("notes", _TEXT, "What a reader must know, separated by ';'"),
    Column("recording_sha256", _TEXT, "SHA-256 of the recording's files"),
    Column("log_sha256", _TEXT, "SHA-256 of the marker log"),
    Column("key", _TEXT, "Hash of content, options and version of the check"),
    Column("check_s", _REAL, "Duration of the check"),
)

MARKERS = (
    Column("recording", pa.dictionary(pa.int32(), _TEXT), "Name of the recording in the study"),
    Column("number", _COUNT, "Number of the marker in the log; none for an extra event"),
    Column("event", pa.dictionary(pa.int32(), _TEXT), "Name of the event"),
    Column("code", pa.int16(), "Code that was sent; none for an extra event"),
    Column("fate", pa.dictionary(pa.int32(), _TEXT), "What became of it; 'extra': nobody sent it"),
    Column("doubt", _REAL, "Probability that the fate is wrong"),
    Column("box_us", _REAL, "Time of the edge by the box"),
    Column("recorded_us", _REAL, "Time in the recording, where known or expected"),
    Column("recorded_code", pa.int16(), "Code in the recording"),
    Column("residual_us", _REAL, "Recorded minus expected time"),
    Column("width_us", _REAL, "Width in the recording"),
    Column("delay_us", _REAL, "From the request to the edge, by the log"),
    Column("onset_us", _REAL, "From the marker to its onset, as the probe of its event saw it"),
)


def schema(columns: tuple[Column, ...]) -> pa.Schema:
    """The Arrow schema of a table."""
    return pa.schema([pa.field(column.name, column.type) for column in columns])


def described(columns: tuple[Column, ...]) -> dict[str, dict[str, str]]:
    """What the columns say, as the JSON beside a TSV has it in BIDS."""
    units = {"_us": "us", "_s": "s", "_ppm": "ppm", "_hz": "Hz"}
    told: dict[str, dict[str, str]] = {}
    for column in columns:
        told[column.name] = {"Description": column.about}
        for ending, unit in units.items():
            if column.name.endswith(ending) and column.type == _REAL:
                told[column.name]["Units"] = unit
    return told
