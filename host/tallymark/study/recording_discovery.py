"""Finds the recordings of a folder and their marker logs, or reads them from a table of pairs."""

from __future__ import annotations

import csv
import io
import json
import posixpath
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from tallymark.study import local_and_remote_files as storage
from tallymark.study.bids_names import Name, metadata_names, parsed
from tallymark.study.recording_pair import CheckOptions, Pair, StudyError

DERIVATIVES = "derivatives"
_RECORDINGS = (".edf", ".bdf", ".vhdr", ".xdf")
_PARTS = (".eeg", ".vmrk", ".dat")  # of a BrainVision recording, which its header names
_SUFFIXES = ("eeg", "ieeg", "emg", "meg", "nirs")
_LOG = ".jsonl"
_NOT_RAW = ("sourcedata/", "code/", "stimuli/")  # folders of a BIDS data set
_COLUMNS = ("recording", "log", "name", "subject", "session", "task", "run", "site", "box",
            "amplifier", "date", "channel", "lines", "first_bit", "active")


@dataclass
class Found:
    """What a folder holds: pairs in order of name (those with a problem too), whether it is a BIDS
    data set, and its BIDS version."""

    pairs: list[Pair] = field(default_factory=list)
    is_bids: bool = False
    bids_version: str = ""


def find(place: str, options: CheckOptions | None = None) -> Found:
    """Recordings and logs of a study.

    Args:
        place: path or URL of a folder, or of a table of pairs (.tsv, .csv).
        options: of the whole study, which a table may change for single recordings.

    Raises:
        StudyError: the folder or the table can't be read, or holds no recording.
    """
    if place.lower().endswith((".tsv", ".csv")):
        found = Found(_from_table(place, options or CheckOptions()))
    else:
        found = _Folder(place).found()
    if not found.pairs:
        raise StudyError(
            f"{place}: holds no recording that is known here (EDF, BDF, BrainVision, XDF). Name "
            "the folder that holds them, or a table of pairs with the columns 'recording' and "
            "'log'."
        )
    return found


def is_bids(place: str) -> bool:
    """Whether a study is a BIDS data set, as `find` tells it, without looking through it."""
    if place.lower().endswith((".tsv", ".csv")):
        return False
    try:
        storage.head(storage.joined(place.rstrip("/") or place, "dataset_description.json"), 1)
    except OSError:
        return False
    return True


