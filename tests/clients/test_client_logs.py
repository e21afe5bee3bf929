"""The marker logs of the clients in C, MATLAB's language and JavaScript: what they hold is what was
on the lines, schema and library take them, and no kill and no full disk harms them."""

from __future__ import annotations

import fcntl
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from c_library import FOLDER, compile_c
from full_disk import fill, free, records
from independent_bdf_writer import write_bdf
from log_schema import validator

from tallymark import Box
from tallymark.box.settings import Settings
from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import REQUESTS, SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import Notice, Request
from tallymark.markerlog import read

HERE = Path(__file__).parent
CLIENT = HERE.parents[1] / "host" / "matlab"
TOOL = (sys.executable, "-c", "from tallymark.cli import main; main()")
CODES = [17, 96, 3, 3, 0, 9, 5, *range(1, 41)]


@pytest.fixture(scope="module", params=["c", "octave", "node"])
def program(request, tmp_path_factory) -> list[str]:
    """Runs the session; where, log and kind follow."""
    if request.param == "c":
        made = tmp_path_factory.mktemp("c_log") / "session"
        sources = (FOLDER / "tallymark.c", FOLDER / "tallymark_log.c")
        compile_c(made, "-O1", "-g", "-fsanitize=address,undefined", HERE / "c_log.c", *sources)
        return [str(made)]
    if request.param == "octave":
        script = tmp_path_factory.mktemp("octave") / "session.m"
        script.write_text(
            f"addpath('{CLIENT}', '{HERE}'); warning('off', 'backtrace'); given = argv();\n"
            "exit(log_session(given{1}, given{2}, given{3}));\n"
        )
        return ["octave-cli", "--quiet", "--no-init-file", str(script)]
    request.getfixturevalue("node_packages")
    return ["node", str(HERE / "node" / "log_session.mjs")]


@contextmanager
def running(program: list[str], *given: object) -> Iterator[subprocess.Popen[str]]:
    """The session, as soon as box and log are open."""
    process = subprocess.Popen([*program, *map(str, given)], text=True,
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "open\n", process.communicate()
        yield process
    finally:
        process.kill()
        process.communicate()


def whole_session(program: list[str], where: str, log: Path, kind: str = "session") -> None:
    run = subprocess.run([*program, where, str(log), kind], capture_output=True, text=True,
                         timeout=120)
    assert run.returncode == 0, run.stdout + run.stderr


def tallymark(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*TOOL, *map(str, arguments)], capture_output=True, text=True)


def onsets(device) -> list[tuple[int, int]]:
    """(box time, code) of what went out: idle is low."""
    return [(edge.time_us, edge.levels) for edge in device.edges() if edge.time_us > 0]


@pytest.fixture
def session(program, serve, tmp_path):
    """The log of a whole session, and what was on the lines meanwhile."""
    server, log = serve(), tmp_path / "session.jsonl"
    whole_session(program, server.where, log)
    return log, onsets(server.device)


def test_each_record_is_as_the_schema_has_it(session):
    log, _ = session
    lines = log.read_bytes().split(b"\n")
    assert lines.pop() == b""
    for line in lines:
        assert not list(validator().iter_errors(json.loads(line))), line
    kinds = [next(iter(json.loads(line))) for line in lines]
    assert kinds[0] == "marker_log"
    assert kinds[-1] == "end"
    assert {"sent", "done", "refused", "ahead"} <= set(kinds)


def test_the_library_reads_what_was_on_the_lines(session):
    log, edges = session
    data = read(log)
    assert data.notes()[:-1] == []
    assert "1 marker made no edge" in data.notes()[-1]
    assert (data.ended, data.torn, data.bad_lines, len(data.headers)) == (True, False, [], 1)
    assert data.header["box"]["serial"] == "0102030405060708"
    assert (data.header["box"]["board"], data.header["box"]["protocol"]) == ("virtual", "2.0")
    settings = data.header["settings"]
    assert (settings["width_us"], settings["lines"], settings["idle"]) == (5000, 255, "low")
    assert (settings["overlap"], settings["byte_mode"], settings["gap_us"]) == ("cut", "pulse", 0)
    assert [marker.code for marker in data.markers] == CODES
    assert (data.markers[0].name, data.markers[1].name) == ('ferry "left"', "fährt ab")
    late = data.markers[6]
    assert (late.fate, late.why) == ("refused", "late")
    assert {marker.fate for marker in data.markers if marker is not late} == {"done"}
    widths = [marker.width_us for marker in data.markers]
    assert widths == [5000, 12000, None, None, None, 5000, 5000, *[2000] * 40]
    assert [marker.stays for marker in data.markers[:6]] == [False, False, True, True, True, False]
    assert [marker.no_edge for marker in data.markers[2:5]] == [False, True, False]
    assert data.markers[5].due_host_us is not None
    out = {(marker.box_us, marker.code) for marker in data.markers
           if marker.fate == "done" and not marker.no_edge}
    assert out <= set(edges)
    assert {edge for edge in edges if edge[1]} == {one for one in out if one[1]}


