"""Signatures as boxes send them: on the lines, in the marker log, by command, by plan."""

from __future__ import annotations

import json
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from page_decoder import decode

from tallymark import Box, MarkerLog, Plan, PlanError, Refused, TallymarkError
from tallymark import plan as plans
from tallymark.box.wire.protocol_enumerations import Reason, Request
from tallymark.cli import main
from tallymark.common.signature import Form, Session, Signed
from tallymark.common.signature.pattern import PULSES
from tallymark.markerlog import LogData, read
from tallymark.monitor import compare_log
from tallymark.virtual import VirtualBox

STEPPED = "virtual://?time=stepped"
HORN = {"name": "horn", "code": 36, "width_us": 5_000}


@pytest.fixture(autouse=True)
def _own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tallymark.box.ports.discovery.user_config_path", lambda name: tmp_path)


def pulses(device: VirtualBox) -> list[tuple[int, int, int]]:
    """(start, code, width) of each pulse on the lines since the last call."""
    return [
        (here.time_us, here.levels, there.time_us - here.time_us)
        for here, there in pairwise(device.edges())
        if here.levels
    ]


def reserved(**receiver: object) -> Plan:
    return plans.from_mapping(
        {"receiver": receiver, "event": [HORN], "signature": {"code": 255}}
    )


@pytest.mark.parametrize(("code", "unit_us"), [(255, 8_000), (129, 16_000)])
def test_the_lines_carry_what_the_page_reads(code: int, unit_us: int) -> None:
    with Box.open(STEPPED) as box:
        box.session = Session(0x4F21A)
        box.port.device.edges()
        one = box.sign(code, unit_us)
        box.pacing.sleep(0.1)
        two = box.sign(code, unit_us)
        seen = pulses(box.port.device)
    assert [(start, c) for start, c, _ in seen] == [
        (at, code) for signed in (one, two) for at in signed.edges_us
    ]
    assert {width for *_, width in seen} == {4 * unit_us}
    times = [float(start) for start, *_ in seen]
    assert decode(times, [code] * 30) == [(0x4F21A, 1, times[0]), (0x4F21A, 2, times[15])]
    assert (one.session, one.count, two.count, one.pulses) == ("4F21A", 1, 2, PULSES)
    assert one.box_us == times[0]


def test_markers_are_refused_meanwhile_and_go_out_afterwards() -> None:
    with Box.open(STEPPED) as box:
        start = box.link.put_start

        def starts(repeats: int) -> Any:
            marker = start(repeats)
            refused.append(box.pulse(3))
            return marker

        refused: list[Any] = []
        box.link.put_start = starts  # type: ignore[method-assign]
        box.sign()
        with pytest.raises(Refused) as error:
            refused[0].wait()
        assert error.value.reason is Reason.PLAYING
        assert box.pulse(3).wait().box_time_us


