"""The bill of materials, from the fields of the schematics: BOM.md, and for each variant a list for
a distributor's cart and one for assembly.
"""

# ruff: noqa: E501 - tables and lists of parts are read unbroken

from __future__ import annotations

import csv
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from kicad import HARDWARE, SOURCES, VARIANTS, Netlist, Part, read_netlist

TITLES = {"tallymark": "The box", "isolated": "The isolated variant"}
PRICED = "2026-11-28"
INTRODUCTION = f"""\
# Bill of materials

Made from the fields of the schematics by `make hardware`; change a part there, not here.

Prices are **estimates** in US dollars for one piece, made on {PRICED} without a look at any distributor. Stock was not looked
at either. **Check price, stock and order code before you order.** An alternative fits the same place on the board.

The column "code checked" says what the order code, and that of the alternative, was compared with:

| word | what was seen |
| --- | --- |
| code | this very code, in a document of the maker or in KiCad's library |
| system | the maker's rule by which its order codes are made; this code follows it |
| list | this very code with this part, in parts lists of public designs; no document of the maker |
| type | the type and its package in the maker's data sheet; the suffix for package and reel is from memory |
| no | order code not confirmed by a second source: it is from memory |

`make hardware` also writes `build/hardware/boards/NAME-cart.csv` (maker, order code, quantity for one box with a Pico: a distributor's
upload page takes it), `tallymark-nano-cart.csv` (the same with a Nano), and `NAME-assembly.csv` with `NAME/NAME-placement.csv` (values, packages and positions for who solders).

"""
NOTES = """\
**USB board.** A Pico or another board with its pinout and an **RP2040**. A board with an RP2350 looks the same and does not
work. A1 pins are for a Pico without fitted pins. The Nano needs an ATmega328P at 16 MHz; if it comes without pins, two rows of 15.
A Pico takes a USB cable with a micro-B plug, the Nano A000005 one with mini-B. The cable is not in the sum.

**D-sub.** The rows of pins are 2.84 mm apart, the front one 7.70 mm behind the edge of the board, the screw holes 47.1 mm
apart and 9.12 mm behind it, as in KiCad's footprint. With its flange of 0.4 mm that is the pattern sold as 0.318 inch (8.1
mm). Compare the drawing: connectors with 9.4 mm or 14.6 mm don't fit.
"""


@dataclass(frozen=True)
class Row:
    references: str
    quantity: int
    function: str
    value: str
    package: str
    maker: str
    code: str
    alternative: str
    checked: str
    price: str
    counts: bool = True  # the Nano stands in for the Pico and is not added up

    def total(self) -> tuple[float, float]:
        low, _, high = self.price.partition("-")
        return self.quantity * float(low), self.quantity * float(high or low)


def _extra(
    name: str, quantity: int, function: str, maker: str, code: str, alternative: str, checked: str, price: str
) -> Row:
    return Row(name, quantity, function, "", "", maker, code, alternative, checked, price)


A1_SOCKETS = _extra("A1 sockets", 2, "Socket, 20-way, 2.54 mm, 8.5 mm high", "Würth Elektronik", "61302011821", "Samtec SSW-120-01-G-S", "list; alternative: as that of A2 (list)", "0.80-1.80")
A1_PINS = _extra("A1 pins", 2, "Header pins, 20-way, 2.54 mm, if A1 comes without", "Würth Elektronik", "61302011121", "Samtec TSW-120-07-G-S", "list; alternative: no", "0.40-1.20")
# What has no symbol of its own: sockets, shunts, screws, enclosure and the board.
EXTRAS = {
    "tallymark": (
        A1_SOCKETS,
        A1_PINS,
        _extra("A2 sockets", 2, "Socket, 15-way, 2.54 mm, 8.5 mm high, instead of those of A1", "Würth Elektronik", "61301511821", "Samtec SSW-115-01-G-S", "no; as that of A1 sockets (list); alternative: list", "0.70-1.60"),
        _extra("JP shunts", 2, "Shunt, 2.54 mm (Nano only)", "Würth Elektronik", "60900213421", "Harwin M7582-05", "list; alternative: list", "0.10-0.30"),
    ),
    "isolated": (
        A1_SOCKETS,
        A1_PINS,
    ),
}  # fmt: skip
BOX_EXTRAS = (
    _extra("J3 plug", 1, "Plug of the inputs, 6-way, 3.81 mm", "Phoenix Contact", "1803617", "Würth Elektronik 691361100006", "no", "2.50-5.00"),
    _extra("J1 screws", 1, "Two screw locks, 4-40, if J1 comes without", "TE Connectivity", "5205817-1", "any 4-40 hexagonal screw lock, 5 mm", "list; contents of the kit: no", "1.00-3.00"),
    _extra("H1 to H4", 4, "Screw, plastic, M3 × 8 mm", "Würth Elektronik", "97790803211", "any M3 × 8 mm screw of polyamide", "list", "0.10-0.30"),
    _extra("board", 1, "Circuit board, 2 layers, 1.6 mm, one of five", "any board maker", "NAME-board.zip", "any other board maker", "no", "0.80-8.00"),
    _extra("enclosure", 1, "Printed enclosure, plastic", "own printer", "see README", "printing service", "no", "2.00-25.00"),
)  # fmt: skip
FOOTPRINT_NAMES = {
    "Pico_Sockets": "two 20-way sockets, 2.54 mm",
    "Nano_Sockets": "two 15-way sockets, 2.54 mm",
    "SOIC-16W_8mm": "SOIC-16 wide",
}
PACKAGES = {
    "DSUB-25": "D-sub 25, right angle, 7.70 mm to the edge",
    "PhoenixContact": "6-way, right angle, 3.81 mm",
    "Converter": "SIP, pins 1, 2, 6, 7",
    "CP_Radial": "radial 5 mm, 2 mm pitch",
    "LED_D3": "3 mm",
    "R_Array_SIP9": "SIP-9",
    "R_0805": "0805",
    "C_0805": "0805",
    "SOT-23-5": "SOT-23-5",
    "SOT-23-6": "SOT-23-6",
    "SOIC-20W": "SOIC-20 wide",
    "SOIC-14": "SOIC-14",
    "SOIC-8": "SOIC-8",
    "DIP-16": "DIP-16",
    "Potentiometer": "trimmer, upright, 3 in a row, 2.54 mm",
}


