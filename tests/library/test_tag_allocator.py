"""One count of tags for all requests: none comes again while the box may still have it."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass
from typing import Protocol

import pytest

from tallymark.box.link.tag_allocator import TagAllocator
from tallymark.box.wire.frames import Decoder, frame
from tallymark.box.wire.protocol_enumerations import Answer, FateOutcome, Reason, Request
from tallymark.virtual import VirtualBox

HISTORIES = [8, 16, 32, 64]
BAD = 0.3
"""Share of lost frames, on each way, at which whole rounds of a place's tags get lost."""


class Box(Protocol):
    """What the tests need of a box."""

    history: int

    def marker(self, tag: int) -> bool:
        """A marker request comes in. False if it is refused as a repeated one."""

    def other(self, tag: int) -> None:
        """A request that is no marker comes in."""

    def fate(self, tag: int, asked: int) -> bool:
        """The box is asked for a fate. Whether it knows it."""


class SmallBox:
    """A box's history and nothing else, after PROTOCOL.md, section 3.2."""

    def __init__(self, history: int) -> None:
        self.history = history
        self._newest = 0
        self._places = [0] * history

    def marker(self, tag: int) -> bool:
        """See `Box`."""
        if self._newest and not 1 <= (tag - self._newest) % 255 <= 127:
            return False
        self.other(tag)
        self._places[tag % self.history] = tag
        return True

    def other(self, tag: int) -> None:
        """See `Box`."""
        ahead = (tag - self._newest) % 255 if self._newest else 0
        for step in range(1, ahead + 1 if ahead <= 127 else 0):
            self._places[((self._newest + step - 1) % 255 + 1) % self.history] = 0
        if ahead <= 127:
            self._newest = tag

    def fate(self, tag: int, asked: int) -> bool:
        """See `Box`."""
        self.other(tag)
        return self._places[asked % self.history] == asked


class RealBox:
    """The real firmware core."""

    history = 64

    def __init__(self) -> None:
        self._device = VirtualBox()
        self._decoder = Decoder()
        self._device.take()

    def _ask(self, request: Request, tag: int, body: bytes = b"") -> tuple[int, bytes]:
        self._device.advance(self._device.life_us + 100)
        self._device.receive(frame(request, tag, body))
        ((kind, answered, answer),) = self._decoder.feed(self._device.take())
        assert answered == tag
        return kind, answer

    def marker(self, tag: int) -> bool:
        """See `Box`."""
        kind, answer = self._ask(Request.PULSE_FOR, tag, b"\5\x0a\0\0\0")
        if kind == Answer.REFUSED:
            assert answer[1] == Reason.TAG_REPEATED
            return False
        return True

    def other(self, tag: int) -> None:
        """See `Box`."""
        assert self._ask(Request.LEVELS, tag)[0] == Answer.LEVELS

    def fate(self, tag: int, asked: int) -> bool:
        """See `Box`."""
        kind, answer = self._ask(Request.FATE, tag, bytes((asked,)))
        assert (kind, answer[0]) == (Answer.FATE, asked)
        return answer[1] == FateOutcome.DONE


@dataclass
class Sent:
    """A request on its way."""

    tag: int
    is_marker: bool
    arrived: bool
    answered: bool


def talk(box: Box, requests: int, markers: float, loss: float, chance: random.Random) -> int:
    """Sends a mixture of requests of which as many are on their way as may be, and loses some
    requests and answers. Ends early when no tag is left. Returns how often a
    marker's fate was asked for.

    Asserts that no tag is refused as a repeated one, that no two requests on their way share a
    tag, and that a marker's fate tells whether it arrived."""
    tags = TagAllocator(box.history, last=chance.randrange(256))
    on_the_way: deque[Sent] = deque()
    asked = 0

    def end_oldest() -> int:
        entry = on_the_way.popleft()
        if entry.answered:
            tags.answered(entry.tag)
        elif entry.is_marker:
            if not tags.next:
                return 0
            assert tags.is_remembered(entry.tag)
            tag = tags.take()
            assert box.fate(tag, entry.tag) == entry.arrived
            tags.answered(tag)
            return 1
        return 0

    for _ in range(requests):
        while on_the_way and not tags.in_reach(on_the_way[0].tag):
            asked += end_oldest()
        if not tags.next:
            assert loss >= BAD
            break
        tag = tags.take()
        assert tag not in {entry.tag for entry in on_the_way}
        entry = Sent(tag, chance.random() < markers, chance.random() >= loss, False)
        entry.answered = entry.arrived and chance.random() >= loss
        on_the_way.append(entry)
        if entry.arrived and entry.is_marker:
            assert box.marker(tag), f"{tag} is a false repetition"
        elif entry.arrived:
            box.other(tag)
        while on_the_way and chance.random() < 0.5:
            asked += end_oldest()
    return asked


