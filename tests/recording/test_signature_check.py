"""The recording check with session signatures: places, proof, another session, no false events."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from ferry_plan_and_command import run
from signature_benefit import USED, Signed, judge, make

from tallymark import plan as plans
from tallymark.common.signature import Form, Session, Signature
from tallymark.common.signature.detector import find
from tallymark.markerlog import read
from tallymark.recording import AnotherSession, columns, compare
from tallymark.recording.fates import ARRIVED, UNKNOWN
from tallymark.recording.overall_outcome import findings, outcome
from tallymark.recording.plan_comparison import compare_with_plan
from tallymark.recording.session_signatures import sentences, without

PLAN = """
name = "Ferry"
[receiver]
sampling_rate = 500
[session]
least_interval_us = 300000
width_us = 8000
[signature]
code = 255
[[event]]
name = "boat"
code = 3
[[event]]
name = "horn"
code = 36
"""


def plain(seed: int = 0, damage: str = "none", *, signed: bool = True, number: int = 7) -> Signed:
    return make(seed, damage, signed=signed, session=Session(number))


@pytest.mark.parametrize("seed", range(10))
def test_identical_blocks_become_known(seed: int) -> None:
    """What can't be known of identical blocks without signatures is known with them."""
    damage = USED[seed]
    case = make(seed, damage, signed=True)
    right, unknown, false, result = judge(case)
    assert false == 0
    assert unknown <= 0.05 * (right + unknown)
    assert result is not None
    pulses = find(case.recorded.time_us, case.recorded.code)
    at = {time for one in pulses for time in case.recorded.time_us[one.events].tolist()}
    assert not at & set(result.recorded.time_us[result.extra].tolist())
    assert not at & set(result.recorded.time_us[result.unplaced].tolist())


@pytest.mark.parametrize("seed", [0, 3, 4])
def test_without_signatures_they_stay_unknown(seed: int) -> None:
    right, unknown, false, _ = judge(make(seed, USED[seed], signed=False))
    assert false == 0
    assert unknown > right


def test_a_whole_session_is_proven_and_its_pulses_are_no_markers() -> None:
    case = plain()
    result = compare(case.log, case.recorded)
    blocks = len(case.log.signatures)
    assert result.identity.session == "own"
    assert result.signatures.proven == ["00007"]
    assert result.count(ARRIVED) == len(case.log) == len(result.sent)
    assert len(result.extra) == len(result.unplaced) == 0
    assert [(told.found, told.fates) for told in result.signatures.told] == [
        (True, {"arrived": 15})
    ] * blocks
    assert outcome(result).name == "all arrived"
    assert sentences(result) == [
        f"Session 00007: proven by {blocks} signatures in the recording."
    ]
    assert len(result.fate) == len(result.alignment.event) == len(result.sent.time)
    with_marker = result.alignment.marker >= 0
    assert with_marker.sum() == len(case.log)
    assert result.alignment.marker[result.partner].tolist() == list(range(len(case.log)))


def test_the_log_of_another_session_of_the_same_design_is_told() -> None:
    """Both sessions are equal but for the numbers: nothing else could tell them apart."""
    case, other = plain(number=7), plain(number=8)
    with pytest.raises(AnotherSession) as error:
        compare(other.log, case.recorded)
    result = error.value.result
    assert (result.fate == UNKNOWN).all()
    first = findings(result)[0]
    assert first.outcome.name == "another session"
    assert "holds the signature of session 00007, but the log is of session 00008" in first.text


def test_two_sessions_in_one_recording_are_not_another_session() -> None:
    """The end of an earlier session is in it too, and each signature of this one lost a pulse."""
    case = plain()
    for which in reversed(range(len(case.log.signatures))):
        case = damaged(case, which, which % 15)
    earlier = np.array(Signature(0x12345, 9).starts) * 8_000.0
    recorded = case.recorded
    late = earlier[-1] + 1e6
    count = np.arange(len(earlier))
    joined = replace(
        recorded,
        time_us=np.concatenate((earlier, recorded.time_us + late)),
        sample=np.concatenate((count, recorded.sample + len(count))),
        code=np.concatenate((np.full(15, 255, np.uint8), recorded.code)),
        width=np.concatenate((np.full(15, 4), recorded.width)),
        end_us=recorded.end_us + late,
    )
    result = compare(case.log, joined)
    assert result.signatures.others == ["12345"]
    assert result.count(ARRIVED) == len(case.log)
    assert outcome(result).name == "markers missing"
    assert any("a signature of session 12345, which the log doesn't have" in s
               for s in sentences(result))


def test_a_signature_that_the_log_does_not_have_is_told_and_no_event() -> None:
    case = plain()
    log = replace(case.log, signatures=case.log.signatures[:1])
    result = compare(log, case.recorded)
    assert result.count(ARRIVED) == len(log)
    assert len(result.extra) == len(result.unplaced) == 0
    said = sentences(result)
    assert any("is signature 2 of session 00007, which the log does not have" in s for s in said)


