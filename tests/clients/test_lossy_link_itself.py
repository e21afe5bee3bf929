"""The lossy link drops the selected frames and no others."""

from __future__ import annotations

import pytest

from tallymark import Box, Outcome, Unconfirmed
from tallymark.box.wire.protocol_enumerations import Request


def test_a_whole_link_changes_nothing(lossy):
    with Box.open(lossy.where) as box:
        for code in range(1, 256):
            box.pulse(code)
        assert box.wait() == []
    assert lossy.lost == []


def test_a_lost_request_is_lost_and_a_lost_answer_is_found_again(lossy):
    with Box.open(lossy.where) as box:
        lossy.loses_request = lambda kind, tag: kind == Request.PULSE
        lost = box.pulse(5)
        with pytest.raises(Unconfirmed):
            lost.wait()
        lossy.loses_request = lambda kind, tag: False
        lossy.loses_answer = lambda kind, tag: kind == 0x80 and tag == box.link._exchange.tags.last
        marker = box.pulse(6)
        assert marker.wait().outcome is Outcome.DONE
    assert len(lossy.lost) == 2
