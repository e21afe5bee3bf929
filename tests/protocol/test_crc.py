"""The CRC is the one that the document names, and finds as many errors as it says."""

from __future__ import annotations

from itertools import combinations

import specification
from fastcrc.crc16 import profibus

POLYNOMIAL = 0x1DCF


def documented() -> dict[str, str]:
    return specification.table("2.1 CRC", "polynomial")[0]


def test_parameters():
    """A register made of the parameters in the table gives the check value and the residue."""
    row = documented()
    assert int(row["polynomial"], 16) == POLYNOMIAL
    assert (row["reflect in"], row["reflect out"]) == ("no", "no")

    def register(data: bytes) -> int:
        value = int(row["initial value"], 16)
        for byte in data:
            for bit in range(7, -1, -1):
                top = value >> 15 ^ byte >> bit & 1
                value = value << 1 & 0xFFFF ^ (POLYNOMIAL if top else 0)
        return value

    final = int(row["final XOR"], 16)
    assert register(b"123456789") ^ final == int(row['check ("123456789")'], 16)
    assert register(b"123456789") ^ final == profibus(b"123456789")
    whole = b"\x10\x07\x2a" + profibus(b"\x10\x07\x2a").to_bytes(2, "big")
    assert register(whole) == int(row["residue"], 16)


def syndromes(bits: int) -> list[int]:
    """What each single-bit error of a frame of that many bits does to the CRC."""
    found = []
    value = 1
    for _ in range(bits):
        found.append(value)
        value = value << 1 ^ (POLYNOMIAL | 0x10000 if value & 0x8000 else 0)
    return found


def smallest_missed(bits: int, up_to: int) -> int:
    """The smallest number of bit errors of which some are not found; `up_to` + 1: none up to it."""
    single = syndromes(bits)
    sums = {1: set(single), 2: {a ^ b for a, b in combinations(single, 2)}}
    if len(sums[1]) < bits or 0 in sums[1]:
        return 2
    if sums[2] & sums[1]:
        return 3
    if len(sums[2]) < bits * (bits - 1) // 2:
        return 4
    if up_to > 4 and any(a ^ b ^ c in sums[2] for a, b, c in combinations(single, 3)):
        return 5
    return up_to + 1


def test_hamming_distance():
    """5 up to 120 bits, 4 from 121 to 512, as the document says."""
    assert "5 for frames up to 120 bits and 4 for frames\nfrom 121 to 512 bits" in (
        specification.sections()["2.1 CRC"].text
    )
    assert smallest_missed(120, up_to=5) >= 5
    assert smallest_missed(121, up_to=5) == 4
    assert smallest_missed(512, up_to=3) == 4