class _Folder:
    """A folder while it is looked through."""

    def __init__(self, place: str) -> None:
        self.place = place.rstrip("/") or place
        self.metadata: dict[str, list[tuple[dict[str, str], str, str]]] = defaultdict(list)
        self.tables: dict[str, str] = {}
        self.recordings: dict[Any, list[storage.Entry]] = defaultdict(list)
        self.logs: dict[Any, list[storage.Entry]] = defaultdict(list)
        self.bad: list[Pair] = []
        self.broken: set[Any] = set()
        self.description: str | None = None
        self._json: dict[str, dict[str, Any]] = {}
        self._rows: dict[str, list[dict[str, str]]] = {}

    def found(self) -> Found:
        entries = list(storage.files_below(self.place, (DERIVATIVES,)))
        headers = {entry.relative for entry in entries if entry.relative.lower().endswith(".vhdr")}
        known = {entry.relative: entry for entry in entries if not entry.problem}
        if (description := known.get("dataset_description.json")) is not None:
            self.description = description.place
        for entry in entries:
            self._sort(entry, headers)
        found = Found(is_bids=self.description is not None)
        if self.description is not None:
            found.bids_version = str(self._read_json(self.description).get("BIDSVersion", ""))
        keys = sorted({*self.recordings, *self.logs}, key=str)
        found.pairs = [pair for key in keys for pair in self._pairs(key)] + self.bad
        found.pairs.sort(key=lambda pair: pair.name)
        return found

    def _sort(self, entry: storage.Entry, headers: set[str]) -> None:
        folder, name = posixpath.split(entry.relative)
        extension = posixpath.splitext(name)[1].lower()
        bids = parsed(name)
        if entry.problem:
            if extension in (*_RECORDINGS, _LOG, "") or (bids and bids.suffix in _SUFFIXES):
                self.bad.append(Pair(entry.relative, None, None, _sentence(entry.problem)))
                self.broken.add(_run(bids, entry.relative))
            return
        if (told := metadata_names(name)) is not None:
            self.metadata[folder].append((dict(told[0]), told[1], entry.place))
        elif name.endswith("_scans.tsv") or entry.relative == "participants.tsv":
            self.tables[entry.relative] = entry.place
        elif extension == _LOG:
            self.logs[_run(bids, entry.relative)].append(entry)
        elif self.description is not None and entry.relative.startswith(_NOT_RAW):
            return  # what the recordings of the data set were made from, and programs
        elif extension in _RECORDINGS or self._is_disguised(entry, bids, extension, headers):
            self.recordings[_run(bids, entry.relative)].append(entry)

    def _is_disguised(
        self, entry: storage.Entry, bids: Name | None, extension: str, headers: set[str]
    ) -> bool:
        """Whether a file of another extension is a recording all the same, or is named as one; the
        latter is noted."""
        stem = posixpath.splitext(entry.relative)[0]
        if extension in _PARTS and any(header.lower() == f"{stem.lower()}.vhdr"
                                       for header in headers):
            return False
        if bids is None or bids.suffix not in _SUFFIXES or bids.extension in (".json", ".tsv"):
            return False
        try:
            start = storage.head(entry.place)
        except OSError as error:
            self.bad.append(Pair(entry.relative, None, None, _sentence(_why(error))))
            return False
        if start[:8] in (b"0       ", b"\xffBIOSEMI") or start.startswith(b"XDF:"):
            return True
        if b"Data Exchange" in start[:80] and b"Header" in start[:80]:
            return True
        text = "is named as a recording, but its format is not known here"
        if extension in _PARTS:
            text = "is the data of a BrainVision recording whose header (.vhdr) is missing"
        self.bad.append(Pair(entry.relative, None, None, _sentence(text)))
        return False

    def _pairs(self, key: Any) -> list[Pair]:
        recordings, logs = self.recordings.get(key, []), self.logs.get(key, [])
        if not recordings and key in self.broken:
            return []  # the recording has a row, with what is wrong
        if not recordings:
            text = "The marker log has no recording: the folder holds none of its name."
            return [Pair(log.relative, None, log.place, text) for log in logs]
        problem = ""
        if len(recordings) > 1:
            others = ", ".join(entry.relative for entry in recordings)
            problem = f"Several recordings have the name of this run: {others}."
        elif not logs:
            problem = "The marker log is missing: the folder holds none of the recording's name."
        elif len(logs) > 1:
            others = ", ".join(entry.relative for entry in logs)
            problem = f"Several marker logs have the name of this run: {others}."
        log = logs[0].place if len(logs) == 1 and len(recordings) == 1 else None
        return [self._pair(entry, log, problem) for entry in recordings]

    def _pair(self, entry: storage.Entry, log: str | None, problem: str) -> Pair:
        name = parsed(posixpath.basename(entry.relative))
        pair = Pair(entry.relative, entry.place, log, problem)
        if name is None:
            return pair
        told = self._told(entry.relative, name)
        model, serial = told.get("ManufacturersModelName", ""), told.get("DeviceSerialNumber", "")
        return replace(
            pair,
            subject=name.get("sub"),
            session=name.get("ses"),
            task=name.get("task"),
            run=name.get("run"),
            site=self._site(name.get("sub")) or str(told.get("InstitutionName", "")),
            amplifier=" ".join(str(part) for part in (model, serial) if part),
            date=self._date(entry.relative, name),
        )

    def _told(self, relative: str, name: Name) -> dict[str, Any]:
        """What the JSON files tell of a recording: those in folders nearer to it go first."""
        own = dict(name.entities)
        told: dict[str, Any] = {}
        parts = posixpath.dirname(relative).split("/")
        for depth in range(len(parts) + 1):
            for entities, suffix, place in self.metadata.get("/".join(parts[:depth]), []):
                fits = all(own.get(key) == value for key, value in entities.items())
                if fits and suffix == name.suffix:
                    told.update(self._read_json(place))
        return told

    def _site(self, subject: str) -> str:
        for row in self._read_rows("participants.tsv"):
            if row.get("participant_id") == f"sub-{subject}":
                site = row.get("site", "") or row.get("site_id", "")
                return "" if site == "n/a" else site
        return ""

    def _date(self, relative: str, name: Name) -> str:
        parts = relative.split("/")
        for depth in range(1, len(parts)):
            inside = "/".join(parts[depth:])
            prefix = "_".join(f"{key}-{name.get(key)}" for key in ("sub", "ses") if name.get(key))
            for table in (f"{'/'.join(parts[:depth])}/{prefix}_scans.tsv",):
                for row in self._read_rows(table):
                    if row.get("filename") == inside and row.get("acq_time", "n/a") != "n/a":
                        return row["acq_time"]
        return ""

    def _read_json(self, place: str) -> dict[str, Any]:
        if place not in self._json:
            try:
                value = json.loads(storage.read_text(place))
            except (OSError, ValueError):
                value = {}
            self._json[place] = value if isinstance(value, dict) else {}
        return self._json[place]

    def _read_rows(self, relative: str) -> list[dict[str, str]]:
        if relative not in self._rows:
            place = self.tables.get(relative)
            try:
                text = "" if place is None else storage.read_text(place)
                self._rows[relative] = _rows(text, "\t")
            except (OSError, csv.Error):
                self._rows[relative] = []
        return self._rows[relative]


