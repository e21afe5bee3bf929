"""Write CABLES.md, the drawings of the cables and walk.csv.

Usage: python write_cables.py [<folder>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import paper
from cables import CABLES, Cable
from draw_cable import draw
from pins import LINES

HEAD = """\
# Cables and inputs

> **Caution.** Find out with a meter which input your receiver has ([pin map](../PINMAP.md)) before you plug anything, with
> nobody wired to it. The plain box joins the grounds of computer and receiver: see the [cautions](../CAUTIONS.md).
> **Power order:** idle low: box first, then the receiver; idle high: the receiver first; off in the reverse order
> ([why](../CAUTIONS.md)).

| your receiver's input | cable | idle |
| --- | --- | --- |
{index}

Each cable is proven in four steps; only all four together prove it.

1. **Settings** of the box, kept in it.
2. **Self-test** with the cable plugged into the box and its other end free. It sees the lines at the box's connector: it finds
   wires that touch each other, ground or a supply, but not a wire that is broken further on.
3. **Walk:** each line for half a second, alone. Watch the receiver, or a meter at the far end.
4. **Recording:** a first recording, checked against its marker log. Only this proves the receiver, too.

`walk.csv` is [in this folder](walk.csv). Without hardware, each command takes `--box virtual`.
"""

ENTRY = """
## {title}

{purpose}

![{title}]({name}.svg)

    tallymark settings change {settings}
    tallymark selftest
    {walk}

In the walk, {watch}.

    {check}

A fault that this cable is prone to, on the virtual box, to learn what the self-test says of it:

    tallymark selftest --box "virtual://?time=stepped&fault={fault}"
"""


def index_row(cable: Cable) -> str:
    idle = "high" if "idle=high" in cable.settings else "low"
    anchor = cable.title.lower().replace(",", "").replace(" ", "-")
    return f"| {cable.purpose.split('. ')[0].removeprefix('Receivers ').rstrip('.')} | [{cable.title}](#{anchor}) | {idle} |"


def page() -> str:
    """The whole of CABLES.md."""
    text = HEAD.format(index="\n".join(map(index_row, CABLES)))
    return text + "".join(ENTRY.format(**vars(cable)) for cable in CABLES)


def walk() -> str:
    """Each line alone for half a second, as `tallymark play` reads it."""
    steps = [f"{1 << line},500\n0,500\n" for line in LINES]
    return "code,hold_ms\n" + "".join(steps)


def files() -> dict[str, str]:
    """Every text and drawing of this folder."""
    found = {f"{cable.name}.svg": draw(cable).svg() for cable in CABLES}
    return found | {"CABLES.md": page(), "walk.csv": walk()}


if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    paper.write(Path(sys.argv[1]) if len(sys.argv) > 1 else here, files())
