"""`tallymark accept`: from the question to the record, on a virtual pair."""

from __future__ import annotations

import io
import json
import subprocess
from pathlib import Path

import pytest
from command_result import STEPPED, Run

from tallymark import Box
from tallymark.cli import exit_codes
from tallymark.common.errors import PortGone, PortNotFound
from tallymark.verification.acceptance import box_and_witness, procedure
from tallymark.verification.acceptance.step import STEPS
from tallymark.verification.acceptance.stimulus_driver import Driver
from tallymark.virtual.box_and_witness_pair import VirtualPair

ANALYSER = ("--rate", "1e6", "--clock-ppm", 50)


@pytest.fixture(autouse=True)
def nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody answers questions unless a test says so."""
    answer(monkeypatch)


def answer(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def states(content: dict) -> dict[str, str]:
    return {name: step["state"] for name, step in content["steps"].items()}


def but(**others: str) -> dict[str, str]:
    """States of a good virtual box, but for some."""
    good = {**dict.fromkeys(STEPS, "passed"), "supply": "does not apply"}
    return {**good, **{name.replace("_", " "): state for name, state in others.items()}}


def test_a_good_box(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "box.json"
    ran = run("accept", file, "--box", STEPPED, "--witness", "virtual", "--by", "Ünal")
    assert ran.code == 0
    assert "Accepted: every step that applies passed" in ran.out
    assert "Measured in simulation: a virtual box says nothing about a board" in ran.out
    content = json.loads(file.read_text())
    assert states(content) == but()
    assert (content["by"], content["measured"], content["outcome"]) == (
        "Ünal", "in simulation", "passed"
    )
    assert content["box"]["serial"] == "7669727475616C01"
    assert content["witness"]["serial"] == "7669727475616C02"
    width = next(f for f in content["steps"]["widths"]["figures"] if "5 ms" in f["what"])
    assert (width["value"], width["unit"], width["verdict"]) == (5_000, "µs", "passed")
    assert width["least"] < 5_000 - width["bound"]
    shown = run("accept", file, "--show", "--json")
    assert (shown.code, shown.json) == (0, content)


@pytest.mark.parametrize(
    ("fault", "failed", "words"),
    [
        ("swapped:1,4", {"self-test", "lines"}, "Lines 1 and 4 are swapped"),
        ("open:3", {"self-test", "lines", "widths"}, "Input 3 always reads low"),
        ("slow:3,20us,20us", {"skew"}, "line 3 changes 20 µs after line 0"),
    ],
)
def test_a_fault_is_found_and_named(
    run: Run, tmp_path: Path, fault: str, failed: set[str], words: str
) -> None:
    ran = run("accept", tmp_path / "box.json", "--box", f"{STEPPED}&fault={fault}",
              "--witness", "virtual")
    assert ran.code == exit_codes.NOT_GOOD
    assert words in ran.out
    content = json.loads((tmp_path / "box.json").read_text())
    assert {name for name, state in states(content).items() if state == "failed"} == failed


def test_a_run_that_broke_off_goes_on(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "box.json"
    args = ("accept", file, "--box", STEPPED, "--witness", "virtual")
    with monkeypatch.context() as broken:
        def lost(driver: Driver) -> None:
            raise PortGone("port", "The plug is out.")

        broken.setattr(Driver, "hold", lost)
        ran = run(*args)
        assert ran.code == exit_codes.CONNECTION
        assert "The plug is out" in ran.err
    content = json.loads(file.read_text())
    assert (content["outcome"], content["steps"]["lines"]["state"]) == ("unfinished", "passed")
    assert run("accept", file, "--show").code == exit_codes.NOT_KNOWN
    monkeypatch.setattr(Driver, "pattern", lambda driver: pytest.fail("it was done"))
    ran = run(*args)
    assert ran.code == 0
    assert "7 of 10 steps are done, the others follow" in ran.words
    assert states(json.loads(file.read_text())) == but()


def test_a_step_done_again_keeps_its_earlier_result(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "box.json"
    args = ("accept", file, "--witness", "virtual", "--box")
    assert run(*args, f"{STEPPED}&fault=slow:3,20us,20us").code == exit_codes.NOT_GOOD
    assert run(*args, STEPPED).code == exit_codes.NOT_GOOD, "a failed step is not done again"
    assert run(*args, STEPPED, "--again", "skew").code == 0
    skew = json.loads(file.read_text())["steps"]["skew"]
    assert run(*args, STEPPED, "--again", "hold-limit").code == 0
    assert [skew["state"], *(step["state"] for step in skew["earlier"])] == ["passed", "failed"]


def test_a_record_of_another_box(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "box.json"
    run("accept", file, "--box", STEPPED, "--witness", "virtual")
    ran = run("accept", file, "--box", f"{STEPPED}&serial=00112233AABBCCDD", "--witness", "virtual",
              "--again", "start")
    assert ran.code == exit_codes.BAD_INPUT
    assert "is the record of a box with serial 7669727475616C01" in ran.words


def test_a_record_that_was_changed(run: Run, tmp_path: Path) -> None:
    file = tmp_path / "box.json"
    run("accept", file, "--box", f"{STEPPED}&fault=open:3", "--witness", "virtual")
    file.write_text(file.read_text().replace("failed", "passed"))
    ran = run("accept", file, "--show")
    assert ran.code == exit_codes.BAD_INPUT
    assert "was changed after it was written" in ran.words


def test_a_signature(run: Run, tmp_path: Path) -> None:
    file, key = tmp_path / "box.json", tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    args = ("accept", file, "--box", STEPPED, "--witness", "virtual")
    assert run(*args, "--sign", key).code == 0
    ran = run("accept", file, "--show")
    assert ran.code == 0
    prints = subprocess.run(["ssh-keygen", "-l", "-f", key], check=True, capture_output=True)
    assert prints.stdout.decode().split()[1] in ran.out
    signers = tmp_path / "signers"
    signers.write_text(f"lab@ferry.example {(tmp_path / 'key.pub').read_text()}")
    verify = ["ssh-keygen", "-Y", "verify", "-f", str(signers), "-I", "lab@ferry.example", "-n",
              "tallymark-acceptance", "-s", f"{file}.sig"]
    assert subprocess.run(verify, input=file.read_bytes(), check=False).returncode == 0
    again = run(*args, "--again", "start")
    assert again.code == exit_codes.BAD_INPUT
    assert "is signed, so it stays as it is" in again.words
    other = tmp_path / "other.json"
    run("accept", other, "--box", STEPPED, "--witness", "virtual")
    (tmp_path / "other.json.sig").write_bytes((tmp_path / "box.json.sig").read_bytes())
    ran = run("accept", other, "--show")
    assert ran.code == exit_codes.BAD_INPUT
    assert "The signature does not fit the record" in ran.words


def test_a_trace_as_witness(run: Run, tmp_path: Path) -> None:
    file, trace = tmp_path / "box.json", tmp_path / "box.vcd"
    ran = run("accept", file, "--box", STEPPED, "--trace", trace, *ANALYSER)
    assert ran.code == 0
    content = json.loads(file.read_text())
    assert states(content) == but(latency="does not apply")
    assert content["steps"]["clock"]["trace"]["file"] == "box.vcd"


def test_a_trace_that_comes_later_and_one_of_another_run(run: Run, tmp_path: Path) -> None:
    good, bad = tmp_path / "good.json", tmp_path / "bad.json"
    first, second, kept = tmp_path / "1.vcd", tmp_path / "2.vcd", tmp_path / "kept.vcd"
    assert run("accept", good, "--box", STEPPED, "--trace", first, *ANALYSER).code == 0
    assert run(
        "accept", bad, "--box", f"{STEPPED}&fault=swapped:1,4", "--trace", second, *ANALYSER
    ).code == exit_codes.NOT_GOOD
    late = tmp_path / "late.json"
    # The analyser's file is not there yet when the lines have moved.
    other = tmp_path / "other" / "3.vcd"
    other.parent.mkdir()
    args = ("accept", late, "--box", STEPPED, *ANALYSER, "--trace")
    saved = box_and_witness.VirtualBoxes.analyser
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            box_and_witness.VirtualBoxes, "analyser", lambda self, path, say: saved(self, kept, say)
        )
        ran = run(*args, other)
    assert ran.code == exit_codes.NOT_KNOWN
    assert "does not exist yet. Save it and give the same command again" in ran.words
    ran = run(*args, first)
    assert ran.code == exit_codes.NOT_KNOWN, "the trace of another run proves nothing"
    assert "was not found among what the witness saw" in " ".join(ran.out.split())
    ran = run(*args, kept)
    assert ran.code == 0


def test_a_trace_that_was_there_before(run: Run, tmp_path: Path) -> None:
    trace = tmp_path / "old.vcd"
    trace.write_text("")
    ran = run("accept", tmp_path / "a.json", "--box", STEPPED, "--trace", trace, *ANALYSER)
    assert ran.code == exit_codes.BAD_INPUT
    assert "exists before the lines have moved" in ran.words


@pytest.mark.parametrize(
    ("args", "words"),
    [
        ((), "Name one witness"),
        (("--witness", "virtual", "--trace", "a.vcd"), "Name one witness"),
        (("--trace", "a.vcd"), "With --trace, give --rate"),
        (("--witness", "virtual", "--rate", "1e6"), "belong to --trace"),
        (("--trace", "a.vcd", *ANALYSER, "--channels", "a,b"), "takes eight different names"),
        (("--witness", "/dev/null"), "seen by a virtual witness only"),
        (("--witness", "virtual", "--volts", "five"), "'five' is not a voltage"),
    ],
)
def test_bad_input(
    run: Run, tmp_path: Path, args: tuple[object, ...], words: str
) -> None:
    ran = run("accept", tmp_path / "a.json", "--box", STEPPED, *args)
    assert ran.code == exit_codes.BAD_INPUT
    assert words in ran.words
    assert not (tmp_path / "a.json").exists()


class Bench:
    """A virtual pair that looks like two real boxes, and a person who pulls the plug."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, pulls: bool = True) -> None:
        self.pair = VirtualPair(STEPPED)
        self.pulls = pulls
        self.told: list[str] = []
        monkeypatch.setattr(procedure, "VIRTUAL", "")
        monkeypatch.setattr(box_and_witness.Box, "open", self.open)
        monkeypatch.setattr(box_and_witness, "PATIENCE_S", 2.0)
        cut = box_and_witness.RealBoxes.cut_power
        monkeypatch.setattr(
            box_and_witness.RealBoxes, "cut_power", lambda real, say: cut(real, self.said_by(say))
        )

    def open(self, where: str, progress: object = None) -> Box:
        if where == "first" and not self.pair._powered:
            raise PortNotFound(where, "No such port.")
        return Box(self.pair.first if where == "first" else self.pair.witness)

    def said_by(self, say):
        def said(text: str) -> None:
            say(text)
            if self.pulls and text.startswith("Pull"):
                self.pair.pull_plug()
            elif self.pulls and text.startswith("Put"):
                self.pair.plug_in()

        return said


