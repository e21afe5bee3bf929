"""Tables of events: numbers, encodings, and the time grid found from the data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tallymark.recording import RecordingError, load_events
from tallymark.recording.formats.code_text import code_in
from tallymark.recording.formats.sampling_interval import find_grid


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("5", 5),
        (" 5.0 ", 5),
        ("S  5", 5),
        ("S253", 253),
        ("boat 5", 5),
        ("Stimulus/S5", 5),
        ("trial_5", 5),
        ("0x1F", 31),
        ("End-Trial-2.88", None),
        ("2.5", None),
        ("-5", None),
        ("go-5", None),
        ("block 2 trial 5", None),
        ("1e2", None),
        ("1F", None),
        ("٣", None),
        ("9" * 5000, None),
        ("", None),
    ],
)
def test_codes_in_texts(text: str, code: int | None) -> None:
    assert code_in(text) == code


def test_hexadecimal_codes_in_texts() -> None:
    assert [code_in(text, True) for text in ("1F", "ff", "S 1F", "0x10", "10")] == [
        31,
        255,
        31,
        16,
        16,
    ]
    assert code_in("boat", True) is None


def read(tmp_path: Path, text: str | bytes, **options: object) -> object:
    path = tmp_path / "events.tsv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_events(path, **options)  # type: ignore[arg-type]


HEAD = "onset\tduration\tvalue\n"


def test_decimal_comma(tmp_path: Path) -> None:
    events = read(tmp_path, "onset;duration;value\n1,25;0,008;3\n2,5;0,008;5\n", rate=500.0)
    assert events.width.tolist() == [4, 4]
    assert events.time_us.tolist() == [1.25e6, 2.5e6]
    assert "decimal comma" in " ".join(events.notes)
    assert read(tmp_path, 'onset,value\n"1,25",3\n"2,5",5\n').time_us.tolist() == [1.25e6, 2.5e6]
    with pytest.raises(RecordingError, match=r"line 2 has 3 cells.*semicolons"):
        read(tmp_path, "onset,value\n1,25,3\n2,5,5\n")
    with pytest.raises(RecordingError, match=r"comma in line 2 .* point in line 3"):
        read(tmp_path, "onset;value\n1,25;3\n2.5;5\n")


def test_encodings(tmp_path: Path) -> None:
    text = HEAD + "1.25\tn/a\t3\n2.5\tn/a\tFähre 5\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"):
        events = read(tmp_path, text.encode(encoding))
        assert events.code.tolist() == [3, 5], encoding
        assert ("Latin-1" in " ".join(events.notes)) == (encoding == "latin-1")
    with pytest.raises(RecordingError, match=r"not valid in UTF-16"):
        read(tmp_path, text.encode("utf-16")[:-1])
    with pytest.raises(RecordingError, match="line 2 has a control character"):
        read(tmp_path, text.replace("1.25", "1.\x0125"))


def test_hexadecimal_only_when_asked(tmp_path: Path) -> None:
    text = HEAD + "1.25\tn/a\t10\n2.5\tn/a\t1F\n"
    with pytest.raises(RecordingError, match=r"line 3 has '1F'.*--hex"):
        read(tmp_path, text)
    assert read(tmp_path, text, hexadecimal=True).code.tolist() == [16, 31]


def test_what_is_left_out_is_told(tmp_path: Path) -> None:
    rows = "1\tn/a\t3\n2\tn/a\t300\n3\tn/a\t0\n4\tn/a\tEnd-Trial-2.88\n5\tn/a\t5\n"
    events = read(tmp_path, HEAD + rows)
    assert events.code.tolist() == [3, 5]
    text = " ".join(events.notes)
    assert "code above 255" in text
    assert "line 3: '300'" in text
    assert "line 5: 'End-Trial-2.88'" in text
    with pytest.raises(RecordingError, match="code above 255"):
        read(tmp_path, HEAD + "1\tn/a\t300\n")


@pytest.mark.parametrize("time", ["nan", "inf", "1e400", "1e300", "0x10", "1_000", "1:00", ""])
def test_times_that_are_none(tmp_path: Path, time: str) -> None:
    with pytest.raises(RecordingError, match="line 3 has no number in column 'onset'"):
        read(tmp_path, HEAD + f"1\tn/a\t3\n{time}\tn/a\t5\n")


def test_a_table_that_ends_in_the_middle_of_a_line(tmp_path: Path) -> None:
    text = HEAD + "1.25\tn/a\t3\n2.5\tn/a\t5\n3.5\tn"
    events = read(tmp_path, text)
    assert events.code.tolist() == [3, 5]
    assert "cut off: its last line, 4," in events.incomplete[0]
    assert read(tmp_path, HEAD + "1.25\tn/a\t3\n").incomplete == []


def test_the_rate_is_found_from_samples_and_times(tmp_path: Path) -> None:
    head = "onset\tduration\tsample\tvalue\n"
    times = sampled(512, 9) / 1e6
    samples = np.rint(times * 512).astype(int)
    rows = [f"{t:.3f}\tn/a\t{s}\t3\n" for t, s in zip(times, samples, strict=True)]
    events = read(tmp_path, head + "".join(rows))
    assert events.rate == 512
    assert events.sample.tolist() == samples.tolist()
    assert np.allclose(events.time_us, samples * (1e6 / 512))
    assert "agree on a sampling rate of 512 Hz" in events.notes[0]
    rows[100] = f"{times[100]:.3f}\tn/a\t{samples[100] + 9}\t3\n"  # they don't agree
    assert read(tmp_path, head + "".join(rows)).rate is None
    assert read(tmp_path, head + "".join(rows[:3])).rate is None


def test_damaged_tables(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="line 2 has 4 cells"):
        read(tmp_path, HEAD + "1\tn/a\t3\t7\n")
    with pytest.raises(RecordingError, match=r"no column with times called 'when'"):
        read(tmp_path, HEAD + "1\tn/a\t3\n", time_column="when")
    with pytest.raises(RecordingError, match=r"at most 10,000,000 Hz"):
        read(tmp_path, HEAD + "1\tn/a\t3\n", rate=float("inf"))


def sampled(rate: float, decimals: int, events: int = 200, seed: int = 1) -> np.ndarray:
    """Onsets in microseconds as a recorder with that rate would write them."""
    random = np.random.default_rng(seed)
    times = np.cumsum(random.uniform(0.3, 1.1, events)) + random.uniform(0, 1000)
    return np.round(np.ceil(times * rate) / rate, decimals) * 1e6


@pytest.mark.parametrize("rate", [128, 250, 256, 500, 512, 1000, 1024, 2048, 5000, 16384])
@pytest.mark.parametrize("decimals", [4, 6, 9])
def test_the_grid_is_found(rate: int, decimals: int) -> None:
    step = 10.0 ** (6 - decimals)
    found = find_grid(sampled(rate, decimals), step)
    if 3 * step * rate / 1e6 < 0.6 or (1e6 / rate / step) % 1 == 0:
        assert found == pytest.approx(1e6 / rate, rel=1e-9)
    else:
        assert found is None


def test_no_grid_is_made_up() -> None:
    random = np.random.default_rng(5)
    for seed in range(40):
        times = np.cumsum(random.uniform(0.3, 1.1, 300)) * 1e6
        assert find_grid(np.round(times), 1.0) is None, seed  # written to the microsecond
        assert find_grid(np.round(times, -3), 1000.0) is None, seed  # to the millisecond
    few = [np.round(np.cumsum(random.uniform(0.3, 1.1, 6)) * 1e6, -2) for _ in range(100)]
    assert [find_grid(times, 100.0) for times in few] == [None] * 100  # six events fit by chance
    assert find_grid(np.arange(100) * 500_000.0, 1.0) is None  # the experiment's own interval
    assert find_grid(sampled(1000, 6)[:3], 1.0) is None  # three events prove nothing


def test_lists_say_what_their_grid_is(tmp_path: Path) -> None:
    rows = "".join(f"{t / 1e6:.6f}\tn/a\t3\n" for t in sampled(512, 6))
    events = read(tmp_path, HEAD + rows)
    assert events.rate is None
    assert events.sample_us == pytest.approx(1e6 / 512)
    assert "grid of 1.953 ms (512 Hz)" in " ".join(events.notes)
    rows = "".join(f"{t / 1e6:.3f}\tn/a\t3\n" for t in sampled(512, 3))
    events = read(tmp_path, HEAD + rows)
    assert events.sample_us == 1000
    assert "steps of 1 ms" in " ".join(events.notes)
    given = read(tmp_path, HEAD + rows, rate=512.0)
    assert given.sample_us == 1e6 / 512


def test_the_finest_time_tells_how_finely_all_are_written(tmp_path: Path) -> None:
    """Programs leave out zeros at the end: 2.5 may be 2.500."""
    random = np.random.default_rng(3)
    times = np.cumsum(random.uniform(0.3, 0.9, 40))
    rows = "".join(f"{time:.3f}\t0\t5\n" for time in times)
    whole = read(tmp_path, HEAD + rows + "99.012\t0\t5\n")
    short = read(tmp_path, HEAD + rows + "99\t0\t5\n")
    assert short.grid_us == whole.grid_us == 1_000
