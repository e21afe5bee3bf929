"""The client in C, through its shared library and in C programs, against the virtual box."""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from itertools import pairwise
from pathlib import Path

import pytest
from c_library import (
    DONE,
    ENDED,
    FOLDER,
    NONE_CUT,
    REFUSED,
    VERDICTS,
    ClientError,
    change,
    codes_of,
    compile_c,
)

from tallymark.box.ports.timebase import host_time_ns

ROOT = Path(__file__).parents[2]
VECTORS = ROOT / "protocol" / "vectors"
SANITIZE = ["-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover"]
SOURCE = FOLDER / "tallymark.c"
EXAMPLE = [FOLDER / "example.c", SOURCE, FOLDER / "tallymark_log.c"]


# Compiling and vectors ---------------------------------------------------------------------------


def test_it_compiles_without_warnings(tmp_path):
    compilers = [name for name in ("gcc", "clang") if shutil.which(name)]
    assert compilers
    for compiler in compilers:
        for source in (SOURCE, FOLDER / "tallymark_log.c"):
            compile_c(tmp_path / "part.o", "-O2", "-c", source, compiler=compiler)
    windows = "x86_64-w64-mingw32-gcc"
    if shutil.which(windows):
        sources = [SOURCE, FOLDER / "tallymark_log.c"]
        library = ["-O2", "-shared", "-DTALLYMARK_DLL", *sources, "-lws2_32"]
        compile_c(tmp_path / "tallymark.dll", *library, compiler=windows)


def test_its_header_is_usable_from_cpp(tmp_path):
    program = tmp_path / "program.cpp"
    program.write_text(
        '#include "tallymark.h"\n'
        "int main() { static tallymark box; return tallymark_open(&box, \"/dev/none\") "
        "== TALLYMARK_ERROR_NO_PORT && tallymark_size() == sizeof box ? 0 : 1; }\n"
    )
    part = compile_c(tmp_path / "part.o", "-c", SOURCE)
    made = compile_c(tmp_path / "program", program, part, compiler="g++")
    assert subprocess.run([made]).returncode == 0


