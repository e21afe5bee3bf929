"""Probes on a virtual box: levels, edges and their times, what is lost, the log, snippets."""

from __future__ import annotations

import pytest

from tallymark import BadValue, Box, MarkerLog, Refused, Settings, markerlog
from tallymark.box.probe_modes import LightProbe, SoundProbe, TtlProbe, check_probes, from_bits
from tallymark.box.wire.answer_values import ProbeEdge, ProbeEdges
from tallymark.box.wire.layouts import SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import Capability, Reason, Request


@pytest.fixture
def box():
    with Box.open("virtual://?time=stepped") as box:
        yield box


def watch(box: Box, **settings) -> int:
    """Puts settings in force; returns the box's life now, which is its box time."""
    box.settings.write(Settings().changed(**settings))
    return box.port.device.life_us


def edges(box: Box, seconds: float = 0.1) -> list[ProbeEdge]:
    box.pacing.sleep(seconds)
    return box.probes.take()


BY_LEVEL = {"light": "level", "light_threshold": 20_000, "light_hysteresis": 5_000}


def test_light_by_its_level(box):
    now = watch(box, **BY_LEVEL)
    for at, level in ((100, 19_999), (200, 20_000), (300, 15_000), (400, 14_999), (500, 30_000)):
        box.port.set_probe("light", level, now + at)
    assert edges(box) == [
        (now + 200, "light", True), (now + 400, "light", False), (now + 500, "light", True)
    ]


def test_a_steady_light_is_off_after_20_ms_of_dark(box):
    now = watch(box, **BY_LEVEL | {"light": "steady"})
    for at, level in (
        (1_000, 30_000), (5_000, 0), (24_999, 30_000), (30_000, 0), (50_001, 30_000), (60_000, 0)
    ):
        box.port.set_probe("light", level, now + at)
    assert edges(box, 0.2) == [
        (now + 1_000, "light", True), (now + 30_000, "light", False),
        (now + 50_001, "light", True), (now + 60_000, "light", False),
    ]


def test_sound_is_over_when_it_has_been_silent_for_20_ms(box):
    now = watch(box, sound="level", sound_threshold=900, sound_hysteresis=400)
    for at, level in ((1_000, 900), (1_500, 0), (2_000, 1_000), (3_000, 499), (22_999, 500),
                      (23_000, 499)):
        box.port.set_probe("sound", level, now + at)
    box.pacing.sleep(0.0429)
    assert box.probes.take() == [(now + 1_000, "sound", True)]
    assert edges(box) == [(now + 23_000, "sound", False)]


@pytest.mark.parametrize(
    ("settings", "probe", "levels"),
    [
        ({"light": "edge"}, "light", (32_768, 30_719)),
        ({"sound": "edge"}, "sound", (65_535, 0)),
        ({"ttl": "high"}, "ttl", (32_768, 30_719)),
        ({"ttl": "low"}, "ttl", (0, 65_535)),
    ],
)
def test_digital_inputs(box, settings, probe, levels):
    box.port.set_probe(probe, 65_535 if settings == {"ttl": "low"} else 0)
    now = watch(box, **settings)
    for at, level in zip((100, 300), levels, strict=True):
        box.port.set_probe(probe, level, now + at)
    assert edges(box) == [(now + 100, probe, True), (now + 300, probe, False)]


def test_what_is_on_when_it_begins_to_be_watched_is_no_onset(box):
    for probe in ("light", "sound", "ttl"):
        box.port.set_probe(probe, 60_000)
    now = watch(box, **BY_LEVEL, sound="edge", ttl="high")
    assert edges(box) == []
    for probe in ("light", "sound", "ttl"):
        box.port.set_probe(probe, 0, box.port.device.life_us)
    told = edges(box)
    assert sorted((probe, on) for _, probe, on in told) == [
        ("light", False), ("sound", False), ("ttl", False)
    ]
    assert all(time_us > now for time_us, _, _ in told)


def test_nothing_is_told_of_a_probe_that_is_off(box):
    for probe in ("light", "sound", "ttl"):
        box.port.set_probe(probe, 60_000, box.port.device.life_us + 100)
    assert edges(box) == []