@pytest.mark.parametrize("loss", [0.0, 0.01, 0.3, 0.8])
@pytest.mark.parametrize("markers", [0.02, 0.5, 1.0])
def test_a_mixture_with_losses_through_the_real_core(markers, loss):
    asked = talk(RealBox(), 3000, markers, loss, random.Random(f"{markers} {loss}"))
    assert asked > 0 if loss else asked == 0


@pytest.mark.parametrize("loss", [0.0, 0.01, 0.3, 0.8])
@pytest.mark.parametrize("markers", [0.02, 0.5, 1.0])
@pytest.mark.parametrize("history", HISTORIES)
def test_a_mixture_with_losses_and_a_smaller_history(history, markers, loss):
    chance = random.Random(f"{history} {markers} {loss}")
    asked = talk(SmallBox(history), 20_000, markers, loss, chance)
    assert asked > 0 if loss else asked == 0


@pytest.mark.parametrize("history", [None, *HISTORIES])
@pytest.mark.parametrize("first", [1, 100, 200, 240, 255])
def test_the_oldest_marker_s_fate_can_be_asked_for_twice(history, first):
    """The answer to the first question may get lost."""
    box = SmallBox(history) if history else RealBox()
    tags = TagAllocator(box.history, first - 1)
    oldest = tags.take()
    assert box.marker(oldest)
    count = 1
    while tags.in_reach(oldest):
        assert box.marker(tags.take())
        count += 1
    assert count == box.history - 3
    for _ in range(2):
        assert tags.is_remembered(oldest)
        assert box.fate(tags.take(), oldest)
    assert not tags.is_remembered(oldest)


def test_the_count_goes_on_after_the_last_tag_of_the_box():
    assert TagAllocator(32, last=0).take() == 1
    assert TagAllocator(32, last=100).take() == 101
    assert TagAllocator(32, last=255).take() == 1


@pytest.mark.parametrize("history", HISTORIES)
def test_without_losses_the_count_leaves_nothing_out(history):
    tags = TagAllocator(history, last=0)
    for count in range(1000):
        tag = tags.take()
        assert tag == count % 255 + 1
        tags.answered(tag)


def test_an_answer_that_comes_late_leaves_no_tag_out():
    """The box answers a marker that waited for its gap after those that came later."""
    tags = TagAllocator(64, last=0)
    for tag in range(1, 256):
        assert tags.take() == tag
        if tag != 5:
            tags.answered(tag)
        if tag == 197:  # the last of the same place
            tags.answered(5)
    assert [tags.take() for _ in range(10)] == list(range(1, 11))


def test_no_tag_is_left_when_the_box_answers_nothing():
    """After 128 lost requests it would take the next tag for an old one."""
    tags = TagAllocator(64, last=200)
    taken = [tags.take() for _ in range(100)]
    assert taken == [*range(201, 256), *range(1, 46)]
    assert tags.next == 0
    assert not any(tags.in_reach(tag) for tag in taken)
    assert not any(tags.is_remembered(tag) for tag in taken)


@pytest.mark.parametrize("answered", [1, 50, 100])
def test_a_late_answer_gives_back_the_tags_up_to_its_own(answered):
    tags = TagAllocator(64, last=200)
    taken = [tags.take() for _ in range(100)]
    tags.answered(taken[answered - 1])
    tags.answered(taken[0])  # an older one takes nothing away
    more = 0
    while tags.next:
        tags.take()
        more += 1
    assert more == answered


def test_which_of_two_requests_was_sent_first():
    tags = TagAllocator(64, last=0)
    assert tags.is_earlier(3, 10)
    assert not tags.is_earlier(10, 3)
    assert tags.is_earlier(250, 5)
    assert not tags.is_earlier(5, 250)
    assert not tags.is_earlier(5, 5)
