"""Makes an archive for practice, and the truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from tallymark.common.errors import BadValue
from tallymark.study.practice.made_recording import damage, exchange_logs, make, plan_of
from tallymark.study.practice.plan_file import write_plan
from tallymark.study.practice.planned_archive import planned

PLAN = "sourcedata/plan.toml"
_README = """Practice archive
================

Recordings of the Ferry study that nobody made: a simulated amplifier sampled the lines of a
simulated box. Faults were planted that grow over time. The file beside this folder whose name ends
in -truth.json lists them; a check of the study has to find them and no others.
"""


def make_archive(
    folder: Path,
    recordings: int,
    *,
    seed: int = 1,
    markers: int = 200,
    faults: bool = True,
    damages: bool = True,
    workers: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> dict[str, Any]:
    """Make a BIDS data set of recordings for practice, with the plan of its study in
    sourcedata/plan.toml, and FOLDER-truth.json beside it.

    Args:
        folder: must not exist.
        markers: in each recording, 1 to 2 s apart.
        faults, damages: whether to plant faults that grow, and to damage single files.
        workers: processes that make recordings.
        progress: called with (recordings made, recordings in all).

    Returns:
        The truth, as in the file.

    Raises:
        BadValue: the folder exists.
    """
    truth_file = folder.with_name(folder.name + "-truth.json")
    for path in (folder, truth_file):
        if path.exists():
            raise BadValue(f"{path} exists. Nothing was written; choose another name.")
    plan = planned(recordings, seed, faults, damages)
    truth = plan.as_data()
    (folder / "sourcedata").mkdir(parents=True)
    write_plan(plan_of(True), folder / PLAN)
    _description(folder)
    with ProcessPoolExecutor(workers) as pool:
        waiting = [pool.submit(make, one, folder, seed, markers) for one in plan.recordings]
        for number, (one, future) in enumerate(zip(plan.recordings, waiting, strict=True), 1):
            truth["recordings"][one.name] |= future.result()
            if progress is not None:
                progress(number, recordings)
    for one in plan.recordings:
        if one.log_of > one.index:
            exchange_logs(one, plan.recordings[one.log_of], folder)
    truth["not_counted"] = {
        name: one.damage for one in plan.recordings if one.damage for name in damage(one, folder)
    }
    truth_file.write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def _description(folder: Path) -> None:
    told = {
        "Name": "Ferry, an archive for practice",
        "BIDSVersion": "1.10.0",
        "DatasetType": "raw",
        "License": "CC0",
        "Authors": ["A. Ferrier", "B. Quay"],
    }
    path = folder / "dataset_description.json"
    path.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")
    (folder / "README").write_text(_README, encoding="utf-8")
