"""The check of one recording: the task that a worker does. Nothing of the recording leaves it but
its result."""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

import tallymark
from tallymark import markerlog
from tallymark.common.errors import TallymarkError
from tallymark.markerlog import LogData
from tallymark.markerlog.delay import Delays, measured_by_plan
from tallymark.plan import Plan
from tallymark.recording import (
    FATES,
    AnotherSession,
    Comparison,
    Expectation,
    Rule,
    bids,
    columns,
    compare,
    design_of,
    load_events,
    overall_outcome,
)
from tallymark.recording.stated_expectations import idle_of
from tallymark.study import local_and_remote_files as storage
from tallymark.study import result_columns
from tallymark.study.onset_delay_columns import onset_values
from tallymark.study.recording_pair import CheckOptions, Pair, StudyError


@dataclass(frozen=True)
class Task:
    """One recording to check. version: of the check, as the client has it."""

    pair: Pair
    options: CheckOptions
    version: str
    plan: Plan | None = None


@dataclass
class Result:
    """What came out. key: of content, options and version. row: of `result_columns.RECORDINGS`, as
    far as it follows from the content. markers: a table of `result_columns.MARKERS`; events: text
    of events.tsv and of its JSON. keep: whether the result holds until the content changes."""

    key: str
    row: dict[str, Any]
    markers: pa.Table | None = None
    events: tuple[str, str] | None = None
    keep: bool = True


@dataclass
class _Copies:
    """Local copies of a recording's files and its log, and hashes of their content."""

    recording: Path
    log: Path
    recording_sha: str
    log_sha: str



@cache
def version() -> str:
    """Version of the check: that of the package, and a digest of the modules that decide."""
    folder = Path(tallymark.__file__).parent
    modules = [path for room in ("recording", "markerlog", "common/signature")
               for path in (folder / room).rglob("*.py") if path.parent.name != "report"]
    modules += [folder / "study" / f"{name}.py"
                for name in ("one_recording", "onset_delay_columns", "result_columns")]
    digest = hashlib.sha256()
    for path in sorted(modules):
        digest.update(path.name.encode() + path.read_bytes().replace(b"\r\n", b"\n"))
    return f"{tallymark.__version__}+{digest.hexdigest()[:12]}"


def fingerprint(task: Task) -> str:
    """The key of a task: a hash of what its result follows from; '' if a file can't be read."""
    _same_version(task)
    with _scratch() as folder:
        try:
            return _key(task, _copies(task.pair, Path(folder)))
        except OSError:
            return ""


def check_recording(task: Task) -> Result:
    """Check one recording. Whatever is wrong with it is in the row of the result, not raised.

    Raises StudyError if this worker has another version of the check than who asks.
    """
    _same_version(task)
    began = time.perf_counter()
    with _scratch() as folder:
        try:
            copies = _copies(task.pair, Path(folder))
        except OSError as error:
            place = error.filename or ""
            why = f"{place} can't be read ({error.strerror or error}).".lstrip()
            return Result("", failure(why), keep=False)
        result = Result(_key(task, copies), {})
        try:
            _check(task, copies, result, Path(folder))
        except TallymarkError as error:
            result.row = failure(_without_folder(str(error), copies, task.pair))
        except MemoryError:
            result.row, result.keep = failure("The worker's memory was not enough for it."), False
        except Exception as error:  # one recording must not end the check of a study
            result.row = failure(f"Internal error of the check: {error!r}.")
            result.keep = False
        result.row |= {"recording_sha256": copies.recording_sha, "log_sha256": copies.log_sha,
                       "key": result.key, "check_s": time.perf_counter() - began}
        return result


def _scratch() -> tempfile.TemporaryDirectory[str]:
    """A folder for copies: a worker's own, which dask clears after one that was killed."""
    place = None
    if "distributed" in sys.modules:
        with contextlib.suppress(ValueError):  # not in a worker
            place = sys.modules["distributed"].get_worker().local_directory
    return tempfile.TemporaryDirectory(prefix="tallymark-", dir=place)


def failure(problem: str) -> dict[str, Any]:
    """The row of a recording that can't be checked."""
    return {"status": "failed", "problem": problem, "counted": False}


def _same_version(task: Task) -> None:
    if task.version != version():
        raise StudyError(
            f"A worker has version {version()} of the check, this computer {task.version}, so "
            "results would not be comparable. Install the same version of tallymark everywhere."
        )


