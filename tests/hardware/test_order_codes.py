"""Order codes read by the rules of their makers: the value, the pins and the size that a code
stands for are those of the part, for the first choice and for the alternative.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

import bill
import kicad

PREFIX = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "": 1.0, "k": 1e3, "M": 1e6}


def quantity(value: str) -> float:
    """'8 × 4.7 kΩ', '100 nF' or '1 MΩ' in ohms or farads."""
    match = re.search(r"([\d.]+) ([pnµkM]?)[ΩF]$", value)
    assert match is not None, value
    return float(match[1]) * PREFIX[match[2]]


def lettered(text: str) -> float:
    """4K7, 470R, 1M00: the letter is the decimal point (IEC 60062)."""
    letter = next(c for c in text if c.isalpha())
    return float(text.replace(letter, ".")) * {"R": 1.0, "K": 1e3, "M": 1e6}[letter]


def powered(text: str) -> float:
    """472: two digits and the number of zeros (IEC 60062)."""
    return float(text[:-1]) * 10 ** int(text[-1])


def picofarads(text: str) -> float:
    return powered(text) * 1e-12


def microfarads(text: str) -> float:
    return powered(text) * 1e-6


def nothing(text: str) -> None:
    """The code does not tell the value."""


Rule = tuple[str, Callable[[str], float | None]]
RULES: tuple[Rule, ...] = (
    (r"RC(?P<size>0805)FR-07(?P<value>\d*[RKM]\d*)L", lettered),  # Yageo RC_L
    (r"CRCW(?P<size>0805)(?P<value>\d+[RKM]\d*)FKEA", lettered),  # Vishay 20035
    (r"C(?P<size>0805)C(?P<value>\d{3})[JK][35][RG]ACTU", picofarads),  # Kemet C series
    (r"CC(?P<size>0805)[JK]R(?:X7R|NPO)9B[BN](?P<value>\d{3})", picofarads),  # Yageo CC
    (r"GRM(?P<size>21)BR71E(?P<value>\d{3})KA99L", picofarads),  # Murata GRM
    (r"ECA-1EM(?P<value>\d{3})", microfarads),  # Panasonic M
    (r"UVR1E(?P<value>\d{3})MDD", microfarads),  # Nichicon VR
    (r"41(?P<pins>\d\d)R-1-(?P<value>\d{3})LF", powered),  # Bourns 4100R: isolated resistors
    (r"MDP(?P<pins>16)03(?P<value>\d+[RK]\d*)GE04", lettered),  # Vishay MDP: 03 is isolated
    (r"460(?P<pins>9)X-101-(?P<value>\d{3})LF", powered),  # Bourns 4600X: 101 is bussed
    (r"770(?P<pins>9)1(?P<value>\d{3})P", powered),  # CTS 770: 1 is bussed
    (r"3296W-1-(?P<value>\d{3})LF", powered),  # Bourns 3296
    (r"T93YA(?P<value>\d{3})KT20", powered),  # Vishay T93
    (r"6130(?P<pins>\d\d)[12](?:11|18)21", nothing),  # Würth WR-PHD: all ways, rows
    (r"TSW-1(?P<row>\d\d)-07-G-(?P<rows>[SD])", nothing),  # Samtec TSW: ways of a row
    (r"SSW-1(?P<row>\d\d)-01-G-S", nothing),  # Samtec SSW
)  # fmt: skip


def disagreements(code: str, value: str, package: str) -> list[str] | None:
    """In what the code is not the part, or None where no rule reads it."""
    code = code.split(" ")[-1]
    for pattern, read in RULES:
        match = re.fullmatch(pattern, code)
        if match is None:
            continue
        told, found = match.groupdict(), []
        if told.get("value"):
            meant, wanted = read(told["value"]), quantity(value)
            if meant is None or abs(meant / wanted - 1) > 1e-6:
                found.append(f"{code}: {value} is wanted")
        if told.get("size") and package != "0805":
            found.append(f"{code}: {package} is wanted")
        pins = int(told.get("pins") or 0)
        if told.get("row"):
            pins = int(told["row"]) * (2 if told.get("rows") == "D" else 1)
        if pins and pins != ways(package):
            found.append(f"{code}: {package} is wanted")
        return found
    return None


def ways(package: str) -> int:
    """Pins of a package by its name on the bill."""
    if match := re.search(r"(\d) × (\d+)", package):
        return int(match[1]) * int(match[2])
    match = re.search(r"(\d+)-way|IP-(\d+)", package)
    assert match is not None, package
    return int(match[1] or match[2])


def bought(netlist: kicad.Netlist, variant: str) -> list[tuple[str, str, str]]:
    """Code, value and package of each line, first choice and alternative."""
    found = []
    for row in [*bill.rows(netlist), *bill.EXTRAS[variant]]:
        package = row.package or row.function
        value = netlist.parts[row.references.split()[0]].value if row.package else ""
        found += [(row.code, value, package), (row.alternative, value, package)]
    return found


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_every_code_that_a_rule_reads_is_the_part(netlists, variant) -> None:
    read = [disagreements(*line) for line in bought(netlists[variant], variant)]
    assert sum(found is not None for found in read) > 40
    assert [problem for found in read for problem in found or []] == []


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_every_resistor_capacitor_and_header_is_read(netlists, variant) -> None:
    """A code of which no rule knows anything would pass unseen."""
    for code, value, package in bought(netlists[variant], variant):
        if re.match("0805|SIP-9|DIP-16|trimmer|header, |Socket, |Header pins, ", package):
            assert disagreements(code, value, package) is not None, code


@pytest.mark.parametrize(
    ("code", "value", "package"),
    [
        ("RC0805FR-0747KL", "4.7 kΩ", "0805"),
        ("Vishay CRCW08054K70FKEA", "47 kΩ", "0805"),
        ("C0805C103K5RACTU", "100 nF", "0805"),
        ("4114R-1-331LF", "8 × 330 Ω", "DIP-16"),
        ("CTS 77091103P", "8 × 1 kΩ", "SIP-9"),
        ("61300411121", "lines", "header, 1 × 10, 2.54 mm"),
        ("Samtec TSW-104-07-G-S", "D12", "header, 2 × 4, 2.54 mm"),
        ("Samtec SSW-115-01-G-S", "", "Socket, 20-way, 2.54 mm, 8.5 mm high"),
    ],
)
def test_a_code_of_another_part_is_noticed(code, value, package) -> None:
    assert disagreements(code, value, package)


def unknown_words(checked: str) -> list[str]:
    """Clauses of the column 'code checked' that don't say it with a word of its legend."""
    word = r"(?:code|system|list|type|no)\b"
    others = r"(?:suffix and )?alternative|contents of the kit"
    known = rf"{word}|pins: |as that of |(?:{others}): (?:{word}|as that of )"
    return [clause for clause in checked.split("; ") if not re.match(known, clause)]


def lines(text: str) -> list[list[str]]:
    """Cells of the two tables of parts."""
    found = [line.strip("| \n").split(" | ") for line in text.splitlines()]
    return [cells for cells in found if len(cells) == 10 and cells[1].isdigit()]


def test_the_bill_says_of_every_code_what_it_was_compared_with() -> None:
    text = (kicad.HARDWARE / "BOM.md").read_text()
    assert "| no | order code not confirmed by a second source" in text
    table = lines(text)
    assert len(table) > 80
    assert {word for cells in table for word in unknown_words(cells[8])} == set()
    assert unknown_words("seen; alternative: certain") == ["seen", "alternative: certain"]


def test_a_code_from_memory_is_named_above_its_table() -> None:
    text = (kicad.HARDWARE / "BOM.md").read_text()
    for section in text.split("\n## ")[1:3]:
        above = section.split("before you order:** ")[1].split("\n")[0].rstrip(".").split(", ")
        memory = [
            cells[0]
            for cells in lines(section)
            if re.match(r"no\b", cells[8]) and cells[0] not in ("board", "enclosure")
        ]
        assert memory, "the D-sub's drawing was not seen"
        assert {name.split()[0] if name not in above else name for name in memory} <= set(above)
