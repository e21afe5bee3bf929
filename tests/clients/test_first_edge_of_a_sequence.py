"""The clients in C and for Octave with a box that tells the first edge of a sequence while it is
still to come: no later answer with an earlier time is a start of that box. The client for Node:
node/first_edge_of_a_sequence."""

from __future__ import annotations

from c_library import DONE
from scripted_box import ScriptedBox, says

from tallymark.box.wire.protocol_enumerations import Answer, Request

EDGE_US = 900_000_000


def script():
    return {
        Request.SEQUENCE_LOAD: [says(Answer.DONE, time=10)],
        Request.SEQUENCE_START: [says(Answer.DONE, time=EDGE_US)],
        Request.LEVELS: [says(Answer.LEVELS, time=20, outputs=0, readback=0)],
        Request.PULSE: [says(Answer.DONE, time=30)],
    }


def test_c_takes_no_edge_to_come_for_the_time_now(library):
    with ScriptedBox(script()) as scripted, library.open(scripted.where) as box:
        assert box.marker(box.sequence([(1, 1_000)])).box_time_us == EDGE_US
        assert box.levels().box_time_us == 20
        assert box.wait(box.pulse(5)).outcome == DONE
        assert box.totals.starts == 0


def test_octave_takes_no_edge_to_come_for_the_time_now(octave):
    with ScriptedBox(script()) as scripted:
        octave.run(f"box = tallymark.Box('{scripted.where}'); start = box.sequence([1 1000]);")
        assert octave.value("start.box_time_us") == EDGE_US
        octave.run("levels = box.levels(); marker = box.wait(box.pulse(5));")
        assert octave.warnings == []
        assert octave.value("{levels.box_time_us, marker.outcome}") == [20, "done"]
        assert len(scripted.came(Request.SESSION)) == 1