def test_levels_are_the_extremes_of_the_last_10_ms(box):
    now = watch(box, **BY_LEVEL, ttl="low")
    for at, level in ((1_000, 50_000), (2_000, 700), (14_000, 30_000), (15_000, 100)):
        box.port.set_probe("light", level, now + at)
    box.port.set_probe("sound", 77, now + 5_000)
    box.pacing.sleep(0.02)
    levels = box.probes.levels()
    assert levels.light == (100, 30_000)
    assert levels.sound == (77, 77)
    assert levels.on == {"ttl"}
    box.pacing.sleep(0.1)
    assert box.probes.levels().light == (100, 100)


def test_a_snippet_is_the_signal_with_its_times(box):
    box.port.set_probe("light", 1_000)
    now = box.port.device.life_us
    box.port.set_probe("light", 2_000, now + 5_000)
    snippet = box.probes.snippet("light")
    assert (len(snippet.samples), snippet.interval_us) == (2_048, 10)
    step = snippet.samples.index(2_000)
    assert set(snippet.samples[:step]) == {1_000}
    assert set(snippet.samples[step:]) == {2_000}
    assert 0 <= snippet.time_us + step * 10 - (now + 5_000) < 10
    assert box.probes.snippet("light", 100).interval_us == 1_000
    for probe, every in (("ttl", 1), ("light", 0), ("light", 256)):
        with pytest.raises(BadValue):
            box.probes.snippet(probe, every)


def test_edges_go_into_the_log_with_host_times(box, tmp_path):
    now = watch(box, **BY_LEVEL, ttl="high")
    with MarkerLog.for_box(tmp_path / "log.jsonl", box):
        box.port.set_probe("light", 30_000, now + 70_000)
        box.port.set_probe("ttl", 65_535, now + 50_000)
        box.pulse(5).wait()
        box.pacing.sleep(0.1)
    data = markerlog.read(tmp_path / "log.jsonl")
    assert data.header["settings"]["light"] == "level"
    assert data.header["settings"]["sound"] == "off"
    assert [(e.probe, e.on, e.box_us) for e in data.probe_edges] == [
        ("ttl", True, now + 50_000), ("light", True, now + 70_000)
    ]
    marker = data.markers[0]
    for edge in data.probe_edges:
        since_us = (edge.host_us - marker.host_us) - (edge.box_us - marker.box_us)
        assert abs(since_us) <= edge.error_us + marker.error_us + 1


def test_more_edges_than_the_host_takes_are_counted_as_lost(box, tmp_path):
    watch(box, ttl="high")
    with MarkerLog.for_box(tmp_path / "log.jsonl", box):
        device = box.port.device
        for n in range(2_000):  # nobody reads meanwhile: 8,192 bytes wait in the box, then 64 edges
            device.set_probe("ttl", 65_535 * (n % 2 == 0), device.life_us + 1 + n)
        device.advance(device.life_us + 3_000)
        box.pacing.sleep(0.1)
        device.set_probe("ttl", 65_535, device.life_us + 10)
        told = edges(box)
    assert box.probes.lost > 0
    data = markerlog.read(tmp_path / "log.jsonl")
    assert len(data.probe_edges) == len(told)
    assert data.probe_edges_lost == box.probes.lost
    assert box.counters().edges_lost >= box.probes.lost
    at_the_loss = next(edge for edge in data.probe_edges if edge.lost)
    assert at_the_loss.lost == 255


def test_probes_go_on_after_a_restart_by_the_kept_settings(box):
    box.settings.install(Settings().changed(ttl="high"))
    box.pacing.sleep(0.2)  # so that box time before the restart and after it differ
    device = box.port.device
    device.set_probe("ttl", 65_535, device.life_us + 500_000)
    at_life = device.life_us + 500_000
    box.port.power_failure()
    started = device.life_us
    assert edges(box, 1.0) == [(at_life - started, "ttl", True)]


