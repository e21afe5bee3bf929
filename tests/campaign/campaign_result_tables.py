"""The tables of a campaign: which promise was checked how often, and what happened."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

BEGIN = "<!-- campaign: begin -->"
END = "<!-- campaign: end -->"

CHECKED_BY: dict[str, tuple[str, ...]] = {
    "at-most-once": ("markers on the lines",),
    "confirmed-is-true": ("told: done",),
    "refused-is-true": ("told: refused",),
    "nothing-stays-open": ("markers sent",),
    "time-in-bound": ("host times checked",),
    "lines-lawful": ("changes of the lines",),
    "sequence-at-its-time": ("steps of sequences",),
    "box-answers-true": ("messages of the box",),
    "bytes-reported": ("bytes in logs",),
    "probe-edges-true": ("probe edges heard",),
    "log-readable": ("logs read back",),
    "log-complete": ("log records",),
    "log-true": ("markers in logs",),
    "log-loss-reported": ("log record part", "log record failed"),
    "no-stuck-library": ("steps",),
}
"""Names of the promises, and the counts of what each was checked on."""


def as_tables(counts: Counter[str], broken: Counter[str]) -> str:
    """Both tables as Markdown."""
    lines = [
        f"{counts['steps']:,} steps in {counts['worlds']:,} worlds, every promise checked after "
        "every step. Measured in simulation.",
        "",
        "| promise | checked | broken |",
        "| --- | ---: | ---: |",
    ]
    for promise, names in CHECKED_BY.items():
        checked = sum(counts[name] for name in names)
        lines.append(f"| {promise} | {checked:,} | {broken[promise]:,} |")
    lines += ["", "| what happened | times |", "| --- | ---: |"]
    lines += [f"| {name} | {times:,} |" for name, times in sorted(counts.items())]
    return "\n".join(lines) + "\n"


def put_into(path: Path, tables: str) -> None:
    """Puts the tables between the marks of a document. ValueError if it has none."""
    text = path.read_text(encoding="utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    if not rest or END not in text:
        raise ValueError(f"{path} has no part between {BEGIN} and {END}")
    path.write_text(f"{before}{BEGIN}\n{tables}{END}{after}", encoding="utf-8")
