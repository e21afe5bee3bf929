"""XDF files for tests, packed by hand after the XDF 1.0 specification; pyxdf reads them."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

BOUNDARY = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")


def chunk(tag: int, content: bytes) -> bytes:
    """Length, tag and content."""
    size = len(content) + 2
    length = bytes([1, size]) if size < 256 else b"\x04" + struct.pack("<I", size)
    return length + struct.pack("<H", tag) + content


def stream_header(
    stream: int, name: str, kind: str, rate: float, form: str, labels: Sequence[str] = ("1",)
) -> bytes:
    """Chunk that declares a stream."""
    channels = "".join(f"<channel><label>{label}</label></channel>" for label in labels)
    xml = (
        f"<?xml version='1.0'?><info><name>{name}</name><type>{kind}</type>"
        f"<channel_count>{len(labels)}</channel_count><nominal_srate>{rate:g}</nominal_srate>"
        f"<channel_format>{form}</channel_format><desc><channels>{channels}</channels></desc></info>"
    )
    return chunk(2, struct.pack("<I", stream) + xml.encode())


def text_samples(stream: int, rows: Sequence[tuple[float, str]]) -> bytes:
    """Samples chunk of a stream of texts with one channel."""
    body = struct.pack("<I", stream) + b"\x01" + bytes([len(rows)])
    for when, text in rows:
        raw = text.encode()
        body += b"\x08" + struct.pack("<d", when) + b"\x01" + bytes([len(raw)]) + raw
    return chunk(3, body)


def number_samples(stream: int, start: float, rate: float, rows: Sequence[Sequence[int]]) -> bytes:
    """Samples chunk of a stream of 16-bit numbers, each with its time stamp."""
    body = struct.pack("<I", stream) + b"\x04" + struct.pack("<I", len(rows))
    for number, row in enumerate(rows):
        body += b"\x08" + struct.pack("<d", start + number / rate)
        body += struct.pack(f"<{len(row)}h", *row)
    return chunk(3, body)


def clock_offset(stream: int, when: float, offset: float) -> bytes:
    """Chunk with a measurement of a stream's clock against the recorder's."""
    return chunk(4, struct.pack("<Idd", stream, when, offset))


def xdf_file(
    path: Path,
    times: Sequence[float],
    codes: Sequence[int],
    rate: float = 256.0,
    pause: float = 0.0,
) -> None:
    """A stream of markers in text, and an amplifier with a signal and a status channel that hold
    the same codes; the markers' clock is 5 s ahead of the recorder's. The amplifier pauses for
    `pause` seconds in the middle of its samples."""
    end = times[-1] + 0.5
    values = [[n % 7, 0] for n in range(int(end * rate))]
    for time, code in zip(times, codes, strict=True):
        for n in range(int(time * rate), int(time * rate) + 3):
            values[n][1] = code
    begin = 1000.0
    half = len(values) // 2
    path.write_bytes(
        b"XDF:"
        + chunk(
            1,
            b"<?xml version='1.0'?><info><version>1.0</version>"
            b"<datetime>2026-04-01T12:30:00+0200</datetime></info>",
        )
        + stream_header(1, "ferry markers", "Markers", 0, "string")
        + stream_header(2, "amplifier", "EEG", rate, "int16", ("Fz", "Status"))
        + clock_offset(1, begin + 5, -5.0)
        + clock_offset(2, begin, 0.0)
        + number_samples(2, begin, rate, values[:half])
        + chunk(5, BOUNDARY)
        + text_samples(1, [(begin + 5 + t, f"boat {c}") for t, c in zip(times, codes, strict=True)])
        + number_samples(2, begin + half / rate + pause, rate, values[half:])
        + clock_offset(1, begin + 5 + end, -5.0)
        + clock_offset(2, begin + end, 0.0)
        + chunk(6, struct.pack("<I", 2) + b"<?xml version='1.0'?><info></info>")
    )
