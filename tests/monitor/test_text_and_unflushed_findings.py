"""Findings on programs that do not flush their output or send numbers as text."""

from __future__ import annotations

from pathlib import Path

import pytest
from simulated_program import Watched, ferry_plan, kinds, only


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


def at_once(watched: Watched, codes: bytes) -> None:
    """Bytes as a serial port delivers them."""
    for code in codes:
        watched.send(code, pause_us=87)
    watched.wait(20_000)


def test_bytes_that_were_not_flushed(path):
    with Watched(path, ferry_plan({"empty sea": 5, "ferry at left": 5, "horn": 1})) as watched:
        at_once(watched, bytes([9, 17] * 5))
        watched.send(36)
    text = watched.text.getvalue()
    hint = "10 bytes came at once, within 0.783 ms. Does the program flush (or close) the port"
    assert text.count(hint) == 1
    found = only(watched.compared().wrong, "at once")
    assert hint in f"{found.text} {found.remedy}"
    assert "cut" not in kinds(watched.compared())


def test_a_few_bytes_on_their_own_are_no_burst(path):
    """A code and the 0 that ends it, or two codes, may come at once on purpose."""
    with Watched(path, ferry_plan({"empty sea": 2}), settings={"byte_mode": "limited"}) as watched:
        at_once(watched, bytes([9, 0]))
        at_once(watched, bytes([9, 17]))
        watched.send(36, 9, 17, pause_us=600)
    assert "at once" not in watched.text.getvalue()
    assert "at once" not in kinds(watched.compared())


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        (b"17", "49 55 came at once: that is the text '17'."),
        (b"17\n", "49 55 10 came at once: that is the text '17' and a newline."),
        (b"5\r\n", "53 13 10 came at once: that is the text '5' and a line end."),
        (b"horn\n", "104 111 114 110 10 came at once: that is the text 'horn' and a newline."),
    ],
)
def test_text_instead_of_a_code(path, sent, said):
    with Watched(path, ferry_plan()) as watched:
        at_once(watched, sent)
        at_once(watched, sent)
        watched.send(9)
    text = watched.text.getvalue()
    assert text.count(said) == 1
    assert ("that has the value of the code, here" in text) == sent.strip().isdigit()
    finding = only(watched.compared().wrong, "text")
    assert not {"cut", "not in the plan"} & set(kinds(watched.compared()))
    assert said in finding.text
    assert "There are 2 like that." in finding.text


def test_codes_of_the_plan_that_could_be_text_are_codes(path):
    from tallymark import plan as plans

    plan = plans.from_mapping({
        "name": "Ferry",
        "session": {"width_us": 50},
        "event": [{"name": "a", "code": 49}, {"name": "b", "code": 55}],
    })
    with Watched(path, plan, settings={"width_us": 50}) as watched:
        at_once(watched, b"17")
    assert "the text" not in watched.text.getvalue()
    assert watched.compared().clean


def test_a_digit_on_its_own(path):
    from tallymark import plan as plans

    plan = plans.from_mapping({
        "name": "Ferry",
        "event": [{"name": "a", "code": 5, "width_us": 5000}],
    })
    with Watched(path, plan) as watched:
        watched.send(ord("5"))
    assert "not in the plan (the text '5'? Send the byte 5)" in watched.text.getvalue()


def test_two_codes_that_are_letters_by_chance_are_no_text(path):
    with Watched(path, ferry_plan()) as watched:
        at_once(watched, b"$`")
    assert "the text" not in watched.text.getvalue()
    assert "text" not in kinds(watched.compared())


def test_codes_of_the_plan_that_come_at_once_are_cut(path):
    from tallymark import plan as plans

    plan = plans.from_mapping({
        "name": "Ferry",
        "session": {"width_us": 5000},
        "event": [{"name": "a", "code": 49}, {"name": "b", "code": 55}],
    })
    with Watched(path, plan) as watched:
        at_once(watched, b"17")
    assert kinds(watched.compared()) == ["cut"]