def test_a_log_without_any_is_told_what_the_recording_holds() -> None:
    case = plain()
    result = compare(replace(case.log, signatures=()), case.recorded)
    assert result.signatures.others == ["00007"]
    assert result.identity.session != "foreign"
    assert result.count(ARRIVED) == len(case.log)
    assert len(result.extra) == 0
    (said,) = sentences(result)
    assert said == "The recording holds a signature of session 00007, and the log holds none."


def test_a_log_that_holds_the_pulses_as_markers_keeps_them() -> None:
    """A log that was read off the lines knows nothing of signatures."""
    case = plain()
    pulses = np.concatenate([one.times() for one in case.log.signatures])
    time = np.concatenate((case.log.time, pulses))
    order = np.argsort(time)
    count = len(time)
    code = np.concatenate((case.log.code, np.full(len(pulses), 255, np.uint8)))
    log = replace(
        case.log,
        time=time[order],
        code=code[order],
        width=np.full(count, np.nan),
        confirmed=np.ones(count, bool),
        number=np.arange(count),
        name=np.full(count, -1),
        signatures=(),
    )
    result = compare(log, case.recorded)
    assert result.count(ARRIVED) == count


def damaged(case: Signed, which: int, *lost: int) -> Signed:
    """Without some pulses of a signature."""
    gone = np.zeros(len(case.recorded), bool)
    gone[find(case.recorded.time_us, case.recorded.code)[which].events[list(lost)]] = True
    return replace(case, recorded=without(case.recorded, gone))


def test_a_damaged_signature_is_told_and_still_no_event() -> None:
    case = damaged(plain(), 1, 4, 9)
    result = compare(case.log, case.recorded)
    told = result.signatures.told[1]
    assert (told.found, told.fates) == (False, {"arrived": 13, "missed": 2})
    assert result.count(ARRIVED) == len(case.log)
    assert len(result.extra) == len(result.unplaced) == 0
    assert outcome(result).name == "markers missing"
    assert "Of the session signatures, 2 pulses did not arrive." in findings(result)[0].text
    assert any("Signature 2 of session 00007" in s and "13 arrived" in s for s in sentences(result))


def test_a_signature_outside_the_recording_is_told() -> None:
    case = plain()
    begin = case.recorded.time_us[find(case.recorded.time_us, case.recorded.code)[0].events[-1]]
    before = case.recorded.time_us <= begin
    late = without(case.recorded, before)
    late.start_us = float(begin) + 500_000
    result = compare(case.log, late)
    assert result.signatures.told[0].fates == {"outside": 15}
    assert "Signature 1 of session 00007 was sent while the recording did not run." in sentences(
        result
    )
    assert result.count(ARRIVED) == len(case.log)


def test_with_an_open_line_the_signature_is_known_by_its_intervals() -> None:
    case = plain()
    recorded = replace(case.recorded, code=case.recorded.code & 0xDF)
    result = compare(case.log, recorded)
    assert result.signatures.proven == ["00007"]
    assert {fate for told in result.signatures.told for fate in told.fates} == {"altered"}
    assert any("line 5" in fault.text.lower() for fault in result.faults)
    assert "arrived with another code" in " ".join(f.text for f in findings(result))


def test_an_unconfirmed_signature_that_is_there_proves_the_session() -> None:
    case = plain()
    log = replace(
        case.log,
        signatures=tuple(replace(one, start_us=None) for one in case.log.signatures),
    )
    result = compare(log, case.recorded)
    assert result.signatures.proven == ["00007"]
    assert result.count(ARRIVED) == len(log)
    assert len(result.extra) == len(result.unplaced) == 0


def test_the_same_signature_twice_is_no_place() -> None:
    """As when the 65th has the ordinal of the first: which is which, it doesn't say."""
    case = plain()
    first = case.log.signatures[0]
    log = replace(
        case.log,
        signatures=tuple(replace(one, signature=first.signature) for one in case.log.signatures),
    )
    result = compare(log, case.recorded)
    assert result.signatures.anchors() == ()


def test_a_chance_likeness_among_markers_is_not_another_session() -> None:
    """Markers whose intervals spell a signature, once, with a code that the log uses."""
    case = plain()
    starts = np.array(Signature(0x12345, 9).starts) * 8_000.0
    end = case.recorded.time_us[-1] + 1e6
    time = np.concatenate((case.recorded.time_us, end + starts))
    used = int(case.log.code[0])
    recorded = replace(
        case.recorded,
        time_us=time,
        sample=np.round(time / case.recorded.sample_us).astype(np.int64),
        code=np.concatenate((case.recorded.code, np.full(15, used, np.uint8))),
        width=np.concatenate((case.recorded.width, np.full(15, 4))),
        end_us=float(time[-1] + 1e6),
    )
    result = compare(replace(case.log, signatures=()), recorded)
    assert "12345" not in result.signatures.others
    left = set(result.extra.tolist()) | set(result.unplaced.tolist())
    assert set(range(len(result.recorded) - 15, len(result.recorded))) <= left


