"""Frames: the fast builders against construct, and the decoder against pieces of any size."""

from __future__ import annotations

import random

import pytest
from cobs.cobs import encode
from fastcrc.crc16 import profibus

from tallymark.box.wire import frames
from tallymark.box.wire.layouts import REQUESTS
from tallymark.box.wire.protocol_enumerations import WIRE_LONGEST, Request

SOME_FRAMES = [
    frames.frame(kind, tag, bytes(range(tag % 60)))
    for kind, tag in [(0x80, 1), (0xC0, 0), (0x10, 255), (0x28, 59), (0x7F, 60)]
]


@pytest.mark.parametrize("request_type", [Request.PULSE, Request.SET])
def test_code_frame_equals_construct(request_type):
    for code in range(256):
        for tag in (1, 2, 127, 255):
            body = REQUESTS[request_type].build({"code": code})
            fast = frames.code_frame(request_type, tag, code)
            assert fast == frames.frame(request_type, tag, body)
            assert len(fast) == frames.CODE_WIRE


def test_code_width_frame_equals_construct():
    for width in (1, 255, 256, 5000, 0x01000000, 3_600_000_000):
        for code in (1, 128, 255):
            body = REQUESTS[Request.PULSE_FOR].build({"code": code, "width": width})
            fast = frames.code_width_frame(Request.PULSE_FOR, 9, code, width)
            assert fast == frames.frame(Request.PULSE_FOR, 9, body)
            assert len(fast) == frames.CODE_WIDTH_WIRE


def test_decoder_takes_pieces_of_any_size():
    stream = b"\0" + b"".join(SOME_FRAMES)
    whole = frames.Decoder().feed(stream)
    assert [(kind, tag) for kind, tag, _ in whole] == [
        (0x80, 1), (0xC0, 0), (0x10, 255), (0x28, 59), (0x7F, 60)
    ]
    chance = random.Random(5)
    for _ in range(200):
        decoder, found, at = frames.Decoder(), [], 0
        while at < len(stream):
            step = chance.randint(1, 20)
            found += decoder.feed(stream[at : at + step])
            at += step
        assert (found, decoder.broken) == (whole, 0)


def test_decoder_drops_and_counts_what_is_damaged():
    good = frames.code_frame(Request.PULSE, 5, 7)
    for at in range(len(good) - 1):
        for bit in range(8):
            damaged = bytearray(good)
            damaged[at] ^= 1 << bit
            decoder = frames.Decoder()
            assert decoder.feed(bytes(damaged) + good) == [(Request.PULSE, 5, b"\7")]
            assert decoder.broken >= 1


def test_a_frame_without_a_tag_is_broken_though_its_crc_is_right():
    for message in (b"", b"\x80"):
        stuffed = encode(message + profibus(message).to_bytes(2, "big"))
        decoder = frames.Decoder()
        assert decoder.feed(stuffed + b"\0") == []
        assert decoder.broken == 1


@pytest.mark.parametrize("piece", [1, 7, 1000])
def test_decoder_counts_a_frame_that_is_too_long_once(piece):
    good = frames.code_frame(Request.PULSE, 5, 7)
    stream = b"\1" * 500 + b"\0" + good
    decoder, found = frames.Decoder(), []
    for at in range(0, len(stream), piece):
        found += decoder.feed(stream[at : at + piece])
    assert found == [(Request.PULSE, 5, b"\7")]
    assert decoder.broken == 1


def test_longest_frame_fits_the_specification():
    assert len(frames.frame(0x88, 1, bytes(60))) == WIRE_LONGEST
    assert frames.Decoder().feed(frames.frame(0x88, 1, bytes(60))) == [(0x88, 1, bytes(60))]
    assert frames.Decoder().feed(frames.frame(0x88, 1, bytes(61))) == []