def test_settings_that_no_box_takes(box):
    for values in (
        {"light": "level"}, {"sound": "level"}, {"light_hysteresis": 1},
        {"light_threshold": 65_536}, {"sound_threshold": 5, "sound_hysteresis": 6},
    ):
        with pytest.raises(BadValue):
            box.settings.write(Settings().changed(**values))
    with pytest.raises(BadValue, match="must be one of off, level, steady, edge"):
        Settings().changed(light="bright")


@pytest.mark.parametrize(
    ("field", "values", "offset"),
    [
        ("threshold_a", {"probes": 1}, 42), ("threshold_b", {"probes": 2}, 46),
        ("hysteresis_a", {"threshold_a": 5, "hysteresis_a": 6}, 44),
        ("hysteresis_b", {"threshold_b": 5, "hysteresis_b": 6}, 48),
        ("probes", {"probes": 1 | 4, "threshold_a": 5}, 37), ("probes", {"probes": 2 | 8}, 37),
        ("probes", {"probes": 32}, 37), ("probes", {"probes": 64}, 37),
    ],
)
def test_the_box_refuses_such_settings_too(box, field, values, offset):
    record = SETTINGS_RECORD.parse(Settings().pack())
    body = SETTINGS_RECORD.build({**record, **values})
    with pytest.raises(Refused) as refused:
        box.link.ask(Request.SETTINGS_WRITE, body)
    assert (refused.value.reason, refused.value.detail) == (Reason.VALUE_RANGE, offset), field


def test_what_a_box_with_one_input_can_watch(box):
    from dataclasses import replace

    nano = replace(box.identity, capabilities=int(Capability.DIGITAL))
    check_probes(LightProbe.EDGE, SoundProbe.OFF, TtlProbe.OFF, nano)
    with pytest.raises(BadValue, match="one probe input"):
        check_probes(LightProbe.EDGE, SoundProbe.OFF, TtlProbe.LOW, nano)
    with pytest.raises(BadValue, match="no analog inputs"):
        check_probes(LightProbe.LEVEL, SoundProbe.OFF, TtlProbe.OFF, nano)
    with pytest.raises(BadValue, match="no analog inputs"):
        check_probes(LightProbe.OFF, SoundProbe.LEVEL, TtlProbe.OFF, nano)
    bare = replace(box.identity, capabilities=0)
    with pytest.raises(BadValue, match="no probe inputs"):
        check_probes(LightProbe.OFF, SoundProbe.OFF, TtlProbe.HIGH, bare)
    with pytest.raises(BadValue, match="light_threshold"):
        Settings().changed(light_threshold=5).check(nano)


def test_bits_that_are_not_known_are_off():
    assert from_bits(0x45) == (LightProbe.OFF, SoundProbe.OFF, TtlProbe.OFF)
    assert from_bits(0xA2) == (LightProbe.OFF, SoundProbe.LEVEL, TtlProbe.OFF)


def test_entries_of_unknown_sources_are_left_out():
    entry = (7).to_bytes(8, "little")
    body = bytes((3,)) + entry + b"\x09\x01" + entry + b"\x05\x01"
    assert ProbeEdges.parse(body) == ProbeEdges(3, (ProbeEdge(7, "ttl", True),))


def test_a_capture_has_the_edges_of_probes_and_leaves_them_out(box):
    """They are entries of it, but no levels of the lines."""
    now = watch(box, ttl="high")
    with box.capture() as capture:
        box.port.set_probe("ttl", 65_535, now + 3_000)
        box.pulse(5, 1_000).wait()
        box.pacing.sleep(0.01)
        found = capture.fetch()
    assert [edge.levels for edge in found] == [0, 5, 0]
    assert capture.lost == 0
    assert edges(box) == [(now + 3_000, "ttl", True)]


def test_a_snippet_needs_analog_inputs_and_the_virtual_inputs_are_checked(box):
    with pytest.raises(ValueError, match="one of light, sound, ttl"):
        box.port.set_probe("smell", 1)
    with pytest.raises(ValueError, match="0 to 65,535"):
        box.port.set_probe("light", 65_536)
    later = box.port.device.life_us + 10**9
    for _ in range(8_192):
        box.port.device.set_probe("light", 1, later)
    with pytest.raises(ValueError, match="wait already"):
        box.port.device.set_probe("light", 1, later)
