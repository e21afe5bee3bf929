"""Frames built from the tables of PROTOCOL.md and from nothing else: neither from the firmware nor
from the library.

Run as a program, it writes what follows from the fields of the vectors (`unstuffed`, `wire`) into
their files, and the dialogues of the last section into the document.

The fields themselves are written by hand, by whoever knows what a box has to say.
"""

from __future__ import annotations

import functools
import json
import re
import sys
from typing import Any

import specification

LISTS = {"edges": (2, "edges"), "probe_edges": (1, "edges"), "snippet": (4, "samples")}
"""Messages with a list at their end: how many fields are before it, and its name in the vectors."""
IN_SESSION = 0x20
"""Section 3.3: bit 5 of the type."""
HEADINGS = {"request": "4.1 Requests", "answer": "4.2 Answers", "notice": "4.3 Notices"}


def crc(data: bytes) -> bytes:
    """The register of section 2.1, bit by bit."""
    row = specification.table("2.1 CRC", "polynomial")[0]
    value = int(row["initial value"], 16)
    for byte in data:
        for bit in range(7, -1, -1):
            top = value >> 15 ^ byte >> bit & 1
            value = value << 1 & 0xFFFF ^ (int(row["polynomial"], 16) if top else 0)
    return (value ^ int(row["final XOR"], 16)).to_bytes(2, "big")


def stuffed(data: bytes) -> bytes:
    """COBS as section 2.2 describes it, and the closing zero."""
    return b"".join(bytes((len(piece) + 1,)) + piece for piece in data.split(b"\0")) + b"\0"


@functools.cache
def numbers(column: str) -> dict[str, int]:
    """Messages of one kind by their names in the vectors."""
    rows = specification.table(HEADINGS[column], "type")
    return {row[column].replace(" ", "_"): int(row["type"], 16) for row in rows}


@functools.cache
def fields_of(column: str, message: str) -> tuple[tuple[str, str], ...]:
    """Name and type of each field."""
    if message == "edges":
        column = "answer"
    if message == "settings_write":
        rows = specification.table("5. Settings", "offset")
    else:
        label = message.replace("_", " ")
        rows = specification.fields(label, numbers(column)[message]) or []
    return tuple((row["field"], row["type"]) for row in rows)


def _packed(name: str, kind: str, value: Any) -> bytes:
    bits, _, count = kind.removeprefix("u").partition("×")
    if name == "record":
        return body("request", "settings_write", value)
    if name == "serial":
        return bytes.fromhex(value)
    if name == "name":
        return value.encode("ascii").ljust(int(count), b"\0")
    if isinstance(value, list):
        return bytes(value)
    return value.to_bytes(int(bits) // 8, "little")


def body(column: str, message: str, fields: dict[str, Any]) -> bytes:
    """The body of a message with these fields, each of which has to be given."""
    layout = fields_of(column, message)
    if message in LISTS:
        fixed, list_name = LISTS[message]
        parts = [_packed(name, kind, fields[name]) for name, kind in layout[:fixed]]
        parts += [
            _packed(name, kind, entry[name] if isinstance(entry, dict) else entry)
            for entry in fields[list_name]
            for name, kind in layout[fixed:]
        ]
        return b"".join(parts)
    assert {name for name, _ in layout} == set(fields), (message, fields)
    return b"".join(_packed(name, kind, fields[name]) for name, kind in layout)


def unstuffed(row: dict[str, Any]) -> bytes:
    """A row of the vectors as a message with its CRC."""
    column = next(each for each in HEADINGS if each in row)
    content = body(column, row[column], row["fields"])
    kind = numbers(column)[row[column]] + IN_SESSION * row.get("in_session", False)
    message = bytes((kind, row["tag"])) + content
    return message + crc(message)


def spaced(data: bytes) -> str:
    return data.hex(" ").upper()


_FACTORY = {
    row["field"]: "" if row["factory"] == "empty" else int(row["factory"].replace(",", ""))
    for row in specification.table("5. Settings", "offset")
}


def _sentence(step: dict[str, Any]) -> str:
    """A step of a dialogue in the document."""
    if "wait" in step:
        return f"      {step['wait']} µs pass"
    if "byte_input" in step:
        return f"      on the byte input: {step['byte_input']}"
    if "probe" in step:
        return f"      input {step['probe']}: level {step['level']}"
    column = next(each for each in HEADINGS if each in step)
    shown = []
    usual = {"settings_write": _FACTORY}.get(step[column], {})
    for name, value in step["fields"].items():
        if value == usual.get(name, ...):
            continue
        if name == "lasted" and value == 0xFFFFFFFF:
            shown.append("nothing cut")
        elif step[column] == "probe_edges" and name == "edges":
            states = ("off", "on")
            shown += [f"source {e['source']} {states[e['on']]} at {e['time']}" for e in value]
        elif step[column] == "edges" and name == "edges":
            shown += [
                f"{each['levels']} at {each['time']}"
                + (f" (source {each['source']})" if each["source"] else "")
                for each in value
            ] or ["none"]
        else:
            shown.append(f"{name} {value}")
    counted = "number" if column == "notice" else "tag"
    what = f"      {step[column].replace('_', ' ')}, {counted} {step['tag']}"
    what += ", in session" * step.get("in_session", False)
    if usual:
        what += ": the factory values" + (" but for " + ", ".join(shown) if shown else "")
    elif shown and step[column] != "identity":
        what += ": " + ", ".join(shown)
    return what + f"\n    {'>' if column == 'request' else '<'} {step['wire']}"


def _line(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False)


def main() -> None:
    frames = json.loads((specification.VECTORS / "frames.json").read_text(encoding="utf-8"))
    for row in frames:
        row["unstuffed"] = spaced(unstuffed(row))
        row["wire"] = spaced(stuffed(unstuffed(row)))
    text = "[\n" + ",\n".join(_line(row) for row in frames) + "\n]\n"
    (specification.VECTORS / "frames.json").write_text(text, encoding="utf-8")

    dialogues = json.loads((specification.VECTORS / "dialogues.json").read_text(encoding="utf-8"))
    blocks = []
    for dialogue in dialogues:
        for step in dialogue["steps"]:
            if any(step.get(column) in numbers(column) for column in HEADINGS):
                step["wire"] = spaced(stuffed(unstuffed(step)))
        steps = ",\n".join("    " + _line(step) for step in dialogue["steps"])
        name, note = _line(dialogue["name"]), _line(dialogue["note"])
        head = f'  {{"name": {name}, "note": {note}, "steps": [\n'
        blocks.append(head + steps + "\n  ]}")
    text = "[\n" + ",\n".join(blocks) + "\n]\n"
    (specification.VECTORS / "dialogues.json").write_text(text, encoding="utf-8")

    by_name = {dialogue["name"].capitalize(): dialogue for dialogue in dialogues}
    parts = re.split(r"(?m)^(?=\*\*)", specification.DOCUMENT.read_text(encoding="utf-8"))
    for at, part in enumerate(parts):
        found = re.match(r"\*\*(.+?)\.\*\*", part)
        if found and found[1] in by_name:
            intro = part.split("\n\n")[0]
            steps = [_sentence(step) for step in by_name[found[1]]["steps"]]
            end = "\n\n" if at < len(parts) - 1 else "\n"
            parts[at] = intro + "\n\n" + "\n".join(steps) + end
    specification.DOCUMENT.write_text("".join(parts), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
