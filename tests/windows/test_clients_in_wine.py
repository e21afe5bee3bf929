"""The clients in C and for Node in Wine: vectors, and a box on TCP and on a COM port."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from wine import Wine

from tallymark import Box
from tallymark.virtual import Server, VirtualBox

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CLIENT = ROOT / "host/c"
NODE = ROOT / "host/node"
VECTORS = ROOT / "protocol/vectors"
MINGW = "x86_64-w64-mingw32-gcc"
TRIALS = [3, 17, 65, 17, 65, 17, 65, 5]
"""Codes of the C client's example."""


@pytest.fixture(params=["tcp", "com"])
def served(request: pytest.FixtureRequest) -> Iterator[Server]:
    with Server(VirtualBox(), tcp=request.param == "tcp") as server:
        yield server


def place(wine: Wine, server: Server, number: int) -> str:
    """What a program for Windows opens."""
    return server.where if "://" in server.where else wine.port(number, server.where)


def codes_of(server: Server) -> list[int]:
    return [edge.levels for edge in server.device.edges() if edge.levels]


# C -----------------------------------------------------------------------------------------------


def compiled(target: Path, *sources: Path) -> Path:
    """A program for Windows, by MinGW."""
    if shutil.which(MINGW) is None:
        pytest.skip("'make build/windows/ready' installs MinGW")
    flags = ["-std=c11", "-Wall", "-Wextra", "-Werror", "-O2", "-D__USE_MINGW_ANSI_STDIO=1"]
    subprocess.run([MINGW, *flags, f"-I{CLIENT}", *sources, "-lws2_32", "-o", target], check=True)
    return target


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Path:
    sources = [CLIENT / f"{name}.c" for name in ("example", "tallymark", "tallymark_log")]
    return compiled(tmp_path_factory.mktemp("c") / "example.exe", *sources)


@pytest.fixture(scope="module")
def dll(wine: Wine) -> Path:
    """The library of the release."""
    (found,) = (wine.folder / "c").rglob("*.dll")
    return found


def packed(hexadecimal: str) -> str:
    return hexadecimal.replace(" ", "")


def test_c_frames(wine: Wine, tmp_path: Path) -> None:
    """Every message of the vectors both ways, and every stream that is broken."""
    frames, broken = (json.loads((VECTORS / f"{name}.json").read_text("utf-8"))
                      for name in ("frames", "broken"))
    text = "".join(f"{packed(row['wire'])} {packed(row['unstuffed'])}\n" for row in frames)
    text += "".join(f"{packed(row['wire'])} * {row['frames']} {row['frames_broken']}\n"
                    for row in broken)
    program = wine.popen(compiled(tmp_path / "codec.exe", HERE / "c_codec.c"))
    out, err = program.communicate(text, timeout=60)
    assert program.returncode == 0, out + err
    assert out.split() == [str(len(frames)), str(len(broken))]


def test_c_program(wine: Wine, example: Path, served: Server) -> None:
    served.device.edges()
    ran = wine.run(example, place(wine, served, 31))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert codes_of(served) == TRIALS
    assert ran.stdout.count("is done at box time") == len(TRIALS)


def test_c_program_without_a_box(wine: Wine, example: Path) -> None:
    ran = wine.run(example, "COM78")
    assert ran.returncode == 3
    assert "There is no port COM78" in ran.stderr


def test_c_library_of_the_release(wine: Wine, dll: Path, served: Server) -> None:
    """As a program loads it that isn't written in C."""
    with Box.open(served.where) as box:
        box.settings.write(box.settings.read().changed(
            strobe=7, strobe_lead_us=300, strobe_hold_us=400))
    served.device.edges()
    code = (
        "import sys; sys.path.insert(0, sys.argv[1])\n"
        "from c_library import Library\n"
        "with Library(sys.argv[2]).open(sys.argv[3]) as box:\n"
        "    told = box.settings()\n"
        "    print(told.strobe, told.strobe_lead_us, told.strobe_hold_us)\n"
        "    for code in range(1, 51): box.pulse(code, 1500)\n"
        "    print(box.wait_all(), box.totals.done)\n"
    )
    where = place(wine, served, 32)
    ran = wine.python("-c", code, wine.path(ROOT / "tests/clients"), wine.path(dll), where)
    assert ran.stdout.split() == ["128", "300", "400", "0", "50"], ran.stderr
    rose = [levels for levels in codes_of(served) if levels < 128]
    assert list(dict.fromkeys(rose)) == list(range(1, 51))


# Node --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def node(wine: Wine) -> Path:
    """A Node for Windows, and what the client needs."""
    program = wine.folder / "node/node.exe"
    if not program.exists():
        pytest.skip("'make build/windows/ready' installs a Node for Windows")
    if not (NODE / "node_modules/serialport").exists():
        subprocess.run(("npm", "ci", "--silent", "--ignore-scripts"), cwd=NODE, check=True)
    return program


def run_node(wine: Wine, node: Path, folder: Path, *words: object) -> tuple[int, str, str]:
    """Exit code, output and error output, which are files: Node can't use the pipes of Linux there.
    """
    out, err = folder / "out.txt", folder / "err.txt"
    with out.open("w") as told, err.open("w") as errors:
        done = subprocess.run(
            ["wine", node, *map(str, words)], env=wine.environment, stdout=told, stderr=errors,
            stdin=subprocess.DEVNULL, timeout=120,
        )
    return done.returncode, out.read_text("utf-8"), err.read_text("utf-8")


def test_node_vectors(wine: Wine, node: Path, tmp_path: Path) -> None:
    file = wine.path(ROOT / "tests/clients/node/vectors.test.mjs")
    code, out, err = run_node(wine, node, tmp_path, "--test-reporter=tap", file)
    counts = dict(re.findall(r"(?m)^# (\w+) (\d+)$", out))
    assert code == 0, out + err
    assert int(counts["pass"]) >= 3
    assert counts["fail"] == "0"


def test_node_program(wine: Wine, node: Path, served: Server, tmp_path: Path) -> None:
    served.device.edges()
    program, where = wine.path(NODE / "examples/ferry.js"), place(wine, served, 33)
    code, out, err = run_node(wine, node, tmp_path, program, where, 2)
    assert "All markers were confirmed." in out, (code, out, err, codes_of(served))
    assert [{17: 0, 18: 0}.get(code, code) for code in codes_of(served)] == [
        3, 9, 0, 96, 9, 0, 96, 5]