def package(footprint: str) -> str:
    """The name of a footprint as a buyer knows the package."""
    name = footprint.split(":")[1]
    if name in FOOTPRINT_NAMES:
        return FOOTPRINT_NAMES[name]
    if match := re.match(r"PinHeader_(\d)x(\d+)", name):
        return f"header, {match[1]} × {int(match[2])}, 2.54 mm"
    return next(text for start, text in PACKAGES.items() if name.startswith(start))


def natural(reference: str) -> tuple[str, int]:
    return re.sub(r"\d", "", reference), int(re.sub(r"\D", "", reference))


def rows(netlist: Netlist) -> list[Row]:
    """Parts that are bought, those with the same order code joined in one row."""
    groups: dict[str, list[Part]] = {}
    for part in netlist.parts.values():
        if part.in_bom:
            groups.setdefault(part.fields["MPN"], []).append(part)
    found = []
    for code, parts in groups.items():
        references = sorted((part.reference for part in parts), key=natural)
        fields = parts[0].fields
        functions = list(dict.fromkeys(part.fields["Function"] for part in parts))
        led = parts[0].symbol.endswith(":LED")
        found.append(
            Row(
                " ".join(references),
                len(parts),
                functions[0] if len(functions) == 1 else "; ".join(functions[:2]) + (" ..." if len(functions) > 2 else ""),
                "red" if led else parts[0].value,
                package(parts[0].footprint),
                fields["Maker"],
                code,
                fields["Alternative"],
                fields["Code checked"],
                fields["Price"],
                references[0] != "A2",
            )
        )  # fmt: skip
    return sorted(found, key=lambda row: natural(row.references.split()[0]))


def _counts(row: Row) -> bool:
    return row.counts and "instead of" not in row.function and "Nano only" not in row.function


def unchecked(found: Iterable[Row]) -> str:
    """The lines whose order code, or a part of it, nobody has compared with a document."""
    names = [
        row.references.split()[0] if " " in row.references and row.package else row.references
        for row in found
        if row.references not in ("board", "enclosure")
        and row.checked.split(";")[0].split(":")[0].split()[0].startswith(("no", "type"))
    ]
    return (
        "**Not confirmed by a second source, or no drawing seen; compare these lines with the maker's data sheet before you order:** "
        + ", ".join(names)
        + ".\n"
    )


def table(found: Iterable[Row]) -> str:
    """The rows as a Markdown table with the total below."""
    lines = [
        "| part | qty | function | value | package | maker | order code | alternative | code checked | price each |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    low = high = 0.0
    for row in found:
        price = row.price.replace("-", " to ")
        if _counts(row):
            low, high = low + row.total()[0], high + row.total()[1]
        else:
            price = f"({price})"
        lines.append(
            f"| {row.references} | {row.quantity} | {row.function} | {row.value} | {row.package} | {row.maker} "
            f"| {row.code} | {row.alternative} | {row.checked} | {price} |"
        )
    total = f"**{low:.2f} to {high:.2f}**"
    lines.append(
        f"| total | | the whole box with a Pico, without what stands in brackets | | | | | | {PRICED} | {total} |"
    )
    return "\n".join(lines) + "\n"


def _csv(path: Path, header: list[str], body: Iterable[list[object]]) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(body)


def _cart(path: Path, found: list[Row]) -> None:
    """What one box needs, as distributors' upload pages take it."""
    _csv(
        path,
        [
            "Manufacturer",
            "Manufacturer Part Number",
            "Quantity",
            "Customer Reference",
            "Alternative",
        ],
        [[r.maker, r.code, r.quantity, r.references, r.alternative] for r in found],
    )


def write(work: Path, markdown: Path) -> None:
    """Write the lists into `work` and the tables to `markdown`."""
    work.mkdir(parents=True, exist_ok=True)
    text = INTRODUCTION
    for variant in VARIANTS:
        parts = rows(read_netlist(SOURCES / f"{variant}.kicad_sch", work))
        extras = [*EXTRAS[variant], *BOX_EXTRAS]
        bought = [r for r in [*parts, *extras] if r.references not in ("board", "enclosure")]
        _cart(work / f"{variant}-cart.csv", [r for r in bought if _counts(r)])
        if any(not _counts(r) for r in bought):
            without_pico = [r for r in bought if r.references.split()[0] != "A1"]
            _cart(work / f"{variant}-nano-cart.csv", without_pico)
        _csv(
            work / f"{variant}-assembly.csv",
            [
                "Designator",
                "Quantity",
                "Comment",
                "Package",
                "Manufacturer",
                "Manufacturer Part Number",
            ],
            [
                [r.references.replace(" ", ","), r.quantity, r.value, r.package, r.maker, r.code]
                for r in parts
            ],
        )
        named = [Row(**(r.__dict__ | {"code": r.code.replace("NAME", variant)})) for r in extras]
        text += (
            f"## {TITLES[variant]}\n\n{unchecked([*parts, *named])}\n{table([*parts, *named])}\n"
        )
    markdown.write_text(text + "## Notes\n\n" + NOTES)


if __name__ == "__main__":
    write(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else HARDWARE / "BOM.md")
