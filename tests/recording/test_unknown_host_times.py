"""Records without a host time: the box started again before the clocks were compared."""

from __future__ import annotations

from pathlib import Path

from tallymark.markerlog import LoggedMarker, MarkerLog, read


def test_a_record_whose_host_time_is_not_known_is_read(tmp_path: Path):
    path = tmp_path / "log.jsonl"
    with MarkerLog(path) as log:
        log.byte_marker(LoggedMarker(-1, 9, box_us=3_000, fate="done", source="byte"))
        log.hold_ended(7, 4_000, None, None)
    data = read(path)
    assert data.bad_lines == []
    assert [(marker.code, marker.box_us, marker.host_us) for marker in data.markers] == [
        (9, 3_000, None)
    ]
    assert [(hold.code, hold.host_us) for hold in data.holds_ended] == [(7, None)]