def test_times_of_the_log_put_signatures_on_the_markers_clock(tmp_path: Path) -> None:
    """A restart of the box in between: box time begins again, and the log goes on."""
    path = tmp_path / "a.log"
    lines = [
        {"marker_log": 1, "host": 0},
        {"signature": 1, "session": "4F21A", "code": 255, "unit": 8000, "host": 5_000_000},
        {"signed": 1, "box": 1_000_000, "host": 5_000_100, "error": 10},
        {"sent": 1, "code": 3, "width": 5000, "host": 8_000_000},
        {"done": 1, "box": 4_000_000, "host": 8_000_100, "error": 10},
        {"restart": "power", "host": 9_000_000},
        {"signature": 2, "session": "4F21A", "code": 255, "unit": 8000, "host": 20_000_000},
        {"signed": 2, "box": 2_000_000, "host": 20_000_100, "error": 10},
        {"signature": 3, "session": "4F21A", "code": 255, "unit": 8000, "host": 22_000_000},
        {"signature_lost": 3, "why": "x", "unknown": True},
        {"signature": 4, "session": "4F21A", "code": 255, "unit": 8000, "host": 24_000_000},
        {"signature_lost": 4, "why": "x", "unknown": False},
        {"sent": 2, "code": 3, "width": 5000, "host": 30_000_000},
        {"done": 2, "box": 12_000_000, "host": 30_000_100, "error": 10},
        {"end": 40_000_000},
    ]
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    sent = columns(read(path))
    assert sent.time.tolist() == [4_000_000, 26_000_000]
    assert [(one.count, one.start_us) for one in sent.signatures] == [
        (1, 1_000_000.0),
        (2, 16_000_000.0),
        (3, None),
    ]
    assert sent.signatures[0].form == Form(255, 8_000)


# From the plan to the report ----------------------------------------------------------------------


@pytest.fixture(scope="module")
def practised(tmp_path_factory: pytest.TempPathFactory) -> Callable[[int], tuple[Path, ...]]:
    """Plan, recording and log of a practice session, by seed."""
    folder = tmp_path_factory.mktemp("signed")
    plan = folder / "plan.toml"
    plan.write_text(PLAN)

    def made(seed: int) -> tuple[Path, ...]:
        paths = plan, folder / f"{seed}.bdf", folder / f"{seed}.log"
        if not paths[1].exists():
            ran = run("practice", *paths, "--markers", 40, "--seed", seed, "--lost", 5)
            assert ran.exit_code == 0, ran.output
        return paths

    return made


def test_a_practice_session_is_signed_twice(practised: Callable[[int], tuple[Path, ...]]) -> None:
    _, recording, log = practised(1)
    logged = read(log)
    assert [one.count for one in logged.signatures] == [1, 2]
    ran = run("check", recording, log, "--json")
    data = json.loads(ran.output)
    session = f"{logged.signatures[0].session:05X}"
    assert data["signatures"]["proven"] == [session]
    assert [one["found"] for one in data["signatures"]["sent"]] == [True, True]
    assert data["counts"]["extra"] == 0
    assert sum(data["counts"][fate] for fate in ("arrived", "missed")) == 40


def test_the_text_and_the_report_say_it(
    practised: Callable[[int], tuple[Path, ...]], tmp_path: Path
) -> None:
    _, recording, log = practised(1)
    report = tmp_path / "report.html"
    ran = run("check", recording, log, "--report", report)
    session = f"{read(log).signatures[0].session:05X}"
    sentence = f"Session {session}: proven by 2 signatures in the recording."
    assert sentence in ran.output
    assert f"<p>{sentence}</p>" in report.read_text()


def test_the_command_tells_another_session(
    practised: Callable[[int], tuple[Path, ...]]
) -> None:
    _, recording, _ = practised(1)
    ran = run("check", recording, practised(2)[2])
    assert ran.exit_code == 10
    assert "The recording holds the signature of session" in ran.output


def test_a_recording_against_a_plan_names_the_session(
    practised: Callable[[int], tuple[Path, ...]]
) -> None:
    plan, recording, log = practised(1)
    ran = run("check", recording, "--plan", plan, "--json")
    data = json.loads(ran.output)
    assert data["wrong"] == []
    session = f"{read(log).signatures[0].session:05X}"
    assert sum(f"of session {session}" in remark for remark in data["remarks"]) == 2


def test_a_damaged_signature_contradicts_the_plan() -> None:
    case = damaged(plain(), 0, 3)
    codes = sorted(set(case.log.code.tolist()))
    plan = plans.from_mapping(
        {
            "event": [{"name": f"e{c}", "code": c, "width_us": 10_000} for c in codes],
            "signature": {"code": 255},
        }
    )
    wrong = compare_with_plan(plan, case.recorded).wrong
    assert any("(255) came 14 times outside a whole signature" in sentence for sentence in wrong)


def test_without_signatures_nothing_is_said_of_them() -> None:
    case = plain(signed=False)
    result = compare(case.log, case.recorded)
    assert result.signatures.told == []
    assert sentences(result) == []