PROBES = [
    {},
    {"light": "level", "light_threshold": 900, "light_hysteresis": 30, "sound": "edge",
     "ttl": "low"},
    {"light": "steady", "light_threshold": 7, "sound": "level", "sound_threshold": 65535,
     "sound_hysteresis": 12, "ttl": "high"},
    {"light": "edge"},
]  # fmt: skip


@pytest.mark.parametrize("probes", PROBES)
def test_the_header_has_every_setting(program, serve, tmp_path, probes):
    """As the library writes them, a strobe and probes among them."""
    server, theirs, ours = serve(), tmp_path / "theirs.jsonl", tmp_path / "ours.jsonl"
    changed = {"strobe": 7, "strobe_lead_us": 300, "strobe_hold_us": 400, "gap_us": 900} | probes
    with Box.open(server.where) as box:
        box.settings.write(box.settings.read().changed(**changed))
    with Box.open(server.where, log=ours):
        pass
    with running(program, server.where, theirs, "session"):
        pass
    assert read(theirs).header["settings"] == read(ours).header["settings"]
    assert read(theirs).header["settings"]["strobe"] == 128


def test_no_width_of_before_a_start_that_nobody_heard(program, lossy, tmp_path):
    """It put the kept settings in force: a byte that shows it has a width that nobody knows yet."""
    written = SETTINGS_RECORD.parse(Settings(width_us=9_000).pack())
    lossy.inject(frame(Request.SETTINGS_WRITE, 1, REQUESTS[Request.SETTINGS_WRITE].build(written)))
    log = tmp_path / "bytes.jsonl"
    with running(program, lossy.where, log, "bytes") as process:
        lossy.loses_answer = lambda kind, tag: kind == Notice.STARTED
        lossy.device.start()
        lossy.device.byte_input(b"\7")
        assert process.wait(timeout=60) == 0
    found = records(log)
    assert found[0]["settings"]["width_us"] == 9_000
    (byte,) = [each for each in found if "byte" in each]
    assert byte["width"] is None
    assert "stays" not in byte
    (sent,) = [each for each in found if "sent" in each]
    assert sent["width"] == 5_000
    assert [next(iter(each)) for each in found].count("restart") == 1


def test_host_times_hold_by_their_bounds(session):
    """The virtual box counts the microseconds of this computer's clock: one offset fits all."""
    log, _ = session
    done = [one for one in records(log) if "done" in one]
    low = max(one["host"] - one["error"] - one["box"] for one in done)
    high = min(one["host"] + one["error"] - one["box"] for one in done)
    assert low <= high + 2000  # rates of the two clocks, over the length of the session
    assert all(0 < one["error"] < 1_000_000 for one in done)
    sent = {one["sent"]: one["host"] for one in records(log) if "sent" in one}
    assert all(sent[one["done"]] <= one["host"] + one["error"] for one in done)


def test_a_sequence_is_not_in_it_and_a_delay_is_the_box_s_own(program, serve, tmp_path):
    """As in the library's log: 'delay' is that of a gap, of which a box has none to tell where a
    marker came after its time."""
    server, log = serve(), tmp_path / "ahead.jsonl"
    whole_session(program, server.where, log, "ahead")
    kinds = [next(iter(one)) for one in records(log)]
    assert kinds == ["marker_log", "sent", "done", "sent", "done", "end"]
    assert [(one.code, one.fate, one.delay_us) for one in read(log).markers] == [
        (5, "done", None), (9, "done", None),
    ]  # fmt: skip
    assert [code for _, code in onsets(server.device) if code] == [5, *[1, 2] * 3, 9]


