"""Marker lists of BrainVision files: the header (.vhdr) and the marker file (.vmrk).

Format: "BrainVision Core Data Format 1.0". Both files are text with [sections] and key=value lines,
which the standard library's configparser reads, so no other reader is needed; the sampled data
aren't opened. Positions in the marker file count samples from 1.
"""

from __future__ import annotations

import configparser
import re
from pathlib import Path

import numpy as np

from tallymark.recording.model import RecordedEvents, RecordingError


def read_events(path: Path, kinds: tuple[str, ...] = ("Stimulus", "Response")) -> RecordedEvents:
    """Events of a BrainVision recording, named by its header or marker file.

    Args:
        kinds: types of marker to take. Codes are the number at the end of the description
            ('S  5' is 5, 'R 12' is 12).

    Raises:
        RecordingError: a file is missing or damaged, or holds no marker of these types.
    """
    header_path = path.with_suffix(".vhdr") if path.suffix.lower() == ".vmrk" else path
    header = _parse(header_path)
    common = dict(header.items("Common Infos")) if header.has_section("Common Infos") else {}
    try:
        interval = float(common.get("SamplingInterval", "0"))
        channels = int(common.get("NumberOfChannels", "0"))
    except ValueError as error:
        raise RecordingError(f"{header_path}: its sampling interval is no number.") from error
    if interval <= 0:
        raise RecordingError(
            f"{header_path}: gives no sampling interval (sampling rate zero). The header is "
            "damaged or this is no BrainVision header."
        )
    name = common.get("MarkerFile", header_path.stem + ".vmrk").replace("$b", header_path.stem)
    marker_path = header_path.with_name(name)
    markers = _parse(marker_path)
    rows: list[tuple[int, int, int]] = []
    seen: set[str] = set()
    notes: list[str] = []
    for key, value in markers["Marker Infos"].items() if "Marker Infos" in markers else []:
        fields = value.split(",")
        if not key.lower().startswith("mk") or len(fields) < 3:
            continue
        seen.add(fields[0])
        if fields[0] == "New Segment" and rows:
            notes.append("The file has more than one segment: it pauses where no time is known.")
        number = re.search(r"(\d+)\s*$", fields[1])
        if fields[0] not in kinds or number is None or not 1 <= int(number[1]) <= 255:
            continue
        length = int(fields[3]) if len(fields) > 3 and fields[3].isdigit() else 0
        rows.append((int(fields[2]) - 1, int(number[1]), length if length > 1 else 0))
    if not rows:
        raise RecordingError(
            f"{marker_path}: holds no marker with a code from 1 to 255 of type {' or '.join(kinds)}"
            f" (types there: {', '.join(sorted(seen)) or 'none'}). Check that the cable was in."
        )
    rows.sort()
    table = np.array(rows, np.int64)
    data = header_path.with_name(
        common.get("DataFile", header_path.stem + ".eeg").replace("$b", header_path.stem)
    )
    end = int(table[-1, 0]) + 1
    width = 4 if "FLOAT" in str(dict(header.items("Binary Infos"))) else 2
    if data.exists() and channels:
        end = max(data.stat().st_size // (channels * width), end)
    else:
        notes.append("The data file is not there; the recording is taken to end at its last event.")
    code = table[:, 1].astype(np.uint8)
    return RecordedEvents(
        header_path,
        "BrainVision",
        marker_path.name,
        1e6 / interval,
        table[:, 0],
        table[:, 0].astype(np.float64) * interval,
        code,
        table[:, 2],
        0.0,
        end * interval,
        rule="marker file: number at the end of each description",
        notes=notes,
    )


def _parse(path: Path) -> configparser.ConfigParser:
    try:
        text = path.read_bytes().decode("utf-8", "replace")
    except OSError as error:
        raise RecordingError(
            f"{path}: can't be opened ({error.strerror}). A BrainVision recording has a header "
            "(.vhdr), a marker (.vmrk) and a data file; keep the three together."
        ) from error
    lines = text.splitlines()
    if not lines or "data exchange" not in lines[0].lower():
        raise RecordingError(f"{path}: doesn't begin as a BrainVision file does. Wrong file?")
    parser = configparser.ConfigParser(
        interpolation=None, strict=False, delimiters=("=",), comment_prefixes=(";",)
    )
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    body = "\n".join(line for line in lines[1:])
    body = body.split("[Comment]")[0]  # free text, not key=value
    try:
        parser.read_string(body)
    except configparser.Error as error:
        raise RecordingError(f"{path}: is damaged: {error}".replace("\n", " ")) from error
    if not parser.has_section("Binary Infos"):
        parser.add_section("Binary Infos")
    return parser
