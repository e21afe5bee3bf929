"""Write EXPERIMENTS.md, ANSWERS.md and the figures: each experiment is run for it.

Usage: python write_experiments.py [<folder>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import drift
import grounds
import hidden_fault
import latency
import logic_analyser
import picture_delay
import pull_ups
import short_pulses
import two_samples
from experiment import Experiment, Facts

HERE = Path(__file__).resolve().parent
EXPERIMENTS: tuple[Experiment, ...] = tuple(
    module.EXPERIMENT
    for module in (
        latency, short_pulses, two_samples, drift, pull_ups, grounds, hidden_fault, logic_analyser,
        picture_delay,
    )
)  # fmt: skip

HEAD = """\
# Experiments for a class

> **Caution.** Nobody is wired to anything here. No amplifier that a person may be wired to is on the bench.

Nine experiments of half an hour to an hour. Each one runs without hardware: the virtual box is the box's own firmware, and
what it can't show comes from ngspice. With a [breadboard](../breadboard/BREADBOARD.md) the same works on the bench: leave
`--box virtual...` out. [The answers are apart](ANSWERS.md).

Commands are given from the top of the project, after `make demo`; `python` and `tallymark` are those in `.venv/bin`. Those with
ngspice or sigrok-cli need these programs (Debian: `apt-get install ngspice sigrok-cli`).

{contents}
"""
ENTRY = """
## {number}. {title}

**Aim.** {aim}

**You need.** {needs}
{caution}
![Wiring](wiring/{name}.svg)

**Steps.**

{steps}

**Commands.**

{commands}

**Questions.**

{questions}

**Expected.** {caption}

![Expected](figures/{name}.svg)
"""


def anchor(number: int, title: str) -> str:
    return f"{number}. {title}".lower().replace(".", "").replace("?", "").replace(" ", "-")


def sheet() -> str:
    """The whole of EXPERIMENTS.md."""
    contents = [f"{n}. [{e.title}](#{anchor(n, e.title)})" for n, e in enumerate(EXPERIMENTS, 1)]
    text = HEAD.format(contents="\n".join(contents))
    for number, one in enumerate(EXPERIMENTS, 1):
        text += ENTRY.format(
            number=number, name=one.name, title=one.title, aim=one.aim, needs=one.needs,
            caption=one.caption,
            caution=f"\n> **Caution.** {one.caution}\n" if one.caution else "",
            steps="\n".join(f"{n}. {step}" for n, step in enumerate(one.steps, 1)),
            commands="\n".join(f"    {command}" for command in one.commands),
            questions="\n".join(f"{n}. {words}" for n, words in enumerate(one.questions, 1)),
        )  # fmt: skip
    return text


def answers(facts: dict[str, Facts]) -> str:
    """The whole of ANSWERS.md, with what the runs found."""
    text = "# Answers to the experiments\n\nFigures are from the runs that made the pictures: the virtual box and ngspice. Questions are in [EXPERIMENTS.md](EXPERIMENTS.md).\n"
    for number, one in enumerate(EXPERIMENTS, 1):
        text += f"\n## {number}. {one.title}\n\n"
        text += "".join(
            f"{n}. {words.format(**facts[one.name])}\n" for n, words in enumerate(one.answers, 1)
        )
    return text


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    found = {one.name: one.run(target / f"figures/{one.name}.svg") for one in EXPERIMENTS}
    (target / "EXPERIMENTS.md").write_text(sheet())
    (target / "ANSWERS.md").write_text(answers(found))
