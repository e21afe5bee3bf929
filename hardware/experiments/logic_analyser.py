"""The protocol on the wire: a VCD file of the serial line of a Nano, to be decoded.

Usage: python logic_analyser.py FILE.vcd
"""

from __future__ import annotations

import sys
from pathlib import Path

from tallymark.box.wire.frames import Decoder, code_frame
from tallymark.box.wire.protocol_enumerations import Request
from vcd import VCDWriter

from experiment import Experiment, Facts, axes, save

BAUD = 500_000
CODE, TAG = 42, 7
STEPS_A_BIT = 20  # of 100 ns
EDGE_AFTER_US = 10  # from the end of the frame to the edge, measured in simulation
Change = tuple[int, int]  # time in 100 ns, level


def as_levels(data: bytes, start: int) -> list[Change]:
    """Bytes as the levels of a serial line: start bit, eight bits from the lowest, stop bit."""
    found: list[Change] = [(0, 1)]
    at = start
    for byte in data:
        for bit in (0, *(byte >> n & 1 for n in range(8)), 1):
            if found[-1][1] != bit:
                found.append((at, bit))
            at += STEPS_A_BIT
    return found


def write(path: Path) -> bytes:
    """Writes one request and the pulse that follows. Returns the bytes of the request."""
    request = code_frame(Request.PULSE, TAG, CODE)
    start = 500
    end = start + len(request) * 10 * STEPS_A_BIT
    edge = end + EDGE_AFTER_US * 10
    with path.open("w") as file, VCDWriter(file, timescale="100 ns", date="", version="") as vcd:
        wire = vcd.register_var("", "rx", "wire", size=1, init=1)
        lines = [vcd.register_var("", f"line{n}", "wire", size=1, init=0) for n in range(8)]
        for at, level in as_levels(request, start)[1:]:
            vcd.change(wire, at, level)
        for at, code in ((edge, CODE), (edge + 50_000, 0)):
            for n, line in enumerate(lines):
                vcd.change(line, at, code >> n & 1)
        vcd.change(wire, edge + 51_000, 1)
        vcd.close(edge + 51_000)
    return request


def run(target: Path) -> Facts:
    request = code_frame(Request.PULSE, TAG, CODE)
    figure, one = axes(6.4, 3.4)
    changes = as_levels(request, 40)
    times = [at / 10 for at, _ in changes] + [len(request) * 20 + 12.0]
    one.step(times, [level for _, level in changes] + [1], where="post", linewidth=1.5)
    for number, byte in enumerate(request):
        one.text(4 + number * 20 + 10, 1.15, f"{byte:02X}", ha="center", family="DejaVu Sans Mono")
        one.axvline(4 + number * 20, color="0.8", linewidth=0.8)
    one.set(xlabel="µs", yticks=[0, 1], ylim=(-0.2, 1.5), xlim=(0, len(request) * 20 + 8))
    one.set_title("to the box, 500,000 baud", loc="left", fontsize=10)
    save(figure, target)
    decoder = Decoder()
    kind, tag, body = decoder.feed(request)[0]
    return {
        "bytes": request.hex(" ").upper(), "kind": f"{kind:02X}", "tag": f"{tag:02X}",
        "body": body.hex(" ").upper(), "length": str(len(request)),
        "time": str(len(request) * 20), "most": f"{1e6 / (len(request) * 20):.0f}",
        "first": str(request[0]),
    }  # fmt: skip


EXPERIMENT = Experiment(
    "logic-analyser",
    "Reading the protocol with a logic analyser",
    "Decode one marker on the serial line of a Nano, byte by byte, with a specification and a decoder that know nothing of each other.",
    "The virtual box's frames as a VCD file, and sigrok-cli or another program that reads VCD. On the bench: a Nano and a logic analyser on its pins RX (D0), D2 to D9 and GND.",
    (
        "Write the file. It has the serial line and the eight lines of the box.",
        "Let an independent program decode the serial line: 500,000 baud, 8 data bits, no parity, 1 stop bit.",
        "Take [PROTOCOL.md](../../protocol/PROTOCOL.md), section 2, and find type, tag, code and checksum in the bytes by hand. Undo the stuffing first.",
    ),
    (
        "python hardware/experiments/logic_analyser.py frame.vcd",
        "sigrok-cli -i frame.vcd -P uart:rx=rx:baudrate=500000 -A uart=rx-data",
    ),
    (
        "Which bytes are on the wire? Which of them are the marker's code, its tag and its type?",
        "Why is the last byte 00, and why is there no other 00?",
        "How long does the frame take on the wire? How many such markers a second could the wire carry in one direction?",
        "From the end of the last byte, how long does it take until the lines move? What would the recording see of it?",
        "Turn one bit of the code round. What does the box do?",
    ),
    (
        "`{bytes}`. Without the stuffing: type `{kind}`, tag `{tag}`, body `{body}` (code 42), and two bytes of CRC.",
        "00 ends the frame, so COBS replaces every 00 inside. The first byte, {first}, says where the next one would be.",
        "{length} bytes of 10 bits at 2 µs: {time} µs; {most} a second. The answers need 14 bytes on the way back, so that 3,571 confirmed ones are the limit.",
        "10 µs in the file, which is what was measured in simulation. At 1000 Hz, nothing: a hundredth of a sample.",
        "The CRC no longer fits: the box drops the frame and counts it. No line moves, and the host reports the marker as unconfirmed.",
    ),
    run,
    "One marker on the wire: start bit low, eight bits from the lowest, stop bit high. From the frame that the library sends.",
)  # fmt: skip

if __name__ == "__main__":
    print(write(Path(sys.argv[1])).hex(" ").upper())
