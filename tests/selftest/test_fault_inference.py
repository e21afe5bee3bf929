"""Inference: every single fault and every pair of them, and what it says where it can't know."""

from __future__ import annotations

from itertools import combinations, product

import pytest

from tallymark.common.lines.readback_wiring_model import (
    ALL_HIGH,
    STRAIGHT,
    Fault,
    Kind,
    responses,
    single_faults,
)
from tallymark.verification.selftest.fault_inference import (
    Diagnosis,
    Observation,
    group,
    infer,
)
from tallymark.verification.selftest.readback_boolean_functions import depends_on, pattern_of

SINGLES = list(single_faults())
PAIRS = list(combinations(SINGLES, 2))


def driven_levels(lines: int, idle_levels: int) -> int:
    """The levels that codes within the lines in use drive, as a set of bits."""
    return sum(1 << (code ^ idle_levels) for code in range(256) if not code & ~lines)


def names(diagnosis: Diagnosis, truth: tuple[Fault, ...]) -> bool:
    """Whether the truth is an explanation, or an explanation and a fault that does not show
    beside it: one that is listed as hidden, or an equal explanation itself."""
    explanations = [set(faults) for faults in diagnosis.explanations]
    beside = set(diagnosis.hidden).union(*explanations)
    return set(truth) in explanations or any(
        explanation < set(truth) and set(truth) - explanation <= beside
        for explanation in explanations
    )


def test_the_list_of_faults_is_the_one_the_tests_claim() -> None:
    assert len(SINGLES) == 119
    assert len(PAIRS) == 7021
    assert {fault.kind for fault in SINGLES} == set(Kind) - {Kind.SLOW}


def test_nothing_wrong() -> None:
    assert infer(Observation(STRAIGHT)) == Diagnosis(((),), ())


@pytest.mark.parametrize("fault", SINGLES, ids=str)
def test_single_fault(fault: Fault) -> None:
    found = infer(Observation(responses([fault])))
    assert (fault,) in found.explanations
    assert len(found.explanations) <= 2, "only open and stuck low look alike"
    for explanation in found.explanations:
        assert responses(explanation) == responses([fault])


def test_every_pair_of_faults() -> None:
    not_named = []
    for pair in PAIRS:
        seen = responses(pair)
        found = infer(Observation(seen))
        if not names(found, pair):
            not_named.append(" ".join(map(str, pair)))
        for explanation in found.explanations:
            assert responses(explanation) == seen, pair
        assert len(found.explanations) <= 4, pair
    assert not_named == []


def test_hidden_faults_do_not_show() -> None:
    found = infer(Observation(responses([Fault(Kind.OPEN, (3,))])))
    assert set(found.hidden) == {Fault(Kind.STUCK_HIGH, (3,)), Fault(Kind.INVERTED, (3,))}
    stuck = Fault(Kind.STUCK_LOW, (3,))
    for fault in found.hidden:
        assert responses([stuck, fault]) == responses([stuck])


def test_hidden_faults_could_show_by_themselves() -> None:
    """Line 6 is not in use and stays low: that it may be open is not said behind every fault."""
    driven = driven_levels(0x0F, 0)
    hidden = infer(Observation(responses([Fault(Kind.OPEN, (3,))]), driven)).hidden
    assert Fault(Kind.INVERTED, (3,)) in hidden
    assert Fault(Kind.OPEN, (6,)) not in hidden


@pytest.mark.parametrize(
    ("lines", "idle_levels"), [(0xFF, 0xFF), (0x0F, 0x00), (0x0F, 0xFF), (0xA5, 0x00), (0x10, 0xFF)]
)
def test_lines_in_use_and_idle_high(lines: int, idle_levels: int) -> None:
    """With fewer codes more wirings look alike: the answer must look like the truth where it was
    tested, and must not need more faults."""
    driven = driven_levels(lines, idle_levels)
    assert driven.bit_count() == 2 ** lines.bit_count()
    for truth in [(fault,) for fault in SINGLES] + PAIRS[::17]:
        seen = tuple(vector & driven for vector in responses(truth))
        found = infer(Observation(seen, driven))
        assert found.explanations
        assert len(found.explanations[0]) <= len(truth)
        if len(found.explanations[0]) == len(truth):
            assert truth in found.explanations
        for explanation in found.explanations:
            assert tuple(vector & driven for vector in responses(explanation)) == seen


def test_what_was_not_driven_has_no_say() -> None:
    driven = driven_levels(0x0F, 0)
    seen = tuple(vector ^ (ALL_HIGH & ~driven) for vector in STRAIGHT)
    assert infer(Observation(seen, driven)).faultless


def test_unsteady_inputs_have_no_say() -> None:
    seen = list(responses([Fault(Kind.SWAPPED, (1, 4))]))
    seen[6] = 12345
    found = infer(Observation(tuple(seen), unsteady=1 << 6))
    assert (Fault(Kind.SWAPPED, (1, 4)),) in found.explanations


def test_three_faults_are_not_explained_away() -> None:
    truth = [Fault(Kind.OPEN, (line,)) for line in (1, 2, 3)]
    assert infer(Observation(responses(truth))) == Diagnosis((), ())


def test_observation_of_a_table_is_the_wiring() -> None:
    wanted = responses([Fault(Kind.BRIDGED_OR, (2, 5))])
    table = {
        driven: sum((vector >> driven & 1) << line for line, vector in enumerate(wanted))
        for driven in range(256)
    }
    assert Observation.of_table(table) == Observation(wanted)


def test_groups_say_every_explanation_once() -> None:
    for truth in [(fault,) for fault in SINGLES] + PAIRS[::5]:
        explanations = infer(Observation(responses(truth))).explanations
        said = [frozenset(choice) for places in group(explanations) for choice in product(*places)]
        assert len(said) == len(set(said))
        assert set(said) == {frozenset(faults) for faults in explanations}


def test_two_ambiguous_lines_become_two_places() -> None:
    truth = [Fault(Kind.OPEN, (3,)), Fault(Kind.STUCK_LOW, (5,))]
    (places,) = group(infer(Observation(responses(truth))).explanations)
    assert sorted(sorted(map(str, place)) for place in places) == [
        ["open:3", "stuck-low:3"],
        ["open:5", "stuck-low:5"],
    ]


@pytest.mark.parametrize(
    ("faults", "line", "words"),
    [
        ([], 3, "follows line 3"),
        (["open:3"], 3, "always low"),
        (["stuck-high:3"], 3, "always high"),
        (["swapped:3,6"], 3, "follows line 6"),
        (["inverted:3"], 3, "opposite of line 3"),
        (["bridged-and:3,6"], 6, "lines 3 and 6"),
        (["bridged-or:3,6", "inverted:6"], 6, "opposite of lines 3 or 6"),
        (["bridged-and:0,1", "bridged-and:1,2"], 2, "lines 0 and 1 and 2"),
    ],
)
def test_input_in_words(faults: list[str], line: int, words: str) -> None:
    vector = responses(Fault.parse(text) for text in faults)[line]
    assert pattern_of(vector, ALL_HIGH).words == words


def test_input_that_is_nothing_simple() -> None:
    odd = STRAIGHT[1] ^ STRAIGHT[4]
    assert pattern_of(odd, ALL_HIGH).words == "depends on lines 1, 4 in no simple way"
    assert depends_on(odd, ALL_HIGH) == [1, 4]
    assert depends_on(odd, driven_levels(0x0F, 0)) == [1]
