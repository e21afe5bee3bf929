"""How long `tallymark --help` and a marker from the command line take, beside importing click.

Each is a process of its own; they take turns. Modules were compiled before.

    python tests/bench/startup.py
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import time

from result_table import Figure, show

ROUNDS = 21
WAYS = {
    "click": "import click",
    "help": "from tallymark.cli import main; main(['--help'])",
    "pulse": "from tallymark.cli import main; main(['pulse', '5', '--box', 'virtual'])",
}


def seconds(statement: str) -> float:
    """Wall time of a Python process."""
    environment = {key: value for key, value in os.environ.items() if "BYTECODE" not in key}
    begin = time.perf_counter()
    subprocess.run(
        [sys.executable, "-c", statement], check=True, env=environment, stdout=subprocess.DEVNULL
    )
    return time.perf_counter() - begin


def figures() -> list[Figure]:
    """Medians over some rounds, the first left out."""
    taken: dict[str, list[float]] = {name: [] for name in WAYS}
    for _ in range(ROUNDS + 1):
        for name, statement in WAYS.items():
            taken[name].append(seconds(statement))
    medians = {name: statistics.median(times[1:]) * 1e3 for name, times in taken.items()}
    base = "python -c 'import click'"
    return [
        Figure("tallymark --help", medians["help"], "ms", base, medians["click"], "2 times"),
        Figure("tallymark pulse on a virtual box", medians["pulse"], "ms", base, medians["click"]),
    ]


if __name__ == "__main__":
    show(figures())
