"""The dialogues of protocol/vectors, message by message.

They are written for a box whose time stands still but for the waits. On a rig with a scale, all
durations are made longer by that factor, and times may be later by the rig's tolerance.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tallymark.box.wire import frames, layouts
from tallymark.box.wire import protocol_enumerations as messages

VECTORS = Path(__file__).resolve().parents[2] / "protocol" / "vectors"
DIALOGUES = json.loads((VECTORS / "dialogues.json").read_text(encoding="utf-8"))

DURATIONS = {"width", "hold", "gap", "hold_limit", "strobe_lead", "strobe_hold"}
TIMES = {"time", "lasted", "delay", "started", "ended"}
OF_THE_BOARD = {
    "board",
    "serial",
    "capabilities",
    "cause",
    "window",
    "history",
    "steps",
    "edges",
    "least_width",
    "longest_width",
    "places",
    "least_lead",
}
DETAIL_IS_TIME = {messages.Reason.OVERLAP, messages.Reason.WAITING, messages.Reason.CANCELLED,
                  messages.Reason.LATE, messages.Reason.TAKEN}
FACTORY_WIDTH_US = 5000
LIMIT = 1_000_000_000
"""Durations from here on are limits of the protocol, not waits."""


class Talk:
    """One dialogue on one rig."""

    def __init__(self, rig) -> None:
        self.rig = rig
        self.decoder = frames.Decoder()
        self.waiting: list[frames.Frame] = []
        self.base: int | None = None
        self.width_is_factory = True
        self.told_its_width: set[int] = set()

    def send(self, step: dict) -> None:
        """On a rig with a scale, a pulse of the factory width is told its scaled width."""
        if step["request"] == "settings_keep":
            self.base = None  # the memory takes as long as it needs
        if step["request"] in ("settings_write", "settings_factory"):
            self.width_is_factory = step["request"] == "settings_factory"
        if self.rig.scale != 1 and step["request"] == "pulse" and self.width_is_factory:
            self.told_its_width.add(step["tag"])
            body = {"code": step["fields"]["code"], "width": self.scaled(FACTORY_WIDTH_US)}
            request = messages.Request.PULSE_FOR
            self.rig.send(
                frames.frame(request, step["tag"], layouts.REQUESTS[request].build(body))
            )
        elif step["fields"] and self.rig.tolerance_us != 0:
            number = messages.Request[step["request"].upper()]
            fields = {
                name: self.scaled(value) if name in DURATIONS else value
                for name, value in step["fields"].items()
            }
            for name in ("at", "expiry"):
                if name in fields:
                    fields[name] = self.base + fields[name] * self.rig.scale
            if "name" in fields:
                fields["name"] = fields["name"].encode("ascii").ljust(16, b"\0")
            self.rig.send(
                frames.frame(number, step["tag"], layouts.REQUESTS[number].build(fields))
            )
        else:
            self.rig.send(bytes.fromhex(step["wire"]))

    def scaled(self, value: int) -> int:
        return value if value >= LIMIT else value * self.rig.scale

    def next(self) -> frames.Frame:
        for _ in range(3000):  # keeping settings takes its time
            self.waiting += self.decoder.feed(self.rig.receive())
            if self.waiting:
                return self.waiting.pop(0)
            self.rig.wait(100)
        raise AssertionError("the box said nothing")

    def expect(self, step: dict) -> None:
        column = "answer" if "answer" in step else "notice"
        numbers = messages.Answer if column == "answer" else messages.Notice
        of_kind = layouts.ANSWERS if column == "answer" else layouts.NOTICES
        number = numbers[step[column].upper()]
        marked = number | messages.IN_SESSION * step.get("in_session", False)
        kind, tag, body = self.next()
        if self.rig.tolerance_us == 0:
            assert frames.frame(kind, tag, body).hex(" ").upper() == step["wire"]
            return
        assert (kind, tag) == (marked, step["tag"])
        self.compare(of_kind[number].parse(body), step["fields"])

    def compare(self, found, fields: dict) -> None:
        for name, value in fields.items():
            if name in OF_THE_BOARD and not isinstance(value, list):
                continue
            if name == "edges":
                assert len(found.edges) == len(value)
                for one, other in zip(found.edges, value, strict=True):
                    self.compare(one, other)
            elif name == "record":
                self.compare(found.record, value)
            elif name in DURATIONS:
                factory = name == "width" and value == FACTORY_WIDTH_US
                assert found[name] in {self.scaled(value), value if factory else None}
            elif name == "request" and value == messages.Request.PULSE and self.told_its_width:
                assert found[name] in (messages.Request.PULSE, messages.Request.PULSE_FOR)
            elif name in TIMES and value != messages.NO_CUT:
                self.compare_time(name, found[name], value)
            elif name == "detail":
                self.compare_detail(found, value, fields)
            elif name == "name":
                assert found.name.rstrip(b"\0") == value.encode("ascii")
            else:
                assert found[name] == value, name

    def compare_time(self, name: str, found: int, value: int) -> None:
        """Times of the box count from the first one in the dialogue; durations from nothing."""
        if value == 0 and name != "time":
            assert found == 0 or name == "started"
            return
        if value == found == 0:  # no time: a fate that is not known, or that waits
            return
        scaled = value * self.rig.scale
        if name in ("lasted", "delay"):
            assert abs(found - scaled) <= self.rig.tolerance_us, name
            return
        if self.base is None:
            self.base = found - scaled
        assert -self.rig.tolerance_us <= found - self.base - scaled <= self.rig.tolerance_us, name

    def compare_detail(self, found, value: int, fields: dict) -> None:
        if fields["reason"] in DETAIL_IS_TIME and value != messages.NO_CUT:
            assert abs(found.detail - value * self.rig.scale) <= self.rig.tolerance_us
        elif fields["reason"] == messages.Reason.WIDTH_RANGE and value < LIMIT:
            assert found.detail > 0  # the board's own least width
        else:
            assert found.detail == value


@pytest.mark.parametrize("dialogue", DIALOGUES, ids=lambda dialogue: dialogue["name"])
def test_dialogue(rig, dialogue):
    talk = Talk(rig)
    for step in dialogue["steps"]:
        if "wait" in step:
            rig.wait(step["wait"] * rig.scale)
        elif "byte_input" in step:
            if not rig.byte_input(bytes.fromhex(step["byte_input"])):
                return  # this board has no second input; what came before was as it should be
        elif "probe" in step:
            if not rig.probe(step["probe"], step["level"]):
                return
        elif "request" in step:
            talk.send(step)
        else:
            talk.expect(step)
    rig.wait(1000)
    assert talk.waiting + talk.decoder.feed(rig.receive()) == []
