"""`tallymark probe --waveform`: what is plotted is what was at the input, with its marks."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from command_result import STEPPED, Run

from tallymark import Box, Settings
from tallymark.box.probe.waveform import sentences, text_rows, waveform, write_csv
from tallymark.box.wire.answer_values import Identity, Snippet
from tallymark.box.wire.protocol_enumerations import Capability
from tallymark.common.errors import BadValue
from tallymark.virtual import Server, VirtualBox

SET = Settings().changed(light="level", light_threshold=20_000, light_hysteresis=5_000,
                         sound="level", sound_threshold=6_000, sound_hysteresis=2_000)


def snippet(samples: list[int], interval_us: int = 10) -> Snippet:
    return Snippet(1_000, interval_us, len(samples), tuple(samples))


@pytest.fixture
def flickering():
    """A served box whose light goes on and off every 5 ms."""
    device = VirtualBox()
    for number in range(4_000):
        device.set_probe("light", 30_000 * (number % 2), number * 5_000)
    with Server(device, tcp=True) as server, Box.open(server.where) as box:
        box.settings.write(SET)
        box.close()
        yield server


def test_the_plot_shows_levels_threshold_and_release() -> None:
    samples = [0] * 500 + [30_000] * 500
    rows = text_rows(waveform("light", snippet(samples), SET, distances=True), 50, 16)
    assert [len(row) for row in rows[:-1]] == [58] * 16
    plot = [row[8:] for row in rows[:-1]]
    top, bottom = (next(n for n in order if "#" in plot[n])
                   for order in (range(16), range(15, -1, -1)))
    assert set(plot[top][26:]) == {"#"}
    assert "#" not in plot[top][:24]
    assert set(plot[bottom][:25]) == {"#"}
    assert "#" not in plot[bottom][27:]
    (threshold,) = [n for n, row in enumerate(plot) if "=" in row]
    (release,) = [n for n, row in enumerate(plot) if "-" in row]
    assert top < threshold < release < bottom
    assert rows[threshold].startswith(" 20000 |")
    assert rows[release].startswith(" 15000 |")
    assert rows[-1].endswith(" 10 ms")


def test_marks_of_a_sound_lie_on_both_sides_of_its_rest() -> None:
    wave = [round(32_000 + 8_000 * math.sin(n / 20)) for n in range(1_257)]
    found = waveform("sound", snippet(wave), SET, distances=False)
    assert found.rest == pytest.approx(32_000, abs=20)
    assert found.marks == (
        ("threshold", found.rest + 6_000), ("release", found.rest + 4_000),
        ("threshold", found.rest - 6_000), ("release", found.rest - 4_000),
    )
    assert f"from the rest at {found.rest}, up or down" in " ".join(sentences(found))
    distance = waveform("sound", snippet([7_000, 100]), SET, distances=True)
    assert distance.marks == (("threshold", 6_000), ("release", 4_000))


def test_what_is_not_so_is_said() -> None:
    none = waveform("light", snippet([5, 6]), Settings(), distances=True)
    assert none.marks == ()
    assert any("No threshold is set" in said for said in sentences(none))
    unwatched = waveform("light", snippet([5, 6]), SET.changed(light="off"), distances=True)
    assert any("not watched now" in said for said in sentences(unwatched))
    full = waveform("light", snippet([5, 65_520]), SET, distances=True)
    assert any("end of the scale" in said for said in sentences(full))
    assert not any("end of the scale" in said for said in sentences(unwatched))


def test_a_file_of_all_samples(tmp_path: Path) -> None:
    write_csv(waveform("light", snippet([5, 6, 7], 80), SET, distances=True), tmp_path / "a.csv")
    lines = (tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()
    assert lines[:4] == ["# probe: light", "# threshold: 20000", "# hysteresis: 5000", "# rest: 0"]
    rows = list(csv.DictReader(lines[4:]))
    assert [int(row["since_first_us"]) for row in rows] == [0, 80, 160]
    assert [int(row["box_us"]) for row in rows] == [1_000, 1_080, 1_160]
    assert [int(row["level"]) for row in rows] == [5, 6, 7]


def test_the_signal_of_a_box(run: Run, flickering, tmp_path: Path) -> None:
    ran = run("probe", "--waveform", "light", "--box", flickering.where,
              "--save", tmp_path / "a.csv")
    assert ran.code == 0
    assert "2048 samples, one every 80 µs, 163.840 ms in all; from 0 to 30000" in ran.out
    assert "On at 20000 (threshold), off below 15000 (less the hysteresis of 5000)" in ran.out
    assert "flickers at 100 Hz" in ran.out
    assert len((tmp_path / "a.csv").read_text(encoding="utf-8").splitlines()) == 2_048 + 5
    told = run("probe", "--waveform", "light", "--every", "1", "--json", "--box",
               flickering.where).json
    assert (told["interval_us"], told["threshold"], told["watched"]) == (10, 20_000, True)
    assert len(told["samples"]) == 2_048
    assert set(told["samples"]) == {0, 30_000}


def test_a_picture(run: Run, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    ran = run("probe", "--waveform", "light", "--box", STEPPED, "--save", tmp_path / "a.svg")
    assert ran.code == 0
    drawn = (tmp_path / "a.svg").read_text(encoding="utf-8")
    assert drawn.startswith("<?xml")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--waveform", "light", "--live"), "shows one piece"),
        (("--waveform", "light", "--calibrate", "light"), "shows one piece"),
        (("--save", "a.csv"), "belong to --waveform"),
        (("--waveform", "light", "--save", "a.wav"), "ends in .csv"),
    ],
)
def test_what_does_not_go_together(run: Run, words, said) -> None:
    ran = run("probe", *words, "--box", STEPPED)
    assert ran.code == 2
    assert said in ran.words


def test_a_box_without_analog_inputs(run: Run, monkeypatch) -> None:
    parse = Identity.parse

    def digital_only(body: bytes) -> Identity:
        found = parse(body)
        return replace(found, capabilities=found.capabilities & ~Capability.ANALOG)

    monkeypatch.setattr(Identity, "parse", digital_only)
    ran = run("probe", "--waveform", "light", "--box", STEPPED)
    assert ran.code != 0
    assert "no analog inputs" in ran.words


def test_a_snippet_without_samples() -> None:
    with pytest.raises(BadValue, match="no samples"):
        waveform("light", snippet([]), SET, distances=True)


def test_a_single_sample_is_seen() -> None:
    samples = [0] * 1_000
    samples[505] = 30_000
    rows = text_rows(waveform("light", snippet(samples), SET, distances=True), 50, 16)
    plot = [row[8:] for row in rows[:-1]]
    for row in plot:
        assert row[25] == "#" or not row.strip() or row == plot[0]
    assert sum(row[25] == "#" for row in plot) >= 14
