"""Calls of kicad-cli, and the netlist that it exports as plain Python objects."""

from __future__ import annotations

import json
import subprocess
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass, field
from pathlib import Path

HARDWARE = Path(__file__).resolve().parents[1]
ROOT = HARDWARE.parent
SOURCES = HARDWARE / "kicad"
VARIANTS = ("tallymark", "isolated")


@dataclass(frozen=True)
class Pin:
    """One pin of one part on a net; `kind` is KiCad's electrical type (input, output, ...)."""

    part: str
    number: str
    name: str
    kind: str


@dataclass(frozen=True)
class Part:
    reference: str
    value: str
    footprint: str
    symbol: str
    fields: dict[str, str]
    in_bom: bool


@dataclass
class Netlist:
    parts: dict[str, Part] = field(default_factory=dict)
    nets: dict[str, list[Pin]] = field(default_factory=dict)

    def net_of(self, part: str, number: str) -> str:
        """The net of a pin. Raises KeyError if the schematic has no such pin."""
        for name, pins in self.nets.items():
            if any(pin.part == part and pin.number == number for pin in pins):
                return name
        raise KeyError(f"no pin {number} of {part}")

    def nets_of(self, part: str) -> dict[str, str]:
        """Pin number to net name of one part."""
        return {
            pin.number: name for name, pins in self.nets.items() for pin in pins if pin.part == part
        }


def kicad_cli(*arguments: str | Path) -> str:
    """Run kicad-cli and return what it printed. Raises RuntimeError with its words on failure."""
    done = subprocess.run(
        ["kicad-cli", *map(str, arguments)], capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        raise RuntimeError(
            f"kicad-cli {' '.join(map(str, arguments))}: {done.stderr or done.stdout}"
        )
    return done.stdout


def read_netlist(schematic: Path, work: Path) -> Netlist:
    """Export the netlist of a schematic into the folder `work` and read it."""
    work.mkdir(parents=True, exist_ok=True)
    exported = work / f"{schematic.stem}.net.xml"
    kicad_cli("sch", "export", "netlist", "--format", "kicadxml", "-o", exported, schematic)
    root = ElementTree.parse(exported).getroot()
    netlist = Netlist()
    for comp in root.iter("comp"):
        reference = comp.get("ref", "")
        fields = {item.get("name", ""): item.text or "" for item in comp.iter("field")}
        source = comp.find("libsource")
        symbol = "" if source is None else f"{source.get('lib')}:{source.get('part')}"
        out_of_bom = any(item.get("name") == "exclude_from_bom" for item in comp.iter("property"))
        netlist.parts[reference] = Part(
            reference,
            comp.findtext("value", ""),
            comp.findtext("footprint", ""),
            symbol,
            fields,
            not out_of_bom,
        )
    for net in root.iter("net"):
        netlist.nets[net.get("name", "").removeprefix("/")] = [
            Pin(
                node.get("ref", ""),
                node.get("pin", ""),
                node.get("pinfunction", ""),
                node.get("pintype", ""),
            )
            for node in net.iter("node")
        ]
    return netlist


def violations(kind: str, source: Path, work: Path) -> list[str]:
    """All findings of ERC (`kind` "sch") or of DRC with schematic parity (`kind` "pcb")."""
    work.mkdir(parents=True, exist_ok=True)
    report = work / f"{source.stem}.{kind}.json"
    if kind == "sch":
        kicad_cli("sch", "erc", "--severity-all", "--format", "json", "-o", report, source)
    else:
        kicad_cli(
            "pcb", "drc", "--schematic-parity", "--severity-all", "--format", "json", "-o", report,
            source,
        )  # fmt: skip
    content = json.loads(report.read_text())
    found = [v for sheet in content.get("sheets", []) for v in sheet["violations"]]
    for group in ("violations", "unconnected_items", "schematic_parity"):
        found += content.get(group, [])
    return [
        f"{v['severity']} {v['type']}: {v['description']}: "
        + "; ".join(item["description"] for item in v["items"])
        for v in found
    ]
