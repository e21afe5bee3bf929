"""The bill of materials, from the fields of the schematic: a CSV file each, and the tables in
BOM.md.
"""

from __future__ import annotations

import csv
import re
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from kicad import HARDWARE, SOURCES, VARIANTS, Netlist, Part, read_netlist

TITLES = {"tallymark": "The box", "isolated": "The isolated variant"}
INTRODUCTION = """\
# Bill of materials

Made from the fields of the schematics by `make hardware`; change a part there, not here. Prices are
bands in US dollars for one piece from a distributor, as a guide for planning. Not in the list: the
board (five pieces cost 2 to 10 dollars), IC and pin sockets (2 to 3), enclosure (4 to 8).

"""
FOOTPRINT_NAMES = {
    "Pico_Sockets": "two 20-way sockets, 2.54 mm",
    "Nano_Sockets": "two 15-way sockets, 2.54 mm",
    "SOIC-16W_8mm": "SOIC-16 wide",
}


@dataclass(frozen=True)
class Row:
    references: str
    quantity: int
    function: str
    value: str
    package: str
    price: str
    alternatives: str
    counts: bool  # the Nano stands in for the Pico and is not added up

    def total(self) -> tuple[float, float]:
        low, _, high = self.price.partition("-")
        return self.quantity * float(low), self.quantity * float(high or low)


def package(footprint: str) -> str:
    """The name of a footprint as a buyer knows the package."""
    name = footprint.split(":")[1]
    if name in FOOTPRINT_NAMES:
        return FOOTPRINT_NAMES[name]
    if name.startswith("DSUB-25"):
        return "D-sub 25, right angle, 7.7 mm to the edge"
    if match := re.match(r"PinHeader_1x(\d+)", name):
        return f"header, {int(match[1])}-way, 2.54 mm"
    if name.startswith("Converter"):
        return "SIP, pins 1, 2, 6, 7"
    names = {
        "C_Disc": "disc, 2.5 mm pitch",
        "CP_Radial": "radial 5 mm, 2 mm pitch",
        "LED_D3": "3 mm",
        "R_Axial": "axial 0204, 7.62 mm pitch",
        "R_Array_SIP9": "SIP-9",
        "C_0805": "0805",
        "SOT-23-5": "SOT-23-5",
        "DIP-16": "DIP-16",
        "DIP-20": "DIP-20",
    }
    return next(text for start, text in names.items() if name.startswith(start))


def natural(reference: str) -> tuple[str, int]:
    return re.sub(r"\d", "", reference), int(re.sub(r"\D", "", reference))


def rows(netlist: Netlist) -> list[Row]:
    """Parts that are bought, those with the same value, package and function joined in one row."""
    groups: dict[tuple[str, ...], list[Part]] = {}
    for part in netlist.parts.values():
        if part.in_bom:
            value = "red" if part.symbol.endswith(":LED") else part.value
            key = (part.fields["Function"], value, part.footprint)
            groups.setdefault(key, []).append(part)
    found = []
    for (function, value, footprint), parts in groups.items():
        references = sorted((part.reference for part in parts), key=natural)
        fields = parts[0].fields
        found.append(
            Row(
                " ".join(references),
                len(parts),
                function,
                value,
                package(footprint),
                fields["Price"],
                fields["Alternatives"],
                references[0] != "A2",
            )
        )
    return sorted(found, key=lambda row: natural(row.references.split()[0]))


def table(found: Iterable[Row]) -> str:
    """The rows as a Markdown table with the total below."""
    lines = [
        "| part | qty | function | value | package | price each | alternatives |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    low = high = 0.0
    for row in found:
        price = (
            row.price.replace("-", " to ") if row.counts else f"({row.price.replace('-', ' to ')})"
        )
        lines.append(
            f"| {row.references} | {row.quantity} | {row.function} | {row.value} | {row.package} "
            f"| {price} | {row.alternatives} |"
        )
        if row.counts:
            low, high = low + row.total()[0], high + row.total()[1]
    total = f"**{low:.2f} to {high:.2f}**"
    lines.append(f"| total | | with a Pico; without board, sockets, enclosure | | | {total} | |")
    return "\n".join(lines) + "\n"


def write(work: Path, markdown: Path) -> None:
    """Write the CSV files into `work` and the tables to `markdown`."""
    work.mkdir(parents=True, exist_ok=True)
    text = INTRODUCTION
    for variant in VARIANTS:
        found = rows(read_netlist(SOURCES / f"{variant}.kicad_sch", work))
        with (work / f"{variant}-bom.csv").open("w", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(
                [
                    "references",
                    "quantity",
                    "function",
                    "value",
                    "package",
                    "price_usd",
                    "alternatives",
                ]
            )
            for row in found:
                writer.writerow(
                    [
                        row.references,
                        row.quantity,
                        row.function,
                        row.value,
                        row.package,
                        row.price,
                        row.alternatives,
                    ]
                )
        text += f"## {TITLES[variant]}\n\n{table(found)}\n"
    markdown.write_text(text.rstrip() + "\n")


if __name__ == "__main__":
    write(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else HARDWARE / "BOM.md")
