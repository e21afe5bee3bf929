"""A hidden fault: find it from what was sent and what arrived.

Usage: python hidden_fault.py NUMBER [CODE ...]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from tallymark import Box
from tallymark.verification.selftest import run as selftest

from experiment import Experiment, Facts, axes, save

FAULTS = (
    ("open:6",), ("bridged-or:1,4",), ("swapped:2,3",), ("stuck-high:5",), ("inverted:7",),
    ("reversed",), ("bridged-and:0,3",), ("open:2", "stuck-low:4"),
)  # fmt: skip
EACH_LINE = tuple(1 << line for line in range(8))


def box_with(number: int) -> Box:
    faults = "".join(f"&fault={fault}" for fault in FAULTS[number - 1])
    return Box.open(f"virtual://?time=stepped{faults}")


def readings(number: int, codes: tuple[int, ...]) -> list[int]:
    """What the readback shows while each code stands on the lines."""
    found = []
    with box_with(number) as box:
        for code in codes:
            box.set(code).wait()
            found.append(box.levels().readback)
        box.set(0).wait()
    return found


def verdict(number: int) -> str:
    """What the self-test says."""
    with box_with(number) as box:
        report = selftest(box).as_dict()
    places = [place for way in report["explanations"] for place in way]
    return "; ".join(dict.fromkeys(place["what"] for place in places))


def run(target: Path) -> Facts:
    figure, one = axes(6.4, 4.4)
    seen = readings(2, EACH_LINE)
    grid = np.array([[code >> line & 1 for line in range(8)] for code in seen]).T
    one.imshow(grid, cmap="Greys", vmin=0, vmax=1.4, origin="lower")
    one.set_xticks(range(8), [str(code) for code in EACH_LINE])
    one.set_yticks(range(8), [str(line) for line in range(8)])
    for column in range(8):
        for row in range(8):
            if grid[row, column]:
                one.text(column, row, "1", ha="center", va="center", color="white")
    one.set(xlabel="code sent, one line each", ylabel="input that reads high")
    one.grid(visible=False)
    save(figure, target)
    names = "\n".join(f"   - Number {n}: {verdict(n)}" for n in range(1, len(FAULTS) + 1))
    return {"faults": names, "count": str(len(FAULTS))}


EXPERIMENT = Experiment(
    "hidden-fault",
    "A hidden fault",
    "Find a wiring fault by reasoning, with as few codes as you can, before you let the self-test name it.",
    "The virtual box with a number from 1 to 8, each another fault. On the bench: a partner who pulls or swaps a wire while you look away.",
    (
        "Send each line alone, and write down what arrives.",
        "State what you think. Then choose codes that would prove you wrong, and send those.",
        "Only then compare with the answers. The commands take any number and any codes.",
    ),
    (
        "python hardware/experiments/hidden_fault.py 2",
        "python hardware/experiments/hidden_fault.py 2 18 16 2",
        'tallymark selftest --box "virtual://?time=stepped&fault=open:6"',
    ),
    (
        "Which fault has number 1, 2, ... 8?",
        "Number 7 looks like two open lines while each line is sent alone. Which code tells it apart?",
        "Number 8 has two faults. Is what you see proof, or one of several explanations?",
        "How many codes are needed at least to find any single open line?",
        "In your figure, number 2: why can't the pair be told from its mirror image by one code?",
    ),
    (
        "What the self-test says of each:\n{faults}",
        "Code 9, with both lines: bridged lines arrive together then, open ones never do.",
        "An open line with a pull-down and one that is shorted to ground both read low for ever. Only a meter, or the circuit, tells them apart; the self-test names both explanations.",
        "One: with 255 the open line's input alone reads low. But swapped lines look perfect with 255: each line alone shows those, too.",
        "Codes 2 and 16 give the same reading, 18: a bridge has no direction.",
    ),
    run,
    "What arrived with fault number 2, each line sent alone.",
)  # fmt: skip

if __name__ == "__main__":
    chosen = int(sys.argv[1])
    if not 1 <= chosen <= len(FAULTS):
        sys.exit(f"There are faults 1 to {len(FAULTS)}, not {chosen}.")
    sent = tuple(map(int, sys.argv[2:])) or EACH_LINE
    print("sent  lines 7..0      read  inputs 7..0")
    for code, seen in zip(sent, readings(chosen, sent), strict=True):
        print(f"{code:4}  {code:08b}      {seen:4}  {seen:08b}")