def _run(name: Name | None, relative: str) -> Any:
    """By what a recording and its log are told to be of one run: entities, or else the path."""
    if name is None:
        return posixpath.splitext(relative)[0]
    return name.run_of


def _sentence(text: str) -> str:
    return f"It {text}."


def _why(error: OSError) -> str:
    return f"can't be read ({error.strerror or error})"


def _rows(text: str, delimiter: str) -> list[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(text), delimiter=delimiter)
    return [{key: (value or "").strip() for key, value in row.items() if key} for row in reader]


def _from_table(place: str, options: CheckOptions) -> list[Pair]:
    try:
        text = storage.read_text(place)
    except OSError as error:
        raise StudyError(f"{place}: {_why(error)}.") from error
    rows = _rows(text, "," if place.lower().endswith(".csv") else "\t")
    header = rows[0].keys() if rows else ()
    _check_columns(place, header)
    folder = storage.parent(storage.absolute(place))
    pairs: list[Pair] = []
    names: set[str] = set()
    for number, row in enumerate(rows, 2):
        pair = _from_row(row, folder, options, f"{place}, line {number}")
        if pair.name in names:
            again = f"The table has {pair.name} in an earlier line already."
            pair = replace(pair, name=f"{pair.name} (line {number})", problem=again)
        names.add(pair.name)
        pairs.append(pair)
    return pairs


def _check_columns(place: str, header: Iterable[str]) -> None:
    header = list(header)
    for column in ("recording", "log"):
        if column not in header:
            raise StudyError(
                f"{place}: has no column '{column}'. A table of pairs has a line with names of "
                f"columns; known are {', '.join(_COLUMNS)}."
            )
    unknown = [column for column in header if column not in _COLUMNS]
    if unknown:
        raise StudyError(
            f"{place}: column '{unknown[0]}' is not known. Known are {', '.join(_COLUMNS)}."
        )


def _from_row(row: dict[str, str], folder: str, options: CheckOptions, where: str) -> Pair:
    given = {key: value for key, value in row.items() if value and value != "n/a"}
    recording, log = given.get("recording"), given.get("log")
    problem = ""
    if recording is None:
        problem = "The table names no recording."
    elif log is None:
        problem = "The table names no marker log."
    changed: dict[str, Any] = {}
    if "channel" in given:
        changed["channel"] = given["channel"]
    if "lines" in given:
        changed["lines"] = _mask(given["lines"], where)
    if "first_bit" in given:
        changed["first_bit"] = _number(given["first_bit"], where, range(24))
    if "active" in given:
        if given["active"] not in ("auto", "high", "low"):
            raise StudyError(f"{where}: 'active' is auto, high or low, not '{given['active']}'.")
        changed["active"] = given["active"]
    about = ("subject", "session", "task", "run", "site", "box", "amplifier", "date")
    return Pair(
        given.get("name") or recording or log or where,
        None if recording is None else storage.joined(folder, recording),
        None if log is None else storage.joined(folder, log),
        problem,
        **{key: given.get(key, "") for key in about},
        options=replace(options, **changed) if changed else None,
    )


def _mask(text: str, where: str) -> int:
    lines = [_number(part.strip(), where, range(8)) for part in text.split(",")]
    return sum(1 << line for line in set(lines))


def _number(text: str, where: str, allowed: Sequence[int]) -> int:
    if not text.isdigit() or int(text) not in allowed:
        raise StudyError(f"{where}: '{text}' is not a number from {allowed[0]} to {allowed[-1]}.")
    return int(text)
