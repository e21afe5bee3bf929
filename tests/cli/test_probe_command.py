"""`tallymark probe`: levels, what is on, and the live screen."""

from __future__ import annotations

import io

import pytest
from command_result import STEPPED, Run
from rich.console import Console

from tallymark import Box, Settings
from tallymark.box.wire.answer_values import Identity, ProbeEdge, ProbeLevels
from tallymark.cli import probe
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def server():
    """A served box whose light is on and whose TTL input is low."""
    device = VirtualBox()
    device.set_probe("light", 30_000)
    device.set_probe("sound", 700)
    with Server(device, tcp=True) as server, Box.open(server.where) as box:
        box.settings.write(Settings().changed(
            light="level", light_threshold=20_000, light_hysteresis=5_000, ttl="low"
        ))
        box.close()
        yield server


def test_levels_and_what_is_on(run: Run, server) -> None:
    ran = run("probe", "--box", server.where, "--json")
    assert ran.code == 0
    assert ran.json["light"] == {
        "watched": "level", "on": True, "level": [30_000, 30_000], "threshold": 20_000,
        "hysteresis": 5_000,
    }
    assert ran.json["sound"]["level"] == [700, 700]
    assert (ran.json["sound"]["watched"], ran.json["sound"]["on"]) == ("off", False)
    assert ran.json["ttl"] == {"watched": "low", "on": True}
    rows = {line.split()[0]: line.split() for line in run("probe", "--box", server.where)
            .out.splitlines() if line}
    assert rows["light"][1:5] == ["level", "on", "30000", "20000"]
    assert rows["sound"][1:4] == ["off", "off", "700"]
    assert rows["ttl"][1:3] == ["low", "on"]


def test_without_a_watched_probe_it_says_how(run: Run) -> None:
    ran = run("probe", "--box", STEPPED)
    assert "No probe is watched" in ran.out
    assert "light=level light_threshold=20000" in run("probe", "--help").out


def test_live_and_json_exclude_each_other(run: Run) -> None:
    assert "choose one" in run("probe", "--live", "--json", "--box", STEPPED).words


def test_a_box_without_inputs(run: Run, monkeypatch) -> None:
    parse = Identity.parse

    def bare(body: bytes) -> Identity:
        from dataclasses import replace

        return replace(parse(body), capabilities=0)

    monkeypatch.setattr(Identity, "parse", bare)
    ran = run("probe", "--box", STEPPED)
    assert ran.code != 0
    assert "has no probe inputs" in ran.words


def drawn(levels: ProbeLevels, seen: probe.Seen, **settings) -> list[str]:
    console = Console(file=io.StringIO(), width=140)
    console.print(probe._draw(levels, Settings().changed(**settings), True, seen))
    return console.file.getvalue().splitlines()


def test_the_live_screen_counts_onsets_and_shows_the_range() -> None:
    seen = probe.Seen()
    seen.onsets["light"] = 3
    seen.last["light"] = ProbeEdge(2_500_000, "light", False)
    seen.lost = 2
    levels = ProbeLevels(9, (0, 65_535), (0, 0), frozenset())
    shown = drawn(levels, seen, light="level", light_threshold=32_768)
    light = next(line for line in shown if line.startswith("light"))
    assert "0 to 65535" in light
    assert "#" * 15 + "|" + "#" * 16 in light
    assert "off at" in light
    assert " 3 " in light
    assert "2 edges lost" in shown[-1]


def test_edges_are_counted_as_they_are_told() -> None:
    with Box.open(STEPPED) as box:
        box.settings.write(Settings().changed(ttl="high"))
        seen = probe.Seen()
        for at, level in ((100, 65_535), (200, 0), (300, 65_535)):
            box.port.set_probe("ttl", level, box.port.device.life_us + at)
        box.pacing.sleep(0.1)
        seen.take(box)
        assert seen.onsets == {"light": 0, "sound": 0, "ttl": 2}
        assert seen.last["ttl"].on
