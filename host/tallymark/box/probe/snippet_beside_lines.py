"""A piece of a probe's signal and what the lines did meanwhile, by the box's own clock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import IO

from tallymark.box.box import Box
from tallymark.box.wire.answer_values import Edge, Snippet
from tallymark.common.errors import BadValue
from tallymark.common.lines.vcd_writer import VcdFile


@dataclass(frozen=True)
class SnippetBesideLines:
    """probe: "light" or "sound". edges: of the readback, the first being its levels before the
    first sample. lost: changes of the lines that are missing."""

    probe: str
    snippet: Snippet
    edges: tuple[Edge, ...]
    lost: int

    @classmethod
    def take(cls, box: Box, probe: str, every: int = 1) -> SnippetBesideLines:
        """From now on. Raises BadValue if the box tells no levels, and as `Probes.snippet` and
        `Box.capture`."""
        with box.capture(send=True) as capture:
            snippet = box.probes.snippet(probe, every)
            capture.stop()
            edges = capture.fetch()
            edges += capture.fetch()  # what came in beside the last answer
        if not edges or not snippet.samples:
            raise BadValue("The box told nothing of its lines, or gave no samples. Nothing was "
                           "written; try again.")
        return cls(probe, snippet, tuple(edges), capture.lost)

    def write_vcd(self, file: IO[str], idle_levels: int, comment: str = "") -> None:
        """Lines and code as `tallymark record` has them, and the level as the real number
        `light_level` or `sound_level`, 0 to 65,535; it holds from each sample to the next."""
        name = f"{self.probe}_level"
        step = self.snippet.interval_us
        levels = [(self.snippet.time_us + place * step, level)
                  for place, level in enumerate(self.snippet.samples)]
        vcd = VcdFile(file, idle_levels, comment, signals=[name])
        first, *later = self.edges
        vcd.add(min(first.time_us, self.snippet.time_us), first.levels)
        changes = [(edge.time_us, edge.levels) for edge in later]
        place = 0
        for at, level in levels:
            while place < len(changes) and changes[place][0] <= at:
                vcd.add(*changes[place])
                place += 1
            vcd.measure(at, name, level)
        for change in changes[place:]:
            vcd.add(*change)
        vcd.close(levels[-1][0] + step)