REAL = ("--box", "first", "--witness", "second")


def test_a_person_with_two_boxes(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Bench(monkeypatch)
    monkeypatch.setattr(procedure, "fits", lambda kind, board: True)
    answer(monkeypatch, "5.1 volts", "5.02", "3,31 V", "yes")
    file = tmp_path / "box.json"
    ran = run("accept", file, *REAL, "--kind", "board-pico")
    assert ran.code == 0, ran.err
    for words in ("+5V to GND, in V (must be 4.5 to 5.25 V)", "'5.1 volts' is not a voltage",
                  "Nobody may be wired to anything", "Pull the USB plug of the box now",
                  "Put the plug in again"):
        assert words in ran.words
    content = json.loads(file.read_text())
    assert set(states(content).values()) == {"passed"}
    assert [f["value"] for f in content["steps"]["supply"]["figures"]] == [5.02, 3.31]
    assert "Read by a person" in content["steps"]["supply"]["notes"][0]


def test_no_line_moves_before_the_person_is_ready(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Bench(monkeypatch)
    monkeypatch.setattr(procedure, "fits", lambda kind, board: True)
    monkeypatch.setattr(procedure, "run_selftest", lambda *_: pytest.fail("a line moved"))
    answer(monkeypatch, "no")
    ran = run("accept", tmp_path / "box.json", *REAL, "--kind", "board-nano", "--volts", "5.0")
    assert ran.code == exit_codes.BAD_INPUT
    assert "No line was moved" in ran.words


def test_a_plug_that_nobody_pulls(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(monkeypatch, pulls=False)
    ran = run("accept", tmp_path / "box.json", *REAL, "--ready")
    assert ran.code == exit_codes.NOT_KNOWN
    content = json.loads((tmp_path / "box.json").read_text())
    assert content["steps"]["supply"]["state"] == "not done"
    assert content["steps"]["power cut"]["state"] == "not known"
    assert bench.pair.first.device.outputs == 0


def test_settings_are_restored(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(monkeypatch)
    with Box(bench.pair.first) as box:
        box.settings.install(box.settings.read().changed(gap_us=7_000))
    bench.pair.reopened()
    run("accept", tmp_path / "box.json", *REAL, "--ready")
    with Box(bench.pair.reopened()) as box:
        assert box.settings.read().gap_us == 7_000


def test_an_interrupt_takes_the_lines_to_idle(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(monkeypatch)

    def interrupted(box: Box, _progress: object) -> None:
        box.set(255).wait()
        assert bench.pair.first.device.outputs == 255
        raise KeyboardInterrupt

    monkeypatch.setattr(procedure, "run_selftest", interrupted)
    ran = run("accept", tmp_path / "box.json", *REAL, "--ready")
    assert ran.code == exit_codes.INTERRUPTED
    assert bench.pair.first.device.outputs == 0
    assert json.loads((tmp_path / "box.json").read_text())["outcome"] == "unfinished"


def test_box_and_witness_are_two(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Bench(monkeypatch)
    monkeypatch.setattr(
        box_and_witness.Box, "open", lambda *_, **__: Box(VirtualPair(STEPPED).first)
    )
    ran = run("accept", tmp_path / "box.json", *REAL)
    assert ran.code == exit_codes.BAD_INPUT
    assert "are the same box" in ran.words