def _copies(pair: Pair, folder: Path) -> _Copies:
    assert pair.recording is not None
    assert pair.log is not None
    logs = folder / "log"
    if storage.is_url(pair.log):
        logs.mkdir()
    log, log_sha = storage.local_copy(pair.log, logs)
    recording, sha = storage.local_copy(pair.recording, folder)
    shas = [sha]
    for name in _parts(recording):
        place = storage.joined(storage.parent(pair.recording), name)
        try:
            shas.append(storage.local_copy(place, folder)[1])
        except OSError:  # the reader tells what that means
            shas.append("missing")
    whole = sha if len(shas) == 1 else hashlib.sha256(" ".join(shas).encode()).hexdigest()
    return _Copies(recording, log, whole, log_sha)


def _parts(recording: Path) -> list[str]:
    """The other files of a BrainVision recording, which its header names."""
    if recording.suffix.lower() != ".vhdr":
        return []
    text = recording.read_bytes()[:100_000].decode("utf-8", "replace")
    names = re.findall(r"^(?:DataFile|MarkerFile)=(.+?)\s*$", text, re.M)
    names = [name.replace("$b", recording.stem) for name in names]
    return [name for name in names if "/" not in name and "\\" not in name]


def _key(task: Task, copies: _Copies) -> str:
    return key_of(task, copies.recording_sha, copies.log_sha)


def key_of(task: Task, recording_sha: str, log_sha: str) -> str:
    """The key of a task whose files have these hashes."""
    said = {
        "recording": recording_sha,
        "log": log_sha,
        "options": asdict(task.options),
        "plan": None if task.plan is None else task.plan.digest,
        "version": task.version,
    }
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def _check(task: Task, copies: _Copies, result: Result, folder: Path) -> None:
    options, plan = task.options, task.plan
    log = markerlog.read(copies.log)
    if plan is not None:
        for marker in log.markers:
            marker.name = marker.name or plan.name_of(marker.code)
    sent = columns(log)
    idle, said_by = idle_of(log, plan)
    if options.active != "auto":
        idle, said_by = None, ""
    expectation = Expectation(idle, said_by, options.part)
    recorded = load_events(
        copies.recording,
        Rule(options.lines, options.first_bit, options.active),  # type: ignore[arg-type]
        options.channel,
        design=design_of(log, expectation.idle),
    )
    recorded.notes += log.notes()
    try:
        comparison = compare(sent, recorded, options.tolerance_us, expectation=expectation)
    except AnotherSession as error:
        comparison = error.result
    onsets = measured_by_plan(log, plan)
    result.row = _row(comparison, log, onsets)
    result.markers = _markers(comparison, log, onsets)
    events = folder / "events.tsv"
    sidecar = bids.write_comparison(comparison, events, delays=onsets)
    result.events = events.read_text(encoding="utf-8"), sidecar.read_text(encoding="utf-8")


def _row(result: Comparison, log: LogData, onsets: Delays | None) -> dict[str, Any]:
    found = overall_outcome.findings(result)
    recorded, timing = result.recorded, result.timing
    delay = _delays(log)
    known = list(delay.values())
    quarter, median, three = np.percentile(known, [25, 50, 75]) if known else [np.nan] * 3
    counts = {
        name.replace(" a ", "_").replace(" ", "_"): result.count_asked(number)
        for number, name in enumerate(FATES)
    }
    told, wrong = _lines(result)
    plan = log.header.get("plan") or {}
    row: dict[str, Any] = {
        "status": "checked",
        "problem": "",
        "outcome": found[0].outcome.name,
        "summary": found[0].text,
        "findings": ";".join(finding.outcome.name for finding in found),
        "identity": result.identity.session,
        # Of another session nothing may be said, and what can't be known has no rate.
        "counted": result.identity.session != "foreign" and result.certain,
        "expected": result.expected(),
        **counts,
        "extra": len(result.extra),
        **{f"line{line}_told": told[line] for line in range(8)},
        **{f"line{line}_wrong": wrong[line] for line in range(8)},
        "faults": ";".join(f"{f.kind}: {','.join(map(str, f.lines))}" for f in result.faults),
        "drift_ppm": timing.drift_ppm,
        "drift_error_ppm": timing.drift_error_ppm,
        "jitter_us": timing.jitter_us,
        "worst_us": timing.worst_us,
        "sampling_us": timing.limit_us,
        "late_us": max(result.late_us.values(), default=0.0),
        "delay_us": median,
        "delay_jitter_us": three - quarter,
        **onset_values(onsets),
        "rate_hz": recorded.rate,
        "recorded_s": (recorded.end_us - recorded.start_us) / 1e6,
        "format": recorded.format,
        "plan": str(plan.get("name", "")),
        "plan_digest": str(plan.get("digest", "")),
        "notes": ";".join(recorded.notes),
        "box": str((log.header.get("box") or {}).get("serial", "")),
        "date": str(log.header.get("start", "")),
    }
    return {name: _plain(value) for name, value in row.items()}


