"""`tallymark probe --calibrate`: thresholds from two states, and flicker."""

from __future__ import annotations

import math

import click
import pytest
from command_result import STEPPED, Run

from tallymark import BadValue, Box
from tallymark.box.probe import Range, calibrate_light, calibrate_sound, flicker_hz
from tallymark.box.wire.answer_values import Snippet
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def asked(monkeypatch):
    """A served box, and what happens at its probes at each question."""
    device = VirtualBox()
    answers: list = []
    monkeypatch.setattr(click, "prompt", lambda *_args, **_more: answers.pop(0)(device))
    with Server(device, tcp=True) as server:
        yield server.where, answers


def settings(where: str):
    with Box.open(where) as box:
        return box.settings.state()


def test_light_is_found_between_dark_and_bright(run: Run, asked) -> None:
    where, answers = asked
    answers += [lambda box, level=level: box.set_probe("light", level)
                for level in (4_000, 44_000)]
    ran = run("probe", "--calibrate", "light", "--box", where)
    assert ran.code == 0, ran.err
    assert "dark: 4000    bright: 44000" in ran.out
    state = settings(where)
    assert state.kept == 1
    assert state.settings.light.label == "level"
    assert (state.settings.light_threshold, state.settings.light_hysteresis) == (24_000, 10_000)


def test_a_flicker_is_told_with_its_frequency(run: Run, asked) -> None:
    where, answers = asked

    def bright(box: VirtualBox) -> None:
        now = box.life_us
        for n in range(3_500):  # 7 s of 250 Hz
            box.set_probe("light", 0 if n % 2 else 40_000, now + 2_000 * n)

    answers += [lambda box: box.set_probe("light", 100), bright]
    ran = run("probe", "--calibrate", "light", "--box", where)
    assert "flickers at 250 Hz" in ran.out
    assert settings(where).settings.light.label == "steady"


def test_sound_is_found_between_silence_and_tone(run: Run, asked) -> None:
    where, answers = asked
    answers += [lambda box: box.set_probe("sound", 400), lambda box: box.set_probe("sound", 8_400)]
    run("probe", "--calibrate", "sound", "--box", where)
    found = settings(where).settings
    assert (found.sound.label, found.sound_threshold, found.sound_hysteresis) == (
        "level", 2_400, 1_000)


def test_states_that_are_equal_change_nothing(run: Run, asked) -> None:
    where, answers = asked
    answers += [lambda box: box.set_probe("light", 4_000)] * 2
    ran = run("probe", "--calibrate", "light", "--box", where)
    assert ran.code != 0
    assert "can't be told apart" in ran.words
    assert settings(where).settings.light_threshold == 0
    with pytest.raises(BadValue, match="hum on the line"):
        calibrate_sound(Range(0, 900), Range(0, 1_700))


def test_options_that_exclude_each_other(run: Run) -> None:
    ran = run("probe", "--calibrate", "light", "--live", "--box", STEPPED)
    assert "without --live" in ran.words


@pytest.mark.parametrize("hz", [48.0, 60.0, 240.0, 1_000.0])
def test_frequencies(hz) -> None:
    for shape in (math.sin, lambda at: math.copysign(1, math.sin(at))):
        wave = [round(20_000 * (1 + shape(2 * math.pi * hz * n * 80e-6))) for n in range(2_048)]
        found = flicker_hz(Snippet(0, 80, len(wave), tuple(wave)))
        assert found == pytest.approx(hz, rel=0.01)
    slow = calibrate_light(Range(0, 100), Range(0, 40_000), 48.0)
    assert slow.settings["light"] == "steady"
    assert any("too slow for 'steady'" in note for note in slow.notes)


def test_noise_and_a_single_step_are_no_flicker() -> None:
    noisy = tuple(30_000 + 2_000 * (n % 2) for n in range(2_048))
    step = (0,) * 1_000 + (30_000,) * 1_048
    for samples in (noisy, step, ()):
        assert flicker_hz(Snippet(0, 40, len(samples), samples)) is None
