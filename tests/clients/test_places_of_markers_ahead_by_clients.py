"""The clients in C and for Octave give no marker ahead whose number would take the place of one
whose end they don't know (PROTOCOL.md, 6.1). The client for Node: node/places_of_markers_ahead."""

from __future__ import annotations

import time
from threading import Timer

import pytest
from c_library import DONE, OPEN, UNCONFIRMED, ClientError
from octave_session import OctaveError
from scripted_places import FAR_US, PLACES, BoxWithPlaces

from tallymark.box.wire.protocol_enumerations import Request

FAR = pytest.mark.parametrize("far", [False, True], ids=["lowest", "one that waits before it"])
OUT_AFTER_S = 1.0


def order(scripted: BoxWithPlaces) -> list[Request]:
    wanted = (Request.TIMED, Request.FATE_OF_NUMBER)
    return [kind for kind, _, _ in scripted.requests if kind in wanted]


@FAR
def test_c_has_the_end_of_one_asked_for_first(library, far):
    with BoxWithPlaces(far) as scripted, library.open(scripted.where) as box:
        scripted.fill(lambda code, at_us: box.pulse_ahead(code, at_us=at_us), lambda: box.poll(20))
        deadline = time.monotonic() + 20
        while box.totals.open > 1 + far and time.monotonic() < deadline:
            box.poll(20)
        assert box.totals.open == 1 + far
        Timer(OUT_AFTER_S, scripted.is_out.set).start()
        last = box.pulse_ahead(100, at_us=FAR_US + 1_000_000)
        assert box.marker(scripted.unheard).outcome == DONE
        assert box.marker(last).held_back_us > 0
        scripted.wait_for_markers(PLACES + 1, lambda: box.poll(20))
        assert order(scripted)[-2:] == [Request.FATE_OF_NUMBER, Request.TIMED]


def test_c_sends_none_by_the_clock_of_before(library):
    """The box starts again while one is held back."""
    with BoxWithPlaces(False) as scripted, library.open(scripted.where) as box:
        scripted.fill(lambda code, at_us: box.pulse_ahead(code, at_us=at_us), lambda: box.poll(20))
        Timer(OUT_AFTER_S, scripted.start).start()
        with pytest.raises(ClientError, match="held back") as error:
            box.pulse_ahead(100, at_us=FAR_US)
        assert error.value.name == "RESTARTED"
        assert box.marker(scripted.unheard).outcome == UNCONFIRMED
        assert len(scripted.came(Request.TIMED)) == PLACES


def test_c_holds_nothing_up_for_one_that_waits(library, server):
    with library.open(server.where) as box:
        box.sync_clock()
        far = box.pulse_ahead(9, after_us=60_000_000)
        for _ in range(40):
            marker = box.wait(box.pulse_ahead(1, after_us=5_000, width_us=100, late_us=5_000_000))
            assert (marker.outcome, marker.held_back_us) == (DONE, 0)
        assert box.marker(far).outcome == OPEN


def fill_by_octave(octave, scripted: BoxWithPlaces) -> None:
    octave.run(f"box = tallymark.Box('{scripted.where}'); given = {{}};")
    scripted.fill(
        lambda code, at_us: octave.run(
            f"given{{{code}}} = box.pulse({code}, 100, 'at_us', {at_us});"
        ),
        lambda: octave.run("pause(0.02); box.collect();"),
    )


@FAR
def test_octave_has_the_end_of_one_asked_for_first(octave, far):
    with BoxWithPlaces(far) as scripted:
        fill_by_octave(octave, scripted)
        octave.start(f"last = box.pulse(100, 100, 'at_us', {FAR_US + 1_000_000});")
        Timer(OUT_AFTER_S, scripted.is_out.set).start()
        octave.finish()
        assert octave.value(f"given{{{scripted.unheard}}}.outcome") == "done"
        assert octave.value("last.held_back_s") > 0
        scripted.wait_for_markers(PLACES + 1, lambda: octave.run("pause(0.02); box.collect();"))
        assert order(scripted)[-2:] == [Request.FATE_OF_NUMBER, Request.TIMED]


def test_octave_sends_none_by_the_clock_of_before(octave):
    with BoxWithPlaces(False) as scripted:
        fill_by_octave(octave, scripted)
        octave.start(f"last = box.pulse(100, 100, 'at_us', {FAR_US});")
        Timer(OUT_AFTER_S, scripted.start).start()
        with pytest.raises(OctaveError, match="held back") as error:
            octave.finish()
        assert error.value.identifier == "tallymark:restarted"
        assert octave.value(f"given{{{scripted.unheard}}}.outcome") == "unconfirmed"
        assert len(scripted.came(Request.TIMED)) == PLACES


def test_octave_holds_nothing_up_for_one_that_waits(octave, serve):
    octave.run(f"box = tallymark.Box('{serve().where}'); box.sync_clock();"
               "far = box.pulse(9, [], 'after_s', 60); held = []; outcomes = {};"
               "for k = 1:40, marker = box.pulse(1, 100, 'after_s', 0.005, 'late_us', 5e6);"
               "box.wait(marker); held(k) = marker.held_back_s; outcomes{k} = marker.outcome; end",
               timeout=60)  # fmt: skip
    assert octave.value("unique(outcomes)") == ["done"]
    assert octave.value("max(held)") == 0
    assert octave.value("far.outcome") == "accepted"