def recorded(path: Path, edges: list[tuple[int, int]]) -> Path:
    """What an amplifier would have recorded at 4,096 Hz, written by an independent library."""
    rate = 4096
    values = np.zeros(rate * (edges[-1][0] // 1_000_000 + 2), np.int32)
    for time_us, code in edges:
        values[time_us * rate // 1_000_000 :] = code
    return write_bdf(path, values, rate)


def test_the_check_takes_it(session, tmp_path):
    log, edges = session
    whole = tallymark("check", recorded(tmp_path / "whole.bdf", edges), log, "--json")
    told = json.loads(whole.stdout)["markers"]
    assert len(told) == sum(code > 0 for code in CODES) - 1  # that which was refused
    fates = {each["number"]: each["fate"] for each in told}
    # A receiver sees one code where the second marker had no edge.
    assert (fates.pop(3), fates.pop(4)) in (("arrived", "merged"), ("merged", "merged"))
    assert set(fates.values()) == {"arrived"}
    missing = next(at for at, (_, code) in enumerate(edges) if code == 22)
    lacks = edges[:missing] + edges[missing + 2 :]
    cut = tallymark("check", recorded(tmp_path / "cut.bdf", lacks), log, "--json")
    assert cut.returncode == 12  # markers missing
    told = json.loads(cut.stdout)["markers"]
    assert [each["code"] for each in told if each["fate"] == "missed"] == [22]


def test_the_comparison_with_a_plan_takes_it(session, tmp_path):
    log, _ = session
    plan = tmp_path / "plan.toml"
    events = "".join(
        f'[[event]]\nname = "e{code}"\ncode = {code}\ncount = {CODES.count(code)}\n'
        for code in sorted(set(CODES) - {0})
    )
    plan.write_text(f'name = "Ferry"\n\n[session]\nwidth_us = 2000\n\n{events}')
    compared = tallymark("log", "compare", log, plan, "--json")
    assert compared.returncode == 1, compared.stdout + compared.stderr
    kinds = {finding["kind"] for finding in json.loads(compared.stdout)["wrong"]}
    assert kinds == {"refused", "width", "never idle"}


def test_a_kill_loses_nothing(program, serve, tmp_path):
    server, log = serve(), tmp_path / "killed.jsonl"
    with running(program, server.where, log, "endless") as process:
        end = time.monotonic() + 30
        while len(records(log)) < 100 and time.monotonic() < end:
            time.sleep(0.02)
        process.kill()
        process.wait()
    data = read(log)
    assert not data.bad_lines
    assert not data.ended
    assert any("killed" in note for note in data.notes())
    sent = [marker.code for marker in data.markers]
    end = time.monotonic() + 10  # the system still holds some for the box
    on_lines: list[int] = []
    while len(on_lines) < len(sent) - 1 and time.monotonic() < end:
        time.sleep(0.1)
        on_lines += [code for _, code in onsets(server.device) if code]
    assert len(on_lines) > 40
    assert on_lines == sent[: len(on_lines)]  # nothing was sent that is not in the log
    assert len(sent) - len(on_lines) <= 1


def test_nothing_is_overwritten(program, serve, tmp_path):
    log = tmp_path / "mine.jsonl"
    log.write_text("mine")
    run = subprocess.run([*program, serve().where, str(log), "session"], capture_output=True,
                         text=True, timeout=60)
    assert run.returncode == 4
    assert "exists already" in run.stderr
    assert "Nothing was sent" in run.stderr
    assert log.read_text() == "mine"


def test_a_full_disk_stops_no_marker_and_is_told(program, serve, tmp_path):
    server, log = serve(), tmp_path / "full.jsonl"
    process = subprocess.Popen(
        ["bash", "-c", 'trap "" XFSZ; exec "$@"', "bash", *program, server.where, str(log),
         "session"], text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    assert process.stdout.readline() == "open\n", process.communicate()
    end = time.monotonic() + 30
    while not any(one.get("sent") == 12 for one in records(log)) and time.monotonic() < end:
        time.sleep(0.005)
    fill(process.pid, log, 20)
    time.sleep(0.2)
    free(process.pid)
    _, told = process.communicate(timeout=60)
    assert process.returncode == 5
    assert "can't be written" in told
    assert "can be written again" in told
    assert "incomplete" in told
    data = read(log)
    assert data.ended
    assert len(data.lost) == 1
    assert 2 <= data.lost[0].count < 60
    assert data.lost[0].since_us < data.lost[0].until_us
    assert len(data.bad_lines) <= 1  # the torn record has a line of its own
    assert [code for _, code in onsets(server.device) if code] == [
        code for code in CODES[:3] + CODES[5:6] + CODES[7:]
    ]


def test_the_file_is_locked_where_the_client_can(program, serve, tmp_path):
    log = tmp_path / "locked.jsonl"
    with running(program, serve().where, log, "endless"), log.open("rb") as file:
        if "octave" in program[0] or "node" in program[0]:
            return  # their languages have no locks: said in their READMEs
        with pytest.raises(BlockingIOError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
