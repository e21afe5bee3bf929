"""BrainVision: marker types, texts, segments, code pages and layouts of data, beside MNE."""

from __future__ import annotations

from pathlib import Path

import mne
import numpy as np
import pytest

from tallymark.recording import RecordingError, load_events

RATE = 500
POINTS = 4000


def header(**changes: str) -> str:
    common = {
        "Codepage": "UTF-8",
        "DataFile": "x.eeg",
        "MarkerFile": "x.vmrk",
        "DataFormat": "BINARY",
        "DataOrientation": "MULTIPLEXED",
        "NumberOfChannels": "2",
        "SamplingInterval": "2000",
    } | {key: value for key, value in changes.items() if key != "BinaryFormat"}
    lines = "\n".join(f"{key}={value}" for key, value in common.items() if value)
    form = changes.get("BinaryFormat", "INT_16")
    return (
        f"Brain Vision Data Exchange Header File Version 1.0\n[Common Infos]\n{lines}\n"
        f"[Binary Infos]\nBinaryFormat={form}\n"
        "[ASCII Infos]\nDecimalSymbol=,\nSkipLines=1\nSkipColumns=0\n"
        "[Channel Infos]\nCh1=Fz,,0.1,µV\nCh2=Status,,1,\n"
        "[Comment]\nfree text = [Marker Infos]\nwith [brackets\n"
    )


def make(folder: Path, markers: str, head: str | None = None, data: bytes | None = None) -> Path:
    text = head if head is not None else header()
    (folder / "x.vhdr").write_text(text, encoding="utf-8")
    (folder / "x.vmrk").write_text(
        "Brain Vision Data Exchange Marker File, Version 1.0\n[Common Infos]\nCodepage=UTF-8\n"
        f"DataFile=x.eeg\n[Marker Infos]\n{markers}",
        encoding="utf-8",
    )
    (folder / "x.eeg").write_bytes(bytes(POINTS * 4) if data is None else data)
    return folder / "x.vhdr"


MARKERS = (
    "Mk1=New Segment,,1,1,0,20260401123005250000\n"
    "Mk2=Stimulus,S  5,101,1,0\n"
    "Mk3=Response,R 12,201,1,0\n"
    "Mk4=Comment,take the [left\\1 then 3],251,1,0\n"
    "Mk5=Stimulus,S  9,301,4,0\n"
    "Mk6=Ferry,F 77,401,1,0\n"
    "; a remark\n"
    "Mk7=Stimulus,S300,501,1,0\n"
    "Mk8=Stimulus,S200,601,1,0\n"
)


def test_types_texts_and_codes_above_255(tmp_path: Path) -> None:
    path = make(tmp_path, MARKERS)
    events = load_events(path)
    assert events.code.tolist() == [5, 12, 9, 200]
    assert events.sample.tolist() == [100, 200, 300, 600]
    assert events.width.tolist() == [0, 0, 4, 0]
    assert events.began is not None
    assert events.began.isoformat() == "2026-04-01T12:30:05.250000"
    text = " ".join(events.notes)
    assert "1 marker with a code above 255" in text
    assert "line 13: 'S300'" in text
    assert "Comment (1), Ferry (1)" in text
    raw = mne.io.read_raw_brainvision(path, verbose="error")
    theirs = dict(zip(raw.annotations.description, raw.annotations.onset, strict=True))
    for name, at in zip(
        ("Stimulus/S  5", "Response/R 12", "Stimulus/S  9"), events.sample, strict=False
    ):
        assert round(theirs[name] * RATE) == at
    assert load_events(path, types=["ferry"]).code.tolist() == [77]
    assert load_events(path, types=["Stimulus", "Ferry"]).code.tolist() == [5, 9, 77, 200]
    assert load_events(path, types=["all"]).code.tolist() == [5, 12, 9, 77, 200]
    with pytest.raises(RecordingError, match=r"take the \[left, then 3\]"):
        load_events(path, types=["Comment"])
    with pytest.raises(RecordingError, match=r"of type Boat\..*Stimulus \(4\)"):
        load_events(path, types=["Boat"])


def test_segments_are_timed_by_their_dates(tmp_path: Path) -> None:
    more = "Mk9=New Segment,,1001,1,0,20260401123017250000\nMk10=Stimulus,S  7,1101,1,0\n"
    events = load_events(make(tmp_path, MARKERS + more))
    assert events.sample.tolist()[-1] == 1100
    assert events.time_us.tolist()[-1] == 12e6 + 100 * 2000  # 12 s from segment to segment
    assert events.pauses_us == [(2e6, 12e6)]
    undated = load_events(make(tmp_path, (MARKERS + more).replace(",20260401123017250000", "")))
    assert undated.time_us.tolist()[-1] == 1100 * 2000
    assert "not known" in " ".join(undated.notes)


