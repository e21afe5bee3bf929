"""`tallymark probe --waveform --save FILE.vcd`: the signal beside the lines, as others read it."""

from __future__ import annotations

from pathlib import Path

import pytest
from command_result import STEPPED, Run
from sigrok import decode
from vcd.reader import TokenKind, tokenize

from tallymark import Box
from tallymark.box.probe.snippet_beside_lines import SnippetBesideLines

STEPS = [(5, 20_000), (0, 10_000), (130, 30_000), (0, 15_000)]
LIGHT = [(7_310, 40_000), (33_170, 900), (60_050, 65_535)]
"""(µs from the start of the sequence, level)."""


def reals(path: Path, name: str) -> list[tuple[int, float]]:
    """(time, value) of a real number, by pyvcd's reader."""
    key, at, found = "", 0, []
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.VAR and token.var.reference == name:
                assert token.var.type_.value == "real"
                key = token.var.id_code
            elif token.kind is TokenKind.CHANGE_TIME:
                at = token.time_change
            elif token.kind is TokenKind.CHANGE_REAL and token.real_change.id_code == key:
                found.append((at, token.real_change.value))
    assert key
    return found


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """A file of a sequence that plays while the light changes."""
    path = tmp_path / "a.vcd"
    with Box.open(STEPPED) as box:
        sequence = box.sequence(STEPS)
        sequence.start()
        began = box.port.device.life_us
        for after, level in LIGHT:
            box.port.device.set_probe("light", level, began + after)
        taken = SnippetBesideLines.take(box, "light", 8)
        with path.open("w") as file:
            taken.write_vcd(file, 0)
    assert taken.lost == 0
    return path


def test_lines_and_light_have_the_times_that_they_had(written: Path) -> None:
    lines = decode(written)
    # The first began before the file; sigrok's decoder gives neither it nor the last.
    assert [(levels, end - start) for start, end, levels in lines] == STEPS[1:3]
    began = lines[0][0] - STEPS[0][1]
    light = [change for change in reals(written, "light_level") if change[1]]
    assert [level for _, level in light] == [level for _, level in LIGHT]
    for (at, _), (after, _) in zip(light, LIGHT, strict=True):
        late = at - began - after
        assert -100 <= late <= 80 + 100  # a sample every 80 µs; some bytes from start to `began`


def test_the_command(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.vcd"
    ran = run("probe", "--waveform", "sound", "--save", path, "--box", STEPPED)
    assert ran.code == 0, ran.words
    assert "Written:" in ran.out
    assert reals(path, "sound_level") == [(0, 0.0)]
    assert [level for _, level in reals(path, "code")] == [0.0]
    assert run("probe", "--waveform", "sound", "--save", path, "--box", STEPPED).code == 2