def test_a_signature_is_refused_while_a_marker_is_out(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.pulse(3, 100_000)
        with pytest.raises(Refused):
            box.sign()
        box.pacing.sleep(0.2)
        assert box.sign().count == 2
    refused, done = read(path).signatures
    assert (refused.fate, refused.box_us, done.fate) == ("refused", None, "done")
    (note,) = read(path).notes()
    assert note.startswith("Signature 1 of the session was not sent: The box refused")


def test_the_log_tells_what_was_sent(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.pacing.sleep(1.0)
        one = box.sign()
        box.pulse(3).wait()
        box.pacing.sleep(1.0)
        two = box.sign(129, 16_000)
    log = read(path)
    assert log.notes() == []
    assert [marker.code for marker in log.markers] == [3]
    assert [(s.signature, s.form, s.count, s.box_us, s.fate, s.pulses) for s in log.signatures] == [
        (signed.signature, signed.form, signed.count, signed.box_us, "done", PULSES)
        for signed in (one, two)
    ]
    first = log.signatures[0]
    assert first.error_us is not None
    assert first.host_us is not None
    assert 0 <= first.host_us - first.sent_host_us < 1_000_000


def test_a_signature_that_somebody_stops_is_told_as_a_part(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box) as log:
        signed = log.signed

        def stop(*args: Any) -> None:
            signed(*args)
            box.pacing.sleep(0.3)
            box.link.ask(Request.SEQUENCE_STOP)

        log.signed = stop  # type: ignore[method-assign]
        box.port.device.edges()
        sent = box.sign()
        count = len(pulses(box.port.device))
    assert 0 < sent.pulses == count < PULSES
    assert len(sent.edges_us) == count
    (one,) = read(path).signatures
    assert (one.fate, one.pulses) == ("done", count)
    (note,) = read(path).notes()
    assert f"was stopped after {count} pulses of 15" in note


def test_a_box_that_starts_again_meanwhile_leaves_it_unconfirmed(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box) as log:
        signed = log.signed

        def fail(*args: Any) -> None:
            signed(*args)
            box.pacing.sleep(0.3)
            box.port.power_failure()

        log.signed = fail  # type: ignore[method-assign]
        with pytest.raises(TallymarkError, match="only a part of it went out"):
            box.sign()
        log.signed = signed  # type: ignore[method-assign]
        assert box.sign().count == 2
    first, second = read(path).signatures
    assert (first.fate, second.fate) == ("unconfirmed", "done")


def test_a_log_that_breaks_off_leaves_the_signature_unconfirmed(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.sign()
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2]))
    (one,) = read(path).signatures
    assert (one.fate, one.box_us) == ("unconfirmed", None)
    assert "may not have been sent" in " ".join(read(path).notes())


@pytest.mark.logs_by_hand
@pytest.mark.parametrize(
    "damage",
    [
        {"session": "4F21"},
        {"session": "00000"},
        {"session": 5},
        {"code": 0},
        {"code": 256},
        {"unit": 9_000},
        {"signature": 0},
        {"signature": True},
        {"host": None},
    ],
)
def test_a_damaged_record_counts_as_unreadable(tmp_path: Path, damage: dict[str, Any]) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.sign()
        box.pulse(3).wait()
    lines = path.read_text().splitlines()
    record = json.loads(lines[1]) | damage
    path.write_text("\n".join([lines[0], json.dumps(record), *lines[2:]]) + "\n")
    log = read(path)
    assert log.bad_lines == [2]
    assert log.signatures == []


def test_records_that_belong_to_no_signature_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.sign()
    with path.open("a") as file:
        file.write('{"signed":7,"box":1,"host":1,"error":1}\n')
        file.write('{"signature_cut":7,"pulses":1}\n')
        file.write('{"signature_lost":7,"why":"x","unknown":true}\n')
    (one,) = read(path).signatures
    assert (one.fate, one.pulses) == ("done", PULSES)


def test_a_plan_sends_it_as_its_receiver_needs_it() -> None:
    with Box.open(STEPPED) as box:
        assert reserved(sampling_rate=250).sign(box).form == Form(255, 16_000)
        box.pacing.sleep(0.1)
        assert reserved().sign(box).form == Form(255, 8_000)
        with pytest.raises(PlanError, match="reserves no code"):
            plans.from_mapping({"event": [HORN]}).sign(box)
        with pytest.raises(PlanError, match="longer pulses"):
            reserved(least_width_us=5_000_000).sign(box)


def test_lines_that_are_advised_reserve_a_code() -> None:
    data = {"event": [HORN], "session": {"blocks": 3}}
    (remedy,) = (f.remedy for f in plans.check(plans.from_mapping(data)) if f.level == "risk")
    with Box.open(STEPPED) as box, pytest.raises(PlanError) as refused:
        plans.from_mapping(data).sign(box)
    for advice in (remedy, str(refused.value)):
        lines = re.findall("'([^']+)'", advice)
        assert len(lines) == 2
        mended = plans.from_mapping(data | plans.parse("\n".join(lines), "plan"))
        assert mended.signature_code == 255