def test_code_pages(tmp_path: Path) -> None:
    path = make(tmp_path, "Mk1=Fähre,F  5,101,1,0\n", header(Codepage=""))
    texts = {name: (tmp_path / name).read_text("utf-8") for name in ("x.vhdr", "x.vmrk")}
    for encoding in ("utf-8", "latin-1", "utf-16"):
        for name, text in texts.items():
            (tmp_path / name).write_bytes(text.replace("Codepage=UTF-8\n", "").encode(encoding))
        assert load_events(path, types=["Fähre"]).code.tolist() == [5]
    declared = texts["x.vmrk"].encode("latin-1")
    (tmp_path / "x.vmrk").write_bytes(declared)
    assert "says that it is in UTF-8" in " ".join(load_events(path, types=["all"]).notes)


def status() -> np.ndarray:
    values = np.zeros(POINTS, int)
    for at, code in ((100, 5), (300, 9), (600, 200)):
        values[at : at + 5] = code
    return values


def layouts() -> list[tuple[dict[str, str], bytes]]:
    both = np.vstack((np.arange(POINTS) % 50, status()))
    found = []
    for name, kind in (("INT_16", "<i2"), ("INT_32", "<i4"), ("IEEE_FLOAT_32", "<f4")):
        for layout, table in (("MULTIPLEXED", both.T), ("VECTORIZED", both)):
            raw = np.ascontiguousarray(table).astype(kind).tobytes()
            found.append(({"BinaryFormat": name, "DataOrientation": layout}, raw))
    rows = "\n".join(f"{a},5 {b},0" for a, b in both.T)
    found.append(({"DataFormat": "ASCII"}, f"Fz Status\n{rows}\n".encode()))
    rows = "\n".join(" ".join(f"{v},0" for v in row) for row in both)
    ascii_rows = {"DataFormat": "ASCII", "DataOrientation": "VECTORIZED"}
    found.append((ascii_rows, f"\n{rows}\n".encode()))
    return found


@pytest.mark.parametrize("number", range(8))
def test_layouts_of_data(tmp_path: Path, number: int) -> None:
    changes, raw = layouts()[number]
    path = make(tmp_path, MARKERS, header(**changes), raw)
    assert load_events(path).end_us == POINTS * 2000
    assert load_events(path).incomplete == []
    events = load_events(path, channel="Status")
    assert events.code.tolist() == [5, 9, 200]
    assert events.sample.tolist() == [100, 300, 600]
    if changes.get("DataFormat") != "ASCII":
        theirs = mne.io.read_raw_brainvision(path, verbose="error", preload=True)
        values = theirs.get_data("Status")[0]
        assert np.array_equal(np.flatnonzero(values), np.flatnonzero(status()))
    cut = make(
        tmp_path, MARKERS, header(**changes, DataPoints=str(POINTS)), raw[: len(raw) * 2 // 3]
    )
    assert "cut off" in " ".join(load_events(cut).incomplete)


def test_damage_is_told(tmp_path: Path) -> None:
    path = make(tmp_path, MARKERS, data=bytes(4 * 550))
    events = load_events(path)
    assert "ends at sample 550, before 1 marker" in events.incomplete[0]
    path = make(tmp_path, MARKERS.replace("Mk5=Stimulus,S  9,301", "Mk5=Stimulus,S  9,3o1"))
    events = load_events(path)
    assert events.code.tolist() == [5, 12, 200]
    assert "1 marker of x.vmrk can't be read" in events.incomplete[0]
    assert "line 10" in events.incomplete[0]
    for changes, said in (
        ({"SamplingInterval": "0"}, "sampling interval"),
        ({"NumberOfChannels": "two"}, "number of channels"),
        ({"DataType": "FREQUENCYDOMAIN"}, "spectra"),
        ({"DataOrientation": "DIAGONAL"}, "DataOrientation is 'DIAGONAL'"),
        ({"BinaryFormat": "INT_12"}, "BinaryFormat is 'INT_12'"),
    ):
        with pytest.raises(RecordingError, match=said):
            load_events(make(tmp_path, MARKERS, header(**changes)))


def test_a_marker_file_that_ends_in_the_middle_of_a_line(tmp_path: Path) -> None:
    for end in range(1, 20):
        events = load_events(make(tmp_path, MARKERS[:-end]))
        whole = events.code.tolist() == [5, 12, 9, 200]
        assert whole == (events.incomplete == []), MARKERS[:-end][-20:]
        assert whole == (end <= 2)


def test_renamed_files_are_found_and_told(tmp_path: Path) -> None:
    make(tmp_path, MARKERS)
    for suffix in (".vhdr", ".vmrk", ".eeg"):
        (tmp_path / f"x{suffix}").rename(tmp_path / f"ferry{suffix}")
    events = load_events(tmp_path / "ferry.vhdr")
    assert len(events) == 4
    assert "'x.vmrk', which is not there" in " ".join(events.notes)
