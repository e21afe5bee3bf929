"""Problems with markers are told by kind, with what to do."""

from __future__ import annotations

from typing import Any

import pytest

from tallymark.page.problem_kinds import ProblemKinds, kind_of
from tallymark.page.sent_rows import other_code_text


def kinds(*texts: str) -> list[dict[str, Any]]:
    counted = ProblemKinds()
    for number, text in enumerate(texts):
        counted.add({"id": number, "text": text})
    return counted.as_data()


def test_a_broken_wire_is_one_kind_whatever_the_codes():
    told = kinds(other_code_text(3, 1), other_code_text(18, 16), other_code_text(4, 0))
    assert [(each["count"], each["last"]["id"]) for each in told] == [(2, 1), (1, 2)]
    assert told[0]["last"]["text"].endswith("line 1 did not move. Run the self-test.")
    assert told[0]["advice"] == ""  # it says what to do


@pytest.mark.parametrize(("one", "two", "same"), [
    ("late: up to 2.204 ms", "late: up to 17 ms", True),
    ("not in the plan", "not in the plan (like 'horn' except line 2)", True),
    ("too close: 30.1 ms after the one before; the plan has at least 100 ms",
     "too close: 9.8 ms after the one before; the plan has at least 100 ms", True),
    ("cut previous pulse after 3.1 ms: sent 2 ms too soon",
     "cut previous pulse after 4 ms: sent 1 ms too soon", True),
    ("refused: a pulse was out", "refused: a sequence plays", False),
    (other_code_text(3, 1), other_code_text(3, 2), False),
])
def test_measured_values_make_no_kinds_of_their_own(one, two, same):
    assert (kind_of(one) == kind_of(two)) is same


def test_the_most_frequent_kinds_come_first_and_are_few():
    told = kinds("refused: a sequence plays", *["not in the plan"] * 3, *["late: up to 9 ms"] * 2,
                 "no edge: same code as before, no line moved", "unconfirmed: no answer received")
    assert [each["count"] for each in told] == [3, 2, 1, 1]
    assert told[0]["advice"] == "Mend the program, or add the event to the plan."


def test_counts_begin_anew():
    counted = ProblemKinds()
    counted.add({"id": 1, "text": "not in the plan"})
    counted.clear()
    assert counted.as_data() == []