def _lines(result: Comparison) -> tuple[list[int], list[int]]:
    """For each line, how many markers tell of it, and how many of them with the wrong level.

    Markers with an event tell of all lines in use; of those that missed, one that only one line
    carries tells of that line.
    """
    used = int(np.bitwise_or.reduce(result.sent.code)) if len(result.sent) else 0
    there = result.partner >= 0
    sent = result.sent.code[there]
    seen = result.recorded.code[result.partner[there]]
    gone = result.sent.code[result.fate == FATES.index("missed")]
    told, wrong = [], []
    for line in range(8):
        alone = int((gone == 1 << line).sum())
        in_use = bool(used >> line & 1)
        told.append(len(sent) + alone if in_use else 0)
        off = int((((sent ^ seen) >> line) & 1).sum())
        wrong.append(off + alone if in_use else 0)
    return told, wrong


def _delays(log: LogData) -> dict[int, float]:
    """From the request to the edge in microseconds, by number, of markers that the host sent."""
    return {
        marker.number: float(marker.host_us - marker.sent_host_us)
        for marker in log.markers
        if marker.source == "host" and marker.fate == "done" and marker.due_host_us is None
        and marker.host_us is not None and marker.sent_host_us is not None
    }


def _markers(result: Comparison, log: LogData, onsets: Delays | None) -> pa.Table:
    sent, recorded = result.sent, result.recorded
    extra = result.extra
    delay = _delays(log)
    seen_by = {} if onsets is None else onsets.by_marker()
    onset = [seen_by.get(int(at), ("", np.nan))[1] for at in sent.at]
    there = result.partner >= 0
    seen = np.where(there, recorded.code[np.where(there, result.partner, 0)], 0) if len(
        recorded) else np.zeros(len(sent), np.uint8)
    more = len(extra)
    no = np.full(more, np.nan)

    def real(values: Any, others: Any = no) -> pa.Array:
        joined = np.concatenate((np.asarray(values, float), others))
        return pa.array(joined, mask=~np.isfinite(joined))

    def text(values: list[str | None]) -> pa.Array:
        return pa.array(values, pa.string()).dictionary_encode()

    own = np.concatenate((np.zeros(len(sent), bool), np.ones(more, bool)))
    names = [sent.names[name] if name >= 0 else None for name in sent.name]
    numbers = np.concatenate((sent.number, np.zeros(more, np.int64)))
    arrays = [
        text([""] * (len(sent) + more)),
        pa.array(numbers, mask=own | (numbers < 0)),
        text([*names, *[None] * more]),
        pa.array(np.concatenate((sent.code, np.zeros(more, np.uint8))).astype(np.int16), mask=own),
        text([*(FATES[fate] for fate in result.fate), *["extra"] * more]),
        real(result.doubt),
        real(sent.time),
        real(result.alignment_times(), recorded.time_us[extra]),
        pa.array(
            np.concatenate((seen, recorded.code[extra])).astype(np.int16),
            mask=np.concatenate((~there, np.zeros(more, bool))),
        ),
        real(result.residual_us),
        real(result.width_us(), recorded.width[extra] * recorded.sample_us),
        real([delay.get(int(number), np.nan) for number in sent.number]),
        real(onset),
    ]
    return pa.Table.from_arrays(arrays, schema=result_columns.schema(result_columns.MARKERS))


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(float(value), 6) if np.isfinite(value) else None
    return value.item() if isinstance(value, np.generic) else value


def _without_folder(text: str, copies: _Copies, pair: Pair) -> str:
    """An error's text with the places that the user knows, not those of copies."""
    for copy, place in ((copies.recording, pair.recording), (copies.log, pair.log)):
        text = text.replace(str(copy), str(place))
    return text



