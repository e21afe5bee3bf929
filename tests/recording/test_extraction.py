"""The extraction rule, sample by sample."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tallymark.recording.extract import Rule, extract
from tallymark.recording.model import RecordedEvents, RecordingError, StatusStream


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


def test_onset_on_rise_and_on_change() -> None:
    values = [*IDLE, 3, 3, 3, 12, 12, 12, *IDLE]
    assert found(extract(channel(values))) == [(20, 3, 3), (23, 12, 3)]
    assert found(extract(channel(values), Rule(onset="rise"))) == [(20, 3, 3)]


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
