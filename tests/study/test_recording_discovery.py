"""Recordings and logs are found in folders as people leave them, and by tables."""

from __future__ import annotations

import json
from pathlib import Path

import ancpbids
import pytest
from study_rig import run

from tallymark.study import FILES, CheckOptions, StudyError, find
from tallymark.study.bids_names import parsed
from tallymark.study.local_and_remote_files import local_copy
from tallymark.study.practice.planned_archive import planned

EDF = b"0       " + b" " * 248


def put(folder: Path, *names: str, content: bytes = EDF) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)


@pytest.fixture
def dataset(tmp_path: Path) -> Path:
    put(tmp_path, "dataset_description.json", content=b'{"Name": "F", "BIDSVersion": "1.9.0"}')
    return tmp_path


NAMES = [
    "sub-01_task-ferry_eeg.edf",
    "sub-A7_ses-2_task-ferry_acq-fast_run-03_eeg.vhdr",
    "sub-01_ses-b_task-x_run-1_split-2_ieeg.edf",
    "sub-01_task-ferry_run-12_events.tsv",
]


@pytest.mark.parametrize("name", NAMES)
def test_names_are_read_as_another_reader_of_bids_does(name: str) -> None:
    ours = parsed(name)
    assert ours is not None
    theirs = ancpbids.utils.parse_bids_name(name)
    numbers = {key: str(int(value)) if key in ("run", "split") else value
               for key, value in theirs["entities"].items()}
    assert dict(ours.entities) == numbers
    assert ours.suffix == theirs["suffix"]
    assert ours.extension == theirs["extension"]


def test_what_is_no_name_of_bids_is_none() -> None:
    for name in ("notes.edf", "task-x_eeg.edf", "sub-1-2_eeg.edf", "sub-01eeg.edf", ".edf"):
        assert parsed(name) is None


def test_a_log_is_found_by_the_entities_of_its_run(dataset: Path) -> None:
    stem = "sub-01_ses-1_task-ferry_run-1"
    put(dataset, f"sub-01/ses-1/eeg/{stem}_eeg.edf", f"sourcedata/boxes/{stem}_markerlog.jsonl",
        "sub-01/ses-1/eeg/sub-01_ses-1_task-ferry_run-2_eeg.edf",
        "sourcedata/sub-01_ses-1_task-ferry_run-02_desc-box_log.jsonl",
        "derivatives/old/sub-01/eeg/sub-01_task-ferry_eeg.edf",
        f"sourcedata/{stem}_eeg.bdf", ".git/annex/sub-09_task-ferry_eeg.edf")
    one, two = find(str(dataset)).pairs
    assert one.log == str(dataset / f"sourcedata/boxes/{stem}_markerlog.jsonl")
    assert two.log == str(dataset / "sourcedata/sub-01_ses-1_task-ferry_run-02_desc-box_log.jsonl")
    assert (one.subject, one.session, one.task, one.run) == ("01", "1", "ferry", "1")
    assert not one.problem
    assert not two.problem


def test_metadata_is_inherited_and_the_nearest_counts(dataset: Path) -> None:
    put(dataset, "sub-01/ses-1/eeg/sub-01_ses-1_task-ferry_eeg.edf",
        "sub-02/eeg/sub-02_task-ferry_eeg.edf")
    told = {"InstitutionName": "Quay", "ManufacturersModelName": "M", "DeviceSerialNumber": "1"}
    put(dataset, "task-ferry_eeg.json", content=json.dumps(told).encode())
    put(dataset, "task-other_eeg.json", content=b'{"DeviceSerialNumber": "other task"}')
    put(dataset, "sub-01/ses-1/sub-01_ses-1_eeg.json", content=b'{"DeviceSerialNumber": "2"}')
    put(dataset, "participants.tsv", content=b"participant_id\tsite\nsub-02\tLock\nsub-01\tn/a\n")
    put(dataset, "sub-01/ses-1/sub-01_ses-1_scans.tsv",
        content=b"filename\tacq_time\neeg/sub-01_ses-1_task-ferry_eeg.edf\t2025-03-04T10:00:00\n")
    one, two = find(str(dataset)).pairs
    assert (one.site, one.amplifier, one.date) == ("Quay", "M 2", "2025-03-04T10:00:00")
    assert (two.site, two.amplifier, two.date) == ("Lock", "M 1", "")


