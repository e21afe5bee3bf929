"""STEP files (ISO 10303-21) with their colours in an order that depends on the geometry alone."""

from __future__ import annotations

import re

_ENTITY = re.compile(r"#(\d+)\s*=\s*(.*?);\n", re.DOTALL)
_REFERENCE = re.compile(r"#(\d+)")
_ROOT = "MECHANICAL_DESIGN_GEOMETRIC_PRESENTATION_REPRESENTATION("


def with_ordered_colours(text: str) -> str:
    """The same file. What gives colours to shapes stands at its end, in the order of addresses in
    the memory of the program that wrote it; here it is written again in the order of the shapes.

    ValueError if other things stand behind the first colour, whose order this doesn't know."""
    entities = [(int(found[1]), found) for found in _ENTITY.finditer(text)]
    at = next((n for n, (_, found) in enumerate(entities) if found[2].startswith(_ROOT)), None)
    if at is None:
        return text
    before = max((number for number, _ in entities[:at]), default=0)
    tail = {number: "".join(found[2].split("\n    ")) for number, found in entities[at:]}
    if any(before >= number for number in tail):
        raise ValueError("the numbers of a STEP file are not in order")

    def whole(number: int) -> str:
        """An entity with all of the tail that it refers to, which has no numbers of the tail."""
        return _REFERENCE.sub(
            lambda found: f"({whole(int(found[1]))})" if int(found[1]) in tail else found[0],
            tail[number],
        )

    roots = sorted((n for n, body in tail.items() if body.startswith(_ROOT)), key=whole)
    new: dict[str, int] = {}
    lines: list[str] = []

    def write(number: int) -> int:
        """Writes what an entity refers to, and then itself, once for each content."""
        said = whole(number)
        if said not in new:
            body = _REFERENCE.sub(
                lambda found: f"#{write(int(found[1]))}" if int(found[1]) in tail else found[0],
                tail[number],
            )
            new[said] = before + len(new) + 1
            lines.append(f"#{new[said]} = {body};\n")
        return new[said]

    for root in roots:
        write(root)
    begin, end = entities[at][1].start(), entities[-1][1].end()
    if _leftovers(text[begin:end]):
        raise ValueError("a STEP file has something between its colours")
    return text[:begin] + "".join(lines) + text[end:]


def _leftovers(tail: str) -> str:
    return _ENTITY.sub("", tail).strip()
