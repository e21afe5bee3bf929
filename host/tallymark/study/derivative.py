"""The results as a BIDS derivative: events of each recording, beside the tables of the study.

Source: Brain Imaging Data Structure 1.10, "Derived dataset and pipeline description".
"""

from __future__ import annotations

import json
import posixpath
from pathlib import Path
from typing import Any

import tallymark
from tallymark.study.bids_names import parsed
from tallymark.study.result_tables import write_text
from tallymark.study.whole_study import Study

_VERSION = "1.10.0"
_README = """Markers of the data set above, checked
======================================

What became of each marker that the marker box sent: `*_desc-markers_events.tsv` has a row a marker,
with its time in the recording and its fate. The JSON files tell what the columns mean.

study.html and study.json sum up the study; recordings.parquet and markers.parquet hold all rows.
The folder `results` lets a check that was stopped go on; it may be deleted.
"""
_IGNORED = ("study.html", "study.json", "*.parquet", "/recordings.*", "/markers.*", "results",
            "results/**", "**/*.part")


def write_derivative(
    study: Study, folder: Path, presentation: dict[str, Any] | None = None
) -> int:
    """Write the derivative; events of recordings that were checked. Returns how many.

    presentation: what the user says of screen and program of the whole study, for each sidecar
    (`bids_stimulus_fields.read`). Raises NotWritten.
    """
    description = {
        "Name": "Markers, checked against their logs",
        "BIDSVersion": study.found.bids_version or _VERSION,
        "DatasetType": "derivative",
        "GeneratedBy": [{"Name": "tallymark", "Version": tallymark.__version__}],
        "SourceDatasets": [{"URL": "../.."}],
    }
    write_text(folder / "dataset_description.json", json.dumps(description, indent=1) + "\n")
    write_text(folder / "README", _README)
    write_text(folder / ".bidsignore", "".join(f"{pattern}\n" for pattern in _IGNORED))
    written = 0
    for row in study.rows:
        name = parsed(posixpath.basename(row["name"]))
        if row["status"] != "checked" or name is None or row["identity"] == "foreign":
            continue
        texts = study.store.events(row["key"])
        if texts is None:
            continue
        stem = posixpath.basename(row["name"]).split(".")[0].rsplit("_", 1)[0]
        place = folder / posixpath.dirname(row["name"]) / f"{stem}_desc-markers_events"
        write_text(place.with_name(place.name + ".tsv"), texts[0])
        write_text(place.with_name(place.name + ".json"), _with(texts[1], presentation))
        written += 1
    return written


def _with(sidecar: str, presentation: dict[str, Any] | None) -> str:
    """The text of a sidecar with what the user says, which no result of a check holds."""
    if presentation is None:
        return sidecar
    said = json.loads(sidecar) | {"StimulusPresentation": presentation}
    return json.dumps(said, indent=1, ensure_ascii=False) + "\n"
