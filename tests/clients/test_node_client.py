"""The client for Node (host/node): the tests in node/*.test.mjs, its types, examples, package."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from clock_scenarios import Scenario, scenarios

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
CLIENT = ROOT / "host/node"
FILES = sorted(path.name for path in (HERE / "node").glob("*.test.mjs"))


pytestmark = pytest.mark.usefixtures("node_packages")


def run(*command: str, cwd: Path = CLIENT, code: int = 0, **more: str) -> str:
    """Runs a command, which has to end with this exit code; gives what it printed."""
    done = subprocess.run(
        command, cwd=cwd, env={**os.environ, **more}, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("name", FILES)
def test_client(name: str) -> None:
    told = run(
        "node", "--test", "--test-reporter=tap", name, cwd=HERE / "node", PYTHON=sys.executable
    )
    counts = {what: int(found) for what, found in re.findall(r"(?m)^# (\w+) (\d+)$", told)}
    assert counts["pass"] > 0
    assert counts["pass"] == counts["tests"], told


def test_there_are_tests() -> None:
    assert len(FILES) >= 7


@pytest.mark.parametrize("scenario", list(scenarios()), ids=range(12))
def test_bounds_of_the_clocks_hold_and_are_those_of_the_library(scenario: Scenario) -> None:
    told = subprocess.run(
        ["node", str(HERE / "node/clock.mjs")], input="\n".join(scenario.lines()), text=True,
        capture_output=True, check=True, timeout=60,
    ).stdout
    found = []
    for line in told.splitlines():
        host, *rest = line.split()
        bound, box, box_bound = map(float, rest)
        found.append((int(host), bound, box, box_bound))
    scenario.check(found)


def test_types() -> None:
    run("npx", "tsc")


def test_a_program_in_typescript_finds_the_types(tmp_path: Path) -> None:
    """The package as npm packs it, installed beside a program that uses it rightly, and wrongly."""
    packed = json.loads(run("npm", "pack", "--json", "--pack-destination", str(tmp_path)))[0]
    names = {file["path"] for file in packed["files"]}
    assert {"package.json", "README.md", "src/index.js", "types/index.d.ts"} <= names
    assert not any(name.startswith(("node_modules", "tests")) for name in names)
    package = tmp_path / "node_modules/tallymark"
    package.mkdir(parents=True)
    archive = tmp_path / packed["filename"]
    run("tar", "xzf", str(archive), "-C", str(package), "--strip-components=1")

    program = tmp_path / "program.mts"
    tsc = [str(CLIENT / "node_modules/.bin/tsc"), "--strict", "--noEmit", "--skipLibCheck"]
    tsc += ["--target", "es2022", "--module", "nodenext", str(program)]
    tsc += ["--typeRoots", str(CLIENT / "node_modules/@types"), "--types", "node"]
    rightly = """
        import { open, MarkerRefused, type Marker, type Selftest } from 'tallymark';
        const box = await open('/dev/ttyACM0');
        const marker: Marker = box.pulse(5, 20_000);
        const time: number | null = (await marker.done).time;
        box.on('problem', (error) => error instanceof MarkerRefused && error.reason.toUpperCase());
        const found: Selftest = await box.selftest();
        const { played } = await (await box.sequence([{ code: 1, hold: 100 }])).ended;
        console.log(time, found.sentence, played.toFixed());
    """
    program.write_text(rightly)
    run(*tsc, cwd=tmp_path)
    program.write_text(rightly + "box.pulse('five'); box.on('nothing', () => {});")
    told = run(*tsc, cwd=tmp_path, code=2)
    assert told.count("TS2345") == 2, told


def test_the_lock_names_no_download_address() -> None:
    lock = json.loads((CLIENT / "package-lock.json").read_text())
    assert not any("resolved" in package for package in lock["packages"].values())
    assert all("integrity" in package for name, package in lock["packages"].items() if name)


@pytest.mark.parametrize("tcp", [False, True])
def test_examples(serve, tcp: bool) -> None:
    server = serve(tcp=tcp)
    examples = CLIENT / "examples"
    server.device.edges()
    told = run("node", "ferry.js", server.where, "2", cwd=examples)
    assert "trial 2: landed at" in told
    assert "All markers were confirmed." in told
    codes = [edge.levels for edge in server.device.edges() if edge.levels]
    assert [{17: 0, 18: 0}.get(code, code) for code in codes] == [3, 9, 0, 96, 9, 0, 96, 5]
    assert "6 steps" in run("node", "timed_sequence.js", server.where, cwd=examples)
    assert [edge.levels for edge in server.device.edges() if edge.levels] == [36] * 3
    told = run("node", "check_wiring.js", server.where, cwd=examples)
    assert told.endswith("All 256 codes of lines 0, 1, 2, 3, 4, 5, 6, 7 came back right.\n")


def test_the_example_finds_a_fault(serve) -> None:
    server = serve("open:3")
    told = run("node", "check_wiring.js", server.where, cwd=CLIENT / "examples", code=1)
    assert "line 3: always low" in told


def test_the_readme_shows_what_works(serve, tmp_path: Path) -> None:
    """The first program of the README runs, with other names of the port and the log."""
    server = serve()
    server.device.edges()
    readme = (CLIENT / "README.md").read_text(encoding="utf-8")
    program = re.findall(r"```js\n(.*?)```", readme, re.S)[0]
    assert "'/dev/ttyACM0'" in program
    assert "'session.jsonl'" in program
    log = tmp_path / "session.jsonl"
    program = program.replace("/dev/ttyACM0", server.where).replace("session.jsonl", str(log))
    run("node", "--input-type=module", "--eval", program)
    assert [edge.levels for edge in server.device.edges() if edge.levels] == [9, 17, 96]
    assert log.exists()


def test_the_program_of_the_delay_bench(serve) -> None:
    server = serve()
    begin = time.monotonic_ns()
    told = run("node", str(ROOT / "tests/bench/way_node.mjs"), server.where, "20", "1500")
    times = [int(line) for line in told.split()]
    assert len(times) == 20
    of_one_clock = [begin, *times, time.monotonic_ns()]
    assert of_one_clock == sorted(of_one_clock)
