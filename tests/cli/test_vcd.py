"""VCD recordings: the file holds what was played, as read by an independent reader."""

from __future__ import annotations

import io
import random
from itertools import pairwise
from pathlib import Path

import pytest
from command_result import STEPPED, Run, meanwhile
from sigrok import LINES, decode
from vcd.reader import TokenKind, tokenize

from tallymark import BadValue
from tallymark.common.lines.plot import draw_lines
from tallymark.common.lines.vcd_writer import write_vcd
from tallymark.virtual import Server, VirtualBox


def read_vcd(path: Path) -> list[tuple[int, int, int]]:
    """The (time, levels, code) after each time of a file, by pyvcd's reader."""
    names: dict[str, str] = {}
    levels = dict.fromkeys(LINES, 0)
    code, time = -1, 0
    found: list[tuple[int, int, int]] = []

    def note() -> None:
        found.append((time, sum(levels[name] << n for n, name in enumerate(LINES)), code))

    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.VAR:
                names[token.var.id_code] = token.var.reference
            elif token.kind is TokenKind.CHANGE_TIME:
                if code >= 0:
                    note()
                time = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                levels[names[token.scalar_change.id_code]] = int(token.scalar_change.value)
            elif token.kind is TokenKind.CHANGE_REAL:
                assert names[token.real_change.id_code] == "code"
                code = int(token.real_change.value)
    note()
    return found


def some_changes(count: int, idle_levels: int = 0) -> list[tuple[int, int]]:
    chance = random.Random(11)
    time, changes = 5_000_000_000, [(5_000_000_000, idle_levels)]
    for _ in range(count):
        time += chance.randrange(1, 40_000)
        changes.append((time, chance.choice([n for n in range(256) if n != changes[-1][1]])))
    return changes


@pytest.mark.parametrize("idle_levels", [0x00, 0xFF])
def test_file_has_every_change(tmp_path: Path, idle_levels: int) -> None:
    changes = some_changes(300, idle_levels)
    path = tmp_path / "a.vcd"
    with path.open("w") as file:
        assert write_vcd(file, changes, changes[-1][0] + 100, idle_levels, "Box 12.") == 300
    zero = changes[0][0]
    found = read_vcd(path)
    assert found[:-1] == [
        (time - zero, levels, levels ^ idle_levels) for time, levels in changes
    ]
    assert found[-1][0] == changes[-1][0] + 100 - zero
    assert "Time 0 is box time 5000000000 us. Box 12." in path.read_text()


def test_time_that_goes_back() -> None:
    with pytest.raises(BadValue, match="VCD needs increasing times"):
        write_vcd(io.StringIO(), [(0, 0), (5, 1), (4, 0)])


def test_levels_that_do_not_change_are_no_change() -> None:
    assert write_vcd(io.StringIO(), [(0, 3), (5, 3), (6, 1), (6, 1)]) == 1


def test_sigrok_reads_the_same_codes_and_times(tmp_path: Path) -> None:
    changes = some_changes(500)
    path = tmp_path / "a.vcd"
    with path.open("w") as file:
        write_vcd(file, changes, changes[-1][0] + 100)
    zero = changes[0][0]
    wanted = [
        (time - zero, until - zero, levels)
        for (time, levels), (until, _) in pairwise(changes[1:])
    ]
    assert decode(path) == wanted


def test_what_was_played_is_recorded(run: Run, tmp_path: Path) -> None:
    """End to end: file, box, lines, readback, capture, VCD, and an independent reader."""
    steps = [(1, 10_000), (0, 5_000), (130, 700), (255, 1), (0, 20_000), (64, 50_000), (0, 9_000)]
    csv, vcd, png = tmp_path / "s.csv", tmp_path / "a.vcd", tmp_path / "a.png"
    csv.write_text("code,hold_us\n" + "".join(f"{code},{hold}\n" for code, hold in steps))
    ran = run("record", vcd, "--play", csv, "--picture", png, "--box", STEPPED, "--json")
    assert ran.code == 0
    assert ran.json["changes"] == len(steps)
    assert ran.json["edges_lost"] == 0
    assert png.read_bytes().startswith(b"\x89PNG")
    decoded = decode(vcd)
    assert [(levels, end - start) for start, end, levels in decoded] == steps[:-1]


def test_idle_high_is_code_zero(run: Run, tmp_path: Path, steps: Path) -> None:
    store = tmp_path / "store.bin"
    run("settings", "change", "idle=high", "--box", f"virtual://?store={store}")
    vcd = tmp_path / "a.vcd"
    assert run("record", vcd, "--play", steps, "--box", f"{STEPPED}&store={store}").code == 0
    assert [(levels, code) for _, levels, code in read_vcd(vcd)][:5] == [
        (0xFF, 0), (0xFE, 1), (0xFF, 0), (0x7D, 0x82), (0xFF, 0)
    ]


def test_record_for_a_time(run: Run, tmp_path: Path) -> None:
    ran = run("record", tmp_path / "a.vcd", "--for", "2s", "--box", STEPPED)
    assert ran.code == 0
    assert "0 changes up to box time 2,0" in ran.out


def test_bytes_of_another_program_are_recorded(run: Run, tmp_path: Path) -> None:
    """A program that can only write bytes to a serial port, and a recording of what it did."""
    with Server(VirtualBox(), tcp=False, byte_input=True) as server:
        assert server.byte_where is not None
        vcd, port = tmp_path / "a.vcd", Path(server.byte_where)
        with meanwhile(lambda: vcd.exists() and vcd.stat().st_size > 0,
                       lambda: port.write_bytes(b"\x05")):
            ran = run("record", vcd, "--for", "2s", "--box", server.where)
    assert ran.code == 0
    (start, start_levels, _), (end, end_levels, _) = read_vcd(vcd)[1:3]
    assert (start_levels, end_levels, end - start) == (5, 0, 5000)


@pytest.mark.parametrize("name", ["a.png", "a.svg"])
def test_picture(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    draw_lines(some_changes(20), path, title="Ferry")
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG" if name == "a.png" else b"<?xml")
    if name == "a.svg":
        assert b"line 7" in content


def test_picture_of_nothing(tmp_path: Path) -> None:
    with pytest.raises(BadValue, match="no changes"):
        draw_lines([], tmp_path / "a.png")
    with pytest.raises(BadValue, match="before it begins"):
        draw_lines([(5, 0)], tmp_path / "a.png", end_us=4)


def test_probes_have_wires_that_say_what_is_not_known() -> None:
    seen = [(900, "light", False), (1_020, "light", True), (1_010, "ttl", None),
            (1_040, "light", False), (1_040, "ttl", True), (1_200, "light", None)]
    file = io.StringIO()
    assert write_vcd(file, [(1_000, 0), (1_030, 5), (1_035, 0)], 1_300, probes=seen) == 2
    names, found, at = {}, [], 0
    for token in tokenize(io.BytesIO(file.getvalue().encode())):
        if token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
        elif token.kind is TokenKind.CHANGE_TIME:
            at = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            name = names[token.scalar_change.id_code]
            if not name.startswith("line"):
                found.append((at, name, token.scalar_change.value))
    assert found == [(0, "light", "0"), (0, "ttl", "x"), (20, "light", "1"), (40, "light", "0"),
                     (40, "ttl", "1"), (200, "light", "x")]
    assert at == 300