def test_every_box_has_room_for_it() -> None:
    """The Nano holds the shortest sequences of all boards."""
    root = Path(__file__).resolve().parents[2]
    steps = [
        int(line.split()[2])
        for path in root.glob("firmware/boards/*/board_config.h")
        for line in path.read_text().splitlines()
        if line.startswith("#define BOARD_STEPS ")
    ]
    assert len(steps) == 3
    assert min(steps) >= len(Form().steps(Session(1).next()))


# The command --------------------------------------------------------------------------------------


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(arg) for arg in args], catch_exceptions=False)


def test_the_command_sends_one_and_goes_on_with_the_logs_session(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    first = run("sign", "--code", 255, "--box", STEPPED, "--log", log)
    assert first.exit_code == 0, first.output
    second = run("sign", "--code", 255, "--box", STEPPED, "--log", log, "--json")
    said = json.loads(second.stdout)
    one, two = read(log).signatures
    assert (one.count, two.count, one.session) == (1, 2, two.session)
    assert f"Session {said['session']}: signature 1 (code 255) began at box time" in first.output
    assert (said["signature"], said["pulses"], said["unit_us"]) == (2, 15, 8_000)
    assert len(said["box_times_us"]) == 15
    other = run("sign", "--code", 255, "--box", STEPPED, "--json")
    assert json.loads(other.stdout)["session"] != said["session"]


def test_the_command_takes_code_and_width_from_a_plan(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(
        "[receiver]\nsampling_rate = 250\n[signature]\ncode = 129\n"
        '[[event]]\nname = "horn"\ncode = 36\nwidth_us = 8000\n'
    )
    ran = run("sign", "--plan", plan, "--box", STEPPED, "--json")
    said = json.loads(ran.stdout)
    assert (said["code"], said["unit_us"]) == (129, 16_000)
    assert run("sign", "--plan", plan, "--code", 3, "--box", STEPPED).exit_code == 2
    nothing = run("sign", "--box", STEPPED)
    assert nothing.exit_code == 2
    assert "Nothing was sent." in " ".join(nothing.output.split())


def test_the_log_command_tells_the_session(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    run("sign", "--code", 255, "--box", STEPPED, "--log", log)
    session = json.loads(run("log", "show", log, "--json").stdout)["signatures"]
    assert list(session.values()) == [1]
    assert f"{next(iter(session))}, 1 signature" in run("log", "show", log).output


# The plan's checks --------------------------------------------------------------------------------


def rules(data: dict[str, Any]) -> list[tuple[str, str, str]]:
    found = plans.check(plans.from_mapping(data))
    return [
        (finding.level, finding.rule, finding.text)
        for finding in found
        if "signature" in finding.rule or finding.rule == "places look alike"
    ]


def events(*counts: int | None) -> list[dict[str, Any]]:
    return [
        {"name": f"e{number}", "code": 3 * (number + 1), "width_us": 5_000}
        | ({} if count is None else {"count": count})
        for number, count in enumerate(counts)
    ]


@pytest.mark.parametrize(
    ("data", "level", "text"),
    [
        ({"session": {"blocks": 4}, "event": events(1, 2, 3)}, "risk", "Blocks 1 to 4 look alike."),
        (
            {"session": {"intervals": "constant"}, "event": events(70, 30)},
            "risk",
            "All intervals are the same, and there are only 2 codes",
        ),
        (
            {"session": {"intervals": "constant"}, "event": events(90, 5, 5)},
            "risk",
            "All intervals are the same, and 90 % of the events are 'e0'",
        ),
        ({"event": events(100)}, "note", "There is only one code"),
        ({"event": events(4, 40, 20)}, "note", "By the counts, blocks 1 to 4 have the same events"),
    ],
)
def test_a_design_that_needs_a_signature_is_named(
    data: dict[str, Any], level: str, text: str
) -> None:
    ((found_level, rule, found),) = rules(data)
    assert (found_level, rule) == (level, "places look alike")
    assert found.startswith(text)
    with_one = rules(data | {"signature": {"code": 255}})
    assert [rule for _, rule, _ in with_one] == ["signature"]


@pytest.mark.parametrize(
    "data",
    [
        {"event": events(None, None, None)},
        {"event": events(3, 40, 20)},
        {"event": events(1, 40, 20)},
        {"session": {"intervals": "varied"}, "event": events(4, 40)},
        {"session": {"blocks": 1}, "event": events(None, None, None)},
        {"session": {"intervals": "constant"}, "event": events(30, 30, 40)},
    ],
)
def test_a_design_that_needs_none_is_left_alone(data: dict[str, Any]) -> None:
    assert rules(data) == []


@pytest.mark.parametrize(
    ("code", "receiver", "rule", "text"),
    [
        (36, {}, "signature code", "Event 'horn' has code 36, which is reserved"),
        (255, {"reserved": [255]}, "signature code", "reserved for other equipment"),
        (255, {"lines": [2, 5]}, "signature code", "which the receiver doesn't have"),
        (255, {"least_width_us": 5_000_000}, "signature too fast", "too slow for"),
    ],
)
def test_a_signature_that_can_not_work_is_wrong(
    code: int, receiver: dict[str, Any], rule: str, text: str
) -> None:
    found = rules({"receiver": receiver, "event": [HORN], "signature": {"code": code}})
    assert [(level, name) for level, name, _ in found] == [("wrong", rule)]
    assert text in found[0][2]


def test_what_it_lasts_is_told() -> None:
    told = rules({"receiver": {"sampling_rate": 250}, "event": [HORN], "signature": {"code": 255}})
    assert told == [
        (
            "note",
            "signature",
            "A session signature lasts 2.08 s to 3.648 s (pulses of 64 ms); meanwhile the box "
            "refuses markers.",
        )
    ]


@pytest.mark.parametrize("table", [{}, {"code": 0}, {"code": 256}, {"code": 1.5}, {"color": 3}])
def test_a_signature_table_that_can_not_be_meant_is_refused(table: dict[str, Any]) -> None:
    with pytest.raises(PlanError, match=r"\[signature\]"):
        plans.from_mapping({"event": [HORN], "signature": table})


def test_a_box_that_would_refuse_the_signature_is_named() -> None:
    with Box.open(STEPPED) as box:
        box.settings.write(box.settings.read().changed(lines=0x7F))
        found = plans.fit(reserved(), box.settings.read(), box.identity)
    (one,) = [finding for finding in found if finding.rule == "signature"]
    assert (one.level, one.remedy) == ("wrong", "Let the box use line 7 too.")


def test_signed_is_what_the_log_says(tmp_path: Path) -> None:
    """What `sign` returns and what the log holds give the same times."""
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        signed: Signed = box.sign()
    log: LogData = read(path)
    (one,) = log.signatures
    times = np.array(one.signature.starts) * one.form.unit_us + (one.box_us or 0)
    assert times.tolist() == list(signed.edges_us)




def test_proposed_codes_leave_the_signatures_out() -> None:
    data = {
        "receiver": {"lines": [0, 1, 2]},
        "session": {"distance": 2},
        "event": [{"name": "a", "code": 1, "width_us": 9}, {"name": "b", "code": 3, "width_us": 9}],
    }
    with_one = plans.check(plans.from_mapping(data | {"signature": {"code": 3}}))
    for findings, excluded in ((plans.check(plans.from_mapping(data)), False), (with_one, True)):
        (remedy,) = {f.remedy for f in findings if f.rule == "codes too close"}
        codes = remedy.partition("that keep 2 lines apart: ")[2].rstrip(".").split(", ")
        assert ("3" not in codes) == excluded


def test_a_program_that_sends_the_signatures_code_is_told(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    with Box.open(STEPPED) as box, MarkerLog.for_box(path, box):
        box.pulse(36).wait()
        box.pacing.sleep(0.1)
        box.pulse(255).wait()
    found = [finding.text for finding in compare_log(reserved(), read(path)).wrong]
    assert "Code 255 is reserved for the session signature, but the program sent it once." in found
