"""The vectors, against the firmware core and against the Python frames and messages.

The dialogues run in tests/conformance, because every board has to pass them."""

from __future__ import annotations

import json
import re

import encoder
import pytest
import specification

from tallymark.box.wire import frames, layouts
from tallymark.box.wire import protocol_enumerations as messages
from tallymark.virtual import VirtualBox


def load(name: str) -> list[dict]:
    return json.loads((specification.VECTORS / name).read_text(encoding="utf-8"))


FRAMES = load("frames.json")
BROKEN = load("broken.json")
CLOCK = frames.frame(messages.Request.CLOCK, 99, b"")
COUNTERS = frames.frame(messages.Request.COUNTERS, 99, b"")


def layout_of(vector: dict):
    for column, numbers, of_kind in (
        ("request", messages.Request, layouts.REQUESTS),
        ("answer", messages.Answer, layouts.ANSWERS),
        ("notice", messages.Notice, layouts.NOTICES),
    ):
        if column in vector:
            member = numbers[vector[column].upper()]
            return member, of_kind[member]
    raise AssertionError(vector)


def plain(value):
    """A parsed field as the vectors write it."""
    if isinstance(value, bytes):
        text = value.rstrip(b"\0")
        return text.decode("ascii") if len(value) == 16 else value.hex()
    if isinstance(value, dict):
        return {key: plain(each) for key, each in value.items() if not key.startswith("_")}
    if isinstance(value, list):
        return [plain(each) for each in value]
    return value


def packed(value, name: str = ""):
    """A field of the vectors as construct builds it."""
    if isinstance(value, dict):
        return {key: packed(each, key) for key, each in value.items()}
    if name == "name":
        return value.encode("ascii").ljust(16, b"\0")
    return bytes.fromhex(value) if name == "serial" else value


@pytest.mark.parametrize("vector", FRAMES, ids=lambda vector: vector["name"])
def test_python_builds_and_reads_the_frame(vector):
    member, struct = layout_of(vector)
    body = struct.build(packed(vector["fields"]))
    wire = bytes.fromhex(vector["wire"])
    kind = member | messages.IN_SESSION * vector.get("in_session", False)
    assert frames.frame(kind, vector["tag"], body) == wire
    decoder = frames.Decoder()
    assert decoder.feed(wire) == [(kind, vector["tag"], body)]
    assert decoder.broken == 0
    assert plain(struct.parse(body)) == vector["fields"]
    unstuffed = bytes.fromhex(vector["unstuffed"])
    assert unstuffed[:-2] == bytes((kind, vector["tag"])) + body


@pytest.mark.parametrize("vector", FRAMES, ids=lambda vector: vector["name"])
def test_the_core_takes_the_frame_for_a_good_one(vector):
    """Requests are answered with their tag; other types are refused as unknown requests."""
    box = VirtualBox()
    box.take()
    box.receive(bytes.fromhex(vector["wire"]))
    kind, tag, body = frames.Decoder().feed(box.take())[0]
    assert tag == vector["tag"]
    if "request" not in vector:
        refused = layouts.ANSWERS[messages.Answer.REFUSED].parse(body)
        assert (kind, refused.reason) == (messages.Answer.REFUSED, messages.Reason.UNKNOWN_REQUEST)


def counted(box: VirtualBox) -> tuple[int, int]:
    """Good frames (this one left out) and broken frames that the box has counted."""
    box.take()
    box.receive(COUNTERS)
    ((_, _, body),) = frames.Decoder().feed(box.take())
    counters = layouts.ANSWERS[messages.Answer.COUNTERS].parse(body)
    return counters.frames - 1, counters.frames_broken


@pytest.mark.parametrize("vector", BROKEN, ids=lambda vector: vector["name"])
def test_the_core_drops_and_counts_what_is_broken(vector):
    box = VirtualBox()
    box.edges()
    box.receive(bytes.fromhex(vector["wire"]))
    assert counted(box) == (vector["frames"], vector["frames_broken"])
    assert len(box.edges()) == vector["frames"]  # each good frame here is a pulse
    box.receive(CLOCK)
    assert len(frames.Decoder().feed(box.take())) == 1


@pytest.mark.parametrize("vector", BROKEN, ids=lambda vector: vector["name"])
@pytest.mark.parametrize("piece", [1, 2, 7, 1000])
def test_python_drops_and_counts_what_is_broken(vector, piece):
    wire = bytes.fromhex(vector["wire"]) + CLOCK
    decoder = frames.Decoder()
    pieces = [wire[at : at + piece] for at in range(0, len(wire), piece)]
    found = [frame for each in pieces for frame in decoder.feed(each)]
    assert (len(found) - 1, decoder.broken) == (vector["frames"], vector["frames_broken"])
    assert found[-1] == (messages.Request.CLOCK, 99, b"")


def test_the_worked_examples_are_vectors():
    """Every frame in the last section of the document is in the vectors, letter by letter."""
    steps = [step for dialogue in load("dialogues.json") for step in dialogue["steps"]]
    wires = {each["wire"] for each in FRAMES + steps if "wire" in each}
    text = specification.sections()["8. Worked examples"].text
    shown = re.findall(r"^    (?:[<>]|on the wire  ) +((?:[0-9A-F]{2} ?)+)", text, re.MULTILINE)
    assert len(shown) > 30
    for wire in shown:
        assert wire.strip() in wires, wire


@pytest.mark.parametrize("vector", FRAMES, ids=lambda vector: vector["name"])
def test_the_frame_follows_from_the_tables_of_the_document(vector):
    """By an encoder that knows neither the firmware nor the library."""
    assert encoder.spaced(encoder.unstuffed(vector)) == vector["unstuffed"]
    assert encoder.spaced(encoder.stuffed(encoder.unstuffed(vector))) == vector["wire"]


def test_the_dialogues_follow_from_the_tables_of_the_document():
    steps = [step for dialogue in load("dialogues.json") for step in dialogue["steps"]]
    known = [
        step
        for step in steps
        if any(step.get(column) in encoder.numbers(column) for column in encoder.HEADINGS)
    ]
    assert len(known) > 300
    for step in known:
        assert encoder.spaced(encoder.stuffed(encoder.unstuffed(step))) == step["wire"]


def test_every_message_and_reason_is_in_the_vectors():
    steps = [step for dialogue in load("dialogues.json") for step in dialogue["steps"]]
    for column in encoder.HEADINGS:
        assert set(encoder.numbers(column)) <= {row.get(column) for row in FRAMES}
    refusals = {step["fields"]["reason"] for step in steps if step.get("answer") == "refused"}
    never = {messages.Reason.SEQUENCE_FULL, messages.Reason.SEQUENCE_LONG,
             messages.Reason.STORE_FAILED, messages.Reason.PLACES}
    notices = {messages.Reason.BYTES_OFF, messages.Reason.NO_MARKER}
    assert set(messages.Reason) - refusals <= never | notices | {messages.Reason.NONE}