def test_every_vector_under_sanitizers(tmp_path):
    program = Path(__file__).parent / "c_vectors.c"
    made = compile_c(tmp_path / "vectors", *SANITIZE, program, "-lcjson")
    run = subprocess.run([made, VECTORS], capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    told = dict(line.split() for line in run.stdout.splitlines())
    rows = {name: json.loads((VECTORS / f"{name}.json").read_text())
            for name in ("frames", "broken", "dialogues")}
    expected = {name: len(each) for name, each in rows.items()}
    steps = [step for row in rows["dialogues"] for step in row["steps"]]
    expected["messages"] = sum("wire" in step for step in steps)
    expected["accepted"] = sum(step.get("answer") == "accepted" for step in steps)
    expected["edges"] = sum(step.get("notice") == "marker_edge" for step in steps)
    assert {name: int(count) for name, count in told.items()} == expected


def test_noise_does_no_harm_under_sanitizers(tmp_path):
    made = compile_c(tmp_path / "noise", *SANITIZE, Path(__file__).parent / "c_noise.c")
    run = subprocess.run([made], capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.parametrize("sanitize", [[], SANITIZE], ids=["plain", "sanitized"])
def test_the_example_runs(tmp_path, server, sanitize):
    made = compile_c(tmp_path / "example", *sanitize, *EXAMPLE)
    server.device.edges()
    run = subprocess.run([made, server.where], capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    assert codes_of(server.device) == [3, 17, 65, 17, 65, 17, 65, 5]
    assert run.stdout.count("is done at box time") == 8


def test_the_example_says_what_is_wrong(tmp_path):
    made = compile_c(tmp_path / "example", *EXAMPLE)
    run = subprocess.run([made, "/dev/no-such-port"], capture_output=True, text=True)
    assert run.returncode == 3
    assert "There is no port /dev/no-such-port" in run.stderr


def test_the_program_in_the_readme_runs(tmp_path, server):
    readme = (FOLDER / "README.md").read_text()
    text = readme.split("```c\n")[1].split("```")[0]
    assert "/dev/ttyACM0" in text
    program = tmp_path / "program.c"
    program.write_text(text.replace("/dev/ttyACM0", server.where))
    made = compile_c(tmp_path / "program", program, SOURCE)
    server.device.edges()
    assert subprocess.run([made]).returncode == 0
    assert codes_of(server.device) == [17]


def test_the_program_for_the_bench(tmp_path, server):
    made = compile_c(tmp_path / "way", ROOT / "tests" / "bench" / "way_c.c", SOURCE)
    before = time.monotonic_ns()
    run = subprocess.run([made, server.where, "20", "2000"], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    times = [int(line) for line in run.stdout.split()]
    assert len(times) == 20
    assert before < times[0] < times[-1] < time.monotonic_ns()


# Markers -----------------------------------------------------------------------------------------


def test_pulse_width_and_set_are_what_the_lines_do(library, server):
    with library.open(server.where) as box:
        assert (box.identity.window, box.identity.history, box.identity.board) == (440, 64, 1)
        server.device.edges()
        first = box.wait(box.pulse(42))
        time.sleep(0.01)
        wide = box.wait(box.pulse(7, 20_000))
        time.sleep(0.03)
        held = box.wait(box.set(129))
        assert box.levels().readback == 129
        idle = box.wait(box.set(0))
        edges = [(edge.time_us, edge.levels) for edge in server.device.edges()]
    assert edges == [
        (first.box_time_us, 42), (first.box_time_us + 5_000, 0),
        (wide.box_time_us, 7), (wide.box_time_us + 20_000, 0),
        (held.box_time_us, 129), (idle.box_time_us, 0),
    ]  # fmt: skip
    assert [(m.number, m.outcome, m.code) for m in (first, wide, held, idle)] == [
        (1, DONE, 42), (2, DONE, 7), (3, DONE, 129), (4, DONE, 0)
    ]  # fmt: skip
    assert first.cut_us == NONE_CUT
    assert first.delay_us == first.held_back_us == first.by_fate == 0


def test_two_thousand_pulses_in_a_row_all_go_out(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        numbers = [box.pulse(k % 255 + 1) for k in range(2000)]
        assert numbers == list(range(1, 2001))
        assert box.wait_all() == 0
        totals = box.totals
        assert (totals.sent, totals.done, totals.open) == (2000, 2000, 0)
        assert box.counters().input_lost == 0
        assert codes_of(server.device) == [k % 255 + 1 for k in range(2000)]
        newest = [box.marker(number) for number in range(2000 - 1023, 2001)]
        tags = [marker.tag for marker in newest]
        assert all(b == a % 255 + 1 for a, b in pairwise(tags))
        assert {min(tags), max(tags)} == {1, 255}
        with pytest.raises(ClientError, match="newest 1024 are kept"):
            box.marker(1)


def test_a_marker_that_does_not_fit_waits_and_tells_so(library, lossy):
    with library.open(lossy.where) as box:
        box.wait(box.pulse(1))
        lossy.loses_answer = lambda kind, tag: kind in (0x80, 0x81)
        for _ in range(60):
            box.pulse(2)
        assert box.wait_all() == 0
        markers = [box.marker(number) for number in range(2, 62)]
        held = [marker for marker in markers if marker.held_back_us]
        assert len(held) == box.totals.held_back > 0
        # the box remembers 64 requests: those that might push the first one out had to wait
        assert held[0].number - markers[0].number >= 50
        assert "held back in this computer" in box.describe(held[0].number)
        assert markers[0].by_fate == 1


def test_no_more_bytes_are_on_their_way_than_the_window_holds(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: True
        for _ in range(440 // 11):
            box.pulse(1, 1_000)
        assert box.totals.held_back == 0
        box.pulse(1, 1_000)
        assert box.totals.held_back == 1


def test_the_callback_misses_no_marker(library, server):
    seen = []
    with library.open(server.where) as box:
        ended = ENDED(lambda _user, marker: seen.append((marker[0].number, marker[0].outcome)))
        box.on_end(ended)
        for _ in range(1500):
            box.pulse(1)
        assert box.wait_all() == 0
        assert seen == [(number, DONE) for number in range(1, 1501)]


def test_the_next_program_goes_on_with_the_next_tag(library, server):
    with library.open(server.where) as box:
        last = [box.wait(box.pulse(1)).tag for _ in range(5)][-1]
    with library.open(server.where) as box:
        assert box.identity.newest_tag == last
        marker = box.wait(box.pulse(2))
        assert marker.outcome == DONE
        assert marker.tag == last + 3  # session and settings took the tags between


def test_a_cut_is_noted(library, server):
    with library.open(server.where) as box:
        first = box.pulse(1, 500_000)
        time.sleep(0.02)
        marker = box.wait(box.pulse(2))
        lasted = marker.box_time_us - box.wait(first).box_time_us
        assert marker.cut_us == lasted >= 20_000
        assert f"cut an earlier pulse, which lasted {lasted} us" in box.describe(2)


def test_a_delay_by_the_gap_is_noted_and_waited_for(library, server):
    change(server, gap_us=700_000, width_us=1_000)
    with library.open(server.where) as box:
        assert box.settings().gap_us == 700_000
        first = box.wait(box.pulse(1))
        time.sleep(0.01)
        number = box.pulse(2)
        box.poll(100)
        refused = box.wait(box.pulse(3))
        assert refused.outcome == REFUSED
        assert refused.reason == 9
        marker = box.wait(number)
        assert (marker.outcome, marker.by_fate) == (DONE, 0)
        assert marker.box_time_us - (first.box_time_us + 1_000) == 700_000
        assert 0 < marker.delay_us < 700_000
        assert "for the gap" in box.describe(number)
        cancelled = box.pulse(4)
        box.wait(box.set(0))
        assert (box.wait(cancelled).outcome, box.wait(cancelled).reason) == (REFUSED, 19)


def test_refused_codes_say_why_and_what_to_do(library, server):
    change(server, lines=0x3F, overlap="refuse")
    with library.open(server.where) as box:
        outside = box.pulse(64)
        box.pulse(1, 200_000)
        overlap = box.pulse(2)
        wide = box.pulse(1, 4_000_000_000)
        assert box.wait_all() == 3
        assert box.text.startswith("3 of 4 markers not done: number 1 (code 64, outside lines),")
        assert [box.marker(n).reason for n in (outside, overlap, wide)] == [6, 8, 7]
        text = box.describe(outside)
        assert "not in the recording" in text
        assert "Choose another code" in text
        assert box.wait_all() == 0
        assert box.text == ""
    assert codes_of(server.device) == [1]


@pytest.mark.parametrize("code", [-1, 256, 1000])
def test_codes_out_of_range_are_not_sent(library, server, code):
    with library.open(server.where) as box:
        server.device.edges()
        for call in (box.pulse, box.set, lambda code: box.pulse(code, 1000)):
            with pytest.raises(ClientError, match="out of range") as caught:
                call(code)
            assert caught.value.name == "BAD_VALUE"
        with pytest.raises(ClientError, match="for idle, set code 0"):
            box.pulse(0)
        assert box.totals.sent == 0
    assert server.device.edges() == []


def test_questions(library, server):
    with library.open(server.where) as box:
        box.wait(box.pulse(1))
        clock = box.clock()
        assert clock.sent_ns < clock.received_ns < host_time_ns()
        counters = box.counters()
        assert (counters.markers, counters.frames_broken) == (1, 0)
        assert counters.box_time_us > clock.box_time_us
        server.device.byte_input(b"A")
        deadline = time.monotonic() + 5
        while box.totals.byte_markers == 0 and time.monotonic() < deadline:
            box.poll(10)
        assert box.totals.byte_markers == 1


# Sequences ---------------------------------------------------------------------------------------


def test_a_sequence_plays_as_it_was_loaded(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        started = box.marker(box.sequence([(1, 1_000), (2, 2_500), (4, 700)], repeats=4))
        with pytest.raises(ClientError, match="sequence plays") as caught:
            box.selftest()
        assert caught.value.name == "PLAYING"
        ended = box.sequence_wait(5_000)
        edges = [(edge.time_us, edge.levels) for edge in server.device.edges()]
    expected, now = [], started.box_time_us
    for code, hold_us in [(1, 1_000), (2, 2_500), (4, 700)] * 4:
        expected.append((now, code))
        now += hold_us
    assert edges == [*expected, (now, 0)]
    assert (ended.state, ended.played, ended.ended_us) == (3, 12, now)


def test_the_longest_sequence_and_one_step_more(library, server):
    with library.open(server.where) as box:
        steps = [(k % 255 + 1, 20) for k in range(1024)]
        server.device.edges()
        box.sequence(steps)
        assert box.sequence_wait(5_000).played == 1024
        assert codes_of(server.device) == [code for code, _ in steps]
        with pytest.raises(ClientError, match="1 to 1024 steps"):
            box.sequence([*steps, (1, 20)])


def test_a_sequence_can_be_stopped_and_refused(library, server):
    with library.open(server.where) as box:
        box.sequence([(1, 50_000), (2, 50_000)], repeats=0)
        assert box.sequence_look().state == 2
        with pytest.raises(ClientError, match="still plays"):
            box.sequence_wait(20)
        assert box.wait(box.pulse(9)).reason == 10
        with pytest.raises(ClientError, match="Stop it first"):
            box.sequence([(1, 1_000)])
        assert box.sequence_stop().state == 4
        assert box.levels().outputs == 0
        with pytest.raises(ClientError, match="width range"):
            box.sequence([(1, 1_000), (1, 0), (1, 1_000)])
        box.set(1)
        with pytest.raises(ClientError, match="lines busy") as caught:
            box.sequence([(1, 1_000)])
        assert caught.value.name == "REFUSED"
        box.set(0)


# Self-test ---------------------------------------------------------------------------------------

FAULTS = {
    (): (256, {}),
    ("open:3",): (128, {3: "always low"}),
    ("stuck-high:2",): (128, {2: "always high"}),
    ("swapped:0,1",): (128, {0: "shows 1", 1: "shows 0"}),
    ("inverted:5",): (0, {5: "inverted"}),
    ("bridged-or:1,4",): (128, {1: "high with 4", 4: "high with 1"}),
    ("bridged-and:1,4",): (128, {1: "low with 4", 4: "low with 1"}),
    ("unplugged",): (1, dict.fromkeys(range(8), "always low")),
    ("slow:5,200us,300us",): (256, {}),
}


@pytest.mark.parametrize("faults", FAULTS, ids=lambda faults: "+".join(faults) or "straight")
def test_the_selftest_names_what_is_wrong(library, serve, faults):
    server = serve(*faults)
    right, wrong = FAULTS[faults]
    with library.open(server.where) as box:
        server.device.edges()
        result = box.selftest()
        assert sorted({edge.levels for edge in server.device.edges()}) == list(range(256))
        assert (result.tried, result.right) == (256, right)
        found = {}
        for line, verdict in enumerate(result.verdict):
            word = VERDICTS[verdict]
            found[line] = f"{word} {result.other[line]}" if verdict in (5, 6, 7) else word
        assert found == {line: wrong.get(line, "good") for line in range(8)}
        text = result.text.decode()
        assert text.startswith(f"{right} of 256 codes came back right")
        assert ("run 'tallymark selftest' for the pins" in text) == bool(wrong)
        assert ("is the loopback plugged in?" in text) == (faults == ("unplugged",))
        assert server.device.outputs == 0


def test_the_selftest_minds_lines_idle_level_and_what_is_going_on(library, server):
    change(server, lines=0x0F, idle="high")
    with library.open(server.where) as box:
        box.set(1)
        with pytest.raises(ClientError, match="code is held") as caught:
            box.selftest()
        assert caught.value.name == "NOT_IDLE"
        box.set(0)
        result = box.selftest()
        assert (result.tried, result.right) == (16, 16)
        assert [VERDICTS[verdict] for verdict in result.verdict] == ["good"] * 4 + ["not used"] * 4
        assert server.device.outputs == 0xFF


def test_a_strobe_is_told_and_its_line_is_not_called_good(library, server):
    change(server, strobe=7, strobe_lead_us=300, strobe_hold_us=400)
    with library.open(server.where) as box:
        server.device.edges()
        told = box.settings()
        assert (told.strobe, told.strobe_lead_us, told.strobe_hold_us) == (128, 300, 400)
        assert (told.probes, told.name) == (0, b"")
        with pytest.raises(ClientError, match="have a strobe, whose line no code can drive") as no:
            box.selftest()
        assert no.value.name == "REFUSED"
        assert server.device.edges() == []
        refused = box.wait(box.pulse(129))
        assert (refused.outcome, refused.reason, refused.detail) == (REFUSED, 6, 127)
        assert "or that is the strobe" in box.describe(refused.number)


def test_a_selftest_that_breaks_off_leaves_the_lines_idle(library, lossy):
    with library.open(lossy.where) as box:
        asked = []

        def loses(kind: int, tag: int) -> bool:
            asked.append(kind)
            return kind == 0x04 and asked.count(0x04) >= 40

        lossy.loses_request = loses
        with pytest.raises(ClientError, match="did not come"):
            box.selftest()
        assert lossy.device.outputs == 0
