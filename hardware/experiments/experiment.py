"""What an experiment is, and how its figure is drawn."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

# The experiments are run as they are, from anywhere.
sys.path += [str(Path(__file__).resolve().parents[1] / room) for room in ("drawings", "simulation")]

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Facts = dict[str, str]
"""What a run found, in words, by the name under which the texts use it."""


@dataclass(frozen=True)
class Experiment:
    """One experiment. Steps, questions and answers may name facts in braces."""

    name: str
    title: str
    aim: str
    needs: str
    steps: tuple[str, ...]
    commands: tuple[str, ...]
    """Run in this order, from the top of the project."""
    questions: tuple[str, ...]
    answers: tuple[str, ...]
    run: Callable[[Path], Facts]
    """Runs it in a work folder and writes its figure to the path given."""
    caption: str
    caution: str = ""


def axes(width: float = 6.4, height: float = 4.0, rows: int = 1) -> tuple[Figure, Any]:
    """A figure that is read on a phone, too, with its axes: one, or an array of `rows`."""
    # Only who draws waits for matplotlib.
    import matplotlib

    matplotlib.use("svg")
    import matplotlib.pyplot as plt

    from canvas import LINE_COLOURS

    plt.rcParams.update(
        {
            "svg.hashsalt": "tallymark",  # the same file for the same figures
            "font.family": "DejaVu Sans", "font.size": 11, "axes.grid": True, "grid.color": "0.9",
            "axes.prop_cycle": plt.cycler(
                color=LINE_COLOURS[::2], linestyle=["-", "--", "-.", ":"]
            ),
        }
    )  # fmt: skip
    return plt.subplots(rows, figsize=(width, height))


def save(figure: Figure, path: Path) -> None:
    """Write a figure as SVG and forget it."""
    import matplotlib.pyplot as plt

    for each in figure.axes:
        each.spines[["top", "right"]].set_visible(False)
    figure.tight_layout()
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, metadata={"Date": None})
    plt.close(figure)