def test_damage_is_named(dataset: Path) -> None:
    (dataset / "sub-01" / "eeg").mkdir(parents=True)
    eeg = dataset / "sub-01" / "eeg"
    put(eeg, "sub-01_task-a_eeg.txt", "sub-01_task-c_run-1_eeg.edf", "sub-01_task-c_run-01_eeg.edf",
        "sub-01_task-e_eeg.edf", "sub-01_task-e_x.jsonl", "sub-01_task-e_y.jsonl",
        "sub-01_task-f_log.jsonl", "sub-01_task-b_eeg.json", "sub-01_task-b_channels.tsv")
    put(eeg, "sub-01_task-b_eeg.mat", "sub-01_task-d_eeg.eeg", content=b"MATLAB")
    (eeg / "sub-01_task-g_eeg.edf").symlink_to("sub-01_task-g_eeg.edf")
    (eeg / "sub-01_task-h_eeg.edf").symlink_to("nowhere.edf")
    (eeg / "loop").symlink_to(dataset)
    told = {Path(pair.name).name: pair.problem for pair in find(str(dataset)).pairs}
    assert "log is missing" in told.pop("sub-01_task-a_eeg.txt")  # its content is that of EDF
    assert "format is not known" in told.pop("sub-01_task-b_eeg.mat")
    assert "header (.vhdr) is missing" in told.pop("sub-01_task-d_eeg.eeg")
    for name in ("sub-01_task-c_run-1_eeg.edf", "sub-01_task-c_run-01_eeg.edf"):
        assert "Several recordings have the name of this run" in told.pop(name)
    assert "Several marker logs" in told.pop("sub-01_task-e_eeg.edf")
    assert "has no recording" in told.pop("sub-01_task-f_log.jsonl")
    assert "can't be opened" in told.pop("sub-01_task-g_eeg.edf")
    assert "not there" in told.pop("sub-01_task-h_eeg.edf")
    assert "looked at already" in told.pop("loop")
    assert told == {}


def test_parts_of_a_brainvision_recording_are_one(tmp_path: Path) -> None:
    put(tmp_path, "a/one.vhdr", "a/one.eeg", "a/one.vmrk", "a/one.jsonl", "b/one.edf",
        "b/one.jsonl")
    found = find(str(tmp_path))
    assert [(pair.name, pair.problem) for pair in found.pairs] == [("a/one.vhdr", ""),
                                                                  ("b/one.edf", "")]
    assert not found.is_bids


def test_a_table_says_pairs_and_how_to_read_them(tmp_path: Path) -> None:
    table = tmp_path / "pairs.csv"
    table.write_text("recording,log,site,lines,first_bit,channel\na.edf,b.jsonl,Quay,\"0,2\",8,Trig\n"
                     "a.edf,,,,,\nc.edf,c.jsonl,,,,\n,d.jsonl,,,,\n")
    one, twice, plain, nothing = find(str(table), CheckOptions(part=True)).pairs
    assert one.recording == str(tmp_path / "a.edf")
    assert one.options == CheckOptions("Trig", 0b101, 8, part=True)
    assert one.site == "Quay"
    assert "earlier line" in twice.problem
    assert plain.options is None
    assert nothing.problem == "The table names no recording."


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("recording,logs\na,b\n", "no column 'log'"),
        ("recording,log,place\na,b,c\n", "column 'place' is not known"),
        ("recording,log,lines\na,b,9\n", "'9' is not a number from 0 to 7"),
        ("recording,log,active\na,b,up\n", "'active' is auto, high or low"),
    ],
)
def test_a_wrong_table_is_refused(tmp_path: Path, text: str, said: str) -> None:
    table = tmp_path / "pairs.csv"
    table.write_text(text)
    with pytest.raises(StudyError, match=said):
        find(str(table))


def test_what_can_not_be_read_is_said(tmp_path: Path) -> None:
    for place in (tmp_path / "nowhere", tmp_path / "none.tsv", tmp_path):
        with pytest.raises(StudyError):
            find(str(place))
    done = run("study", "check", "nowhere://x/y", code=2)
    assert "can't be opened" in done.stderr


def test_a_folder_with_other_files_takes_no_results(dataset: Path) -> None:
    put(dataset, "sub-01/eeg/sub-01_task-ferry_eeg.edf", "sub-01/eeg/sub-01_task-ferry_log.jsonl")
    done = run("study", "check", dataset, "--out", dataset, code=2)
    assert "choose another folder" in done.stderr


@pytest.mark.parametrize("name", FILES)
def test_a_file_that_exists_is_kept(dataset: Path, tmp_path: Path, name: str) -> None:
    """By the one rule of overwriting, before anything is looked at."""
    out = tmp_path / "out"
    (out / "results").mkdir(parents=True)
    (out / name).write_text("mine")
    done = run("study", "check", dataset, "--out", out, code=2)
    assert "--replace overwrites it" in done.stderr
    assert (out / name).read_text() == "mine"


def test_an_object_store_is_listed_and_copied(tmp_path: Path) -> None:
    fsspec = pytest.importorskip("fsspec")
    store = fsspec.filesystem("memory")
    for name in ("sub-01/eeg/sub-01_task-a_eeg.vhdr", "sub-01/eeg/sub-01_task-a_markerlog.jsonl",
                 "dataset_description.json", "derivatives/x/sub-01_task-a_eeg.edf"):
        store.pipe(f"/study/{name}", b"{}")
    (pair,) = find("memory://study").pairs
    assert pair.recording == "memory://study/sub-01/eeg/sub-01_task-a_eeg.vhdr"
    assert pair.log == "memory://study/sub-01/eeg/sub-01_task-a_markerlog.jsonl"
    copy, digest = local_copy(pair.recording, tmp_path)
    assert copy.parent == tmp_path
    assert digest == local_copy(str(copy), tmp_path)[1]
    with pytest.raises(OSError, match="nowhere"):
        local_copy("memory://study/nowhere", tmp_path)


def test_a_planned_archive_is_the_same_each_time() -> None:
    assert planned(50, 3).as_data() == planned(50, 3).as_data()
    assert planned(50, 3).as_data() != planned(50, 4).as_data()
    assert planned(50, 3, faults=False, damages=False).faults == []
