"""The extraction rule, sample by sample."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tallymark.recording.event_extraction import Design, Rule, extract
from tallymark.recording.recording_data import RecordedEvents, RecordingError, StatusStream


def channel(values: list[int], piece: int = 1000) -> StatusStream:
    samples = np.array(values, np.int32)

    def pieces() -> Iterator[NDArray[np.int32]]:
        for first in range(0, len(samples), piece):
            yield samples[first : first + piece]

    return StatusStream(Path("x.bdf"), "BDF", "Status", 1000.0, len(samples), pieces)


def found(events: RecordedEvents) -> list[tuple[int, int, int]]:
    return [
        (int(s), int(c), int(w))
        for s, c, w in zip(events.sample, events.code, events.width, strict=True)
    ]


IDLE = [0] * 20


@pytest.mark.parametrize("piece", [1, 2, 3, 7, 1000])
def test_pulses_and_their_widths(piece: int) -> None:
    values = [*IDLE, 5, 5, 5, *IDLE, 9, 9, *IDLE]
    assert found(extract(channel(values, piece))) == [(20, 5, 3), (43, 9, 2)]


def test_high_bits_are_masked() -> None:
    values = [v | 0x100000 | (n % 3) << 17 for n, v in enumerate([*IDLE, 5, 5, *IDLE])]
    assert found(extract(channel(values))) == [(20, 5, 2)]
    assert "from bit 17 on) and were left out" in extract(channel(values)).notes[-1]
    wide = [*IDLE, 5, 5, *IDLE, 300, 300, *IDLE]  # a code of more than eight bits
    assert "from bit 8 on" in extract(channel(wide)).notes[-1]
    negative = [(v | 0x800000) - (1 << 24) for v in [*IDLE, 200, 200, *IDLE]]
    assert found(extract(channel(negative))) == [(20, 200, 2)]


def test_first_bit() -> None:
    values = [v << 8 for v in [*IDLE, 5, 5, *IDLE]]
    with pytest.raises(RecordingError, match="Bits from 8 on do change"):
        extract(channel(values))
    assert found(extract(channel(values), Rule(first_bit=8))) == [(20, 5, 2)]


def test_lines_that_idle_high() -> None:
    values = [v ^ 0xFF for v in [*IDLE, 5, 5, *IDLE]]
    assert found(extract(channel(values))) == [(20, 5, 2)]
    assert found(extract(channel(values), Rule(active="low"))) == [(20, 5, 2)]


def test_a_line_stuck_high_is_told() -> None:
    events = extract(channel([v | 8 for v in [*IDLE, 5, 5, *IDLE, 3, 3, *IDLE]]))
    assert found(events) == [(20, 13, 2), (42, 11, 2)]
    assert events.idle == 8
    assert events.always_active == 8


def test_one_sample_in_an_edge_is_joined() -> None:
    # 6 rises over a sample with line 1 only; 12 falls over a sample with line 2 only
    values = [*IDLE, 2, 6, 6, *IDLE, 12, 12, 4, *IDLE]
    assert found(extract(channel(values))) == [(20, 6, 3), (43, 12, 3)]
    # from 3 straight to 5, with a sample between them in which line 1 has not fallen yet
    assert found(extract(channel([*IDLE, 3, 3, 7, 5, 5, *IDLE]))) == [(20, 3, 2), (22, 5, 3)]


def test_one_sample_that_is_no_edge_stays() -> None:
    assert found(extract(channel([*IDLE, 8, 6, 6, *IDLE]))) == [(20, 8, 1), (21, 6, 2)]
    # one idle sample between two markers is a gap, not an edge
    assert found(extract(channel([*IDLE, 1, 1, 0, 2, 2, *IDLE]))) == [(20, 1, 2), (23, 2, 2)]
    assert found(extract(channel([*IDLE, 4, *IDLE]))) == [(20, 4, 1)]


def test_events_start_at_every_code_or_after_idle() -> None:
    values = [*IDLE, 3, 3, 3, 12, 12, 12, *IDLE]
    assert found(extract(channel(values))) == [(20, 3, 3), (23, 12, 3)]
    assert found(extract(channel(values), Rule(start="after-idle"))) == [(20, 3, 3)]


def test_a_marker_that_is_out_at_the_start_has_no_onset() -> None:
    assert found(extract(channel([5, 5, *IDLE, 7, 7, *IDLE]))) == [(22, 7, 2)]


def test_a_signal_is_refused() -> None:
    noise = np.random.default_rng(1).integers(-1000, 1000, 200_000)
    with pytest.raises(RecordingError, match="looks like a signal"):
        extract(channel(noise.tolist(), 50_000))


def test_no_marker_and_no_sample() -> None:
    with pytest.raises(RecordingError, match="holds no marker"):
        extract(channel(IDLE))
    with pytest.raises(RecordingError, match="no samples"):
        extract(channel([]))


def held(codes: list[int], samples: int = 7) -> list[int]:
    return [code for code in codes for _ in range(samples)]


@pytest.mark.parametrize(
    "codes",
    [
        [1, 2, 1, 1, 1, 2, 1, 1],  # one code is out for most of the time
        [1, 2, 3, 1, 2, 3],
        [7, 200, 7, 13, 90, 7],
    ],
)
def test_held_codes_after_idle(codes: list[int]) -> None:
    events = extract(channel([*IDLE, *held(codes)]))
    changes = [c for n, c in enumerate(codes) if n == 0 or c != codes[n - 1]]
    assert events.code.tolist() == changes
    assert events.idle == 0
    assert events.active == "high"


def test_what_is_idle_is_asked_where_it_cannot_be_known() -> None:
    oddball = held([1, 3, 1, 1, 1, 5, 1, 1, 1])  # line 0 may be stuck, or code 1 the standard
    with pytest.raises(RecordingError, match=r"--idle 0 or --idle 1"):
        extract(channel([*IDLE, *oddball]))
    known = extract(channel([*IDLE, *oddball]), design=Design(held=True))
    assert known.code.tolist() == [1, 3, 1, 5, 1]
    known = extract(channel([*IDLE, *oddball]), design=Design(held=False))
    assert known.code.tolist() == [3, 5]
    for idle, codes in ((0, [1, 3, 1, 5, 1]), (1, [3, 5])):
        given = extract(channel([*IDLE, *oddball]), Rule(idle=idle))
        assert [c for c in given.code.tolist() if c] == codes
        assert "given" in given.rule
    with pytest.raises(RecordingError, match="can't be known"):
        extract(channel(held([1, 2, 3, 1, 2, 3])))  # idle is not in the recording at all
    late = extract(channel(held([1, 2, 3, 1, 2, 3])), design=Design(held=True))
    assert late.code.tolist() == [2, 3, 1, 2, 3]
    assert "does not occur" in late.notes[0]


def test_pulses_that_are_out_longer_than_idle() -> None:
    values = [*IDLE, *[v for c in (5, 9, 5, 7, 9) for v in [c] * 9 + [0] * 3]]
    assert [c for _, c, _ in found(extract(channel(values)))] == [5, 9, 5, 7, 9]


def test_an_inverted_line_among_many_codes() -> None:
    codes = [int(c) for c in np.random.default_rng(1).integers(1, 256, 60) if c != 8]
    values = [v ^ 8 for c in codes for v in (*IDLE, c, c, c)] + [8] * 20
    events = extract(channel(values))
    assert events.idle == 8
    assert events.active == "high"
    assert events.code.tolist() == [c ^ 8 for c in codes]


def test_lines_that_are_high_and_not_in_use() -> None:
    events = extract(channel([v | 0xF0 for v in [*IDLE, 5, 5, *IDLE, 3, 3, *IDLE]]))
    assert (events.active, events.idle, events.always_active) == ("high", 0xF0, 0xF0)
    assert events.code.tolist() == [0xF5, 0xF3]


def test_a_given_idle_pattern_with_inverted_lines_gives_the_same_events_as_a_found_one() -> None:
    """Two of the lines are inverted, all that change: the others still rest as they should."""
    values = [v ^ 3 for v in [*IDLE, 3, 3, *IDLE, 2, 2, *IDLE, 1, 1, *IDLE]]
    design = Design(held=False, active="high")
    given = extract(channel(values), Rule(idle=3), design=design)
    found_alone = extract(channel(values), design=design)
    assert given.code.tolist() == found_alone.code.tolist() == [0, 1, 2]
    assert (given.active, given.idle, given.always_active) == ("high", 3, 0)


def test_the_active_level_that_cannot_be_known_is_told() -> None:
    one = extract(channel([v ^ 1 for v in [*IDLE, 3, 3, *IDLE, 2, 2, *IDLE]]), Rule(idle=1))
    assert "Half of the lines" in one.notes[0]
    assert one.active == "high"


def ramps(codes: list[int], length: int, width: int, seed: int = 3) -> list[int]:
    """Each line takes its own time of up to `length` samples, up and down."""
    random = np.random.default_rng(seed)
    levels = [v for c in codes for v in [0] * 20 + [c] * width] + [0] * 20
    result = np.zeros(len(levels), int)
    for line in range(8):
        bit = (np.array(levels) >> line) & 1
        late = bit.copy()
        for at in np.flatnonzero(np.diff(bit)) + 1:
            wait = int(random.integers(0, length + 1))
            late[at : at + wait] = bit[at - 1]
        result |= late << line
    return result.tolist()


@pytest.mark.parametrize("length", [1, 2, 3])
def test_settling_is_found_and_told(length: int) -> None:
    codes = [int(c) for c in np.random.default_rng(2).integers(1, 256, 80)]
    values = ramps(codes, length, 12)
    events = extract(channel(values))
    assert events.code.tolist() == codes
    assert events.settling == length
    assert f"edges within {length} sample" in events.rule
    if length > 1:
        assert f"settle within {length} samples" in events.notes[0]
        assert len(extract(channel(values), Rule(settling=1))) > len(codes)


@pytest.mark.parametrize("late", [1, 2, 3])
@pytest.mark.parametrize("edges", ["both", "rising", "falling"])
def test_a_line_that_changes_late_is_named(late: int, edges: str) -> None:
    codes = [int(c) for c in np.random.default_rng(2).integers(1, 256, 120)]
    levels = np.array([v for c in codes for v in [0] * 20 + [c] * 12] + [0] * 20)
    delayed = np.roll(levels, late)
    slow = {"both": delayed, "rising": delayed & levels, "falling": delayed | levels}[edges]
    values = (levels & ~16) | (slow & 16)
    design = Design(held=False, apart_us=11_000.0)  # the shorter line makes its pulses shorter
    events = extract(channel(values.tolist()), design=design)
    assert [c for c in events.code.tolist() if c != 16] == [c for c in codes if c != 16]
    assert f"Line 4 changes later than the others, by up to {late} sample" in " ".join(events.notes)
    straight = extract(channel(ramps(codes, late, 12)), design=design)
    assert "later than the others" not in " ".join(straight.notes)


def test_short_markers_are_no_edges() -> None:
    # marker 2 is cut after two samples by marker 6, which has its line too
    values = [v for _ in range(40) for v in (*IDLE, 2, 2, *[6] * 12)] + IDLE
    events = extract(channel(values))
    assert events.code.tolist() == [2, 6] * 40
    assert events.settling == 1
    assert "may be slow edges: 40 short steps" in events.notes[0]
    known = extract(channel(values), design=Design(apart_us=2_000.0))  # the log says the same
    assert known.code.tolist() == [2, 6] * 40
    apart = extract(channel(values), design=Design(apart_us=12_000.0))  # no marker is that short
    assert apart.code.tolist() == [6] * 40
    assert apart.settling == 2
    assert extract(channel(values), Rule(settling=2)).code.tolist() == [6] * 40
