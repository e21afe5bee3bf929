"""`tallymark study`: check all recordings of a study, or make an archive for practice.

Exit codes of `check`: 0 all is well with each recording and over the study; 1 something is not, or
a recording can't be checked; 2 the study can't be read; 4 the cluster is gone.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import click
from rich.text import Text

from tallymark import plan as plans
from tallymark.cli import common, exit_codes
from tallymark.cli.bids_stimulus_option import stimulus_option, stimulus_presentation
from tallymark.cli.number_lists import lines_option
from tallymark.cli.output_files import check_free, replace_option
from tallymark.common.errors import BadValue, pip_install
from tallymark.common.formatting import duration

ENOUGH = 40  # recordings of a practice archive, so that its trends can be told from chance
_NEEDS = ("distributed", "pyarrow", "fsspec")


@click.group()
def study() -> None:
    """Check all recordings of a study; see what changed over time."""


@study.command("check")
@click.argument("place", metavar="FOLDER")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False),
              help="Folder for the results. Default: derivatives/tallymark in a BIDS data set, "
              "otherwise FOLDER's name with '-study' in this folder.")
@click.option("--tsv", is_flag=True, help="Write the tables as TSV, too.")
@click.option("--workers", type=click.IntRange(1, 1024), metavar="NUMBER",
              help="Processes on this computer. Default: one a core.")
@click.option("--scheduler", metavar="ADDRESS",
              help="Use the dask cluster whose scheduler has this address: tcp://host:8786.")
@click.option("--plan", "plan_file", type=click.Path(path_type=Path),
              help="Gives names to codes, and says which events a probe sees, whose onsets are "
                   "told then.")
@click.option("--channel", help="Status channel, stream, column with codes, or 'annotations'.")
@lines_option("Lines that carry markers")
@click.option("--first-bit", type=click.IntRange(0, 23), default=0, help="Bit that carries line 0.")
@click.option("--active", type=click.Choice(["auto", "high", "low"]), default="auto",
              show_default=True, help="Level of an active line.")
@click.option("--tolerance", type=common.time_option, metavar="TIME",
              help="How far an event may be off: 500us, 5ms. Default: found.")
@click.option("--part", is_flag=True, help="Recordings may be parts of their sessions.")
@stimulus_option
@replace_option
@common.json_option
def check(
    place: str, out: Path | None, replace: bool, as_json: bool, **options: Any
) -> None:
    """Check all recordings of a study against their marker logs.

    FOLDER is a folder in BIDS layout, a folder in which a recording and its log have the same name,
    or a table of pairs (.tsv, .csv) with the columns 'recording' and 'log', and perhaps name,
    subject, session, task, run, site, box, amplifier, date, channel, lines, first_bit, active.
    Places may be URLs. Marker logs end in .jsonl; in a BIDS data set they may lie in sourcedata.

    Writes recordings.parquet (a row a recording), markers.parquet (a row a marker), study.html and
    study.json; in a BIDS data set a derivative. Recordings and logs are only read. A command that
    was stopped goes on where it was. With --replace a later one renews its own tables, and checks
    what is new or has changed; a folder that holds anything else is refused.

    Exit codes: 0 all is well; 1 something is not, or a recording can't be checked; 2 the study
    can't be read; 4 the cluster is gone.
    """
    _look_for_packages()
    from tallymark.study import FILES, CheckOptions, check_study, summarised, write_results

    tolerance = options["tolerance"]
    how = CheckOptions(options["channel"], options["lines"], options["first_bit"],
                       options["active"], None if tolerance is None else float(tolerance),
                       options["part"])
    plan = plans.load(options["plan_file"]) if options["plan_file"] else None
    presentation = _presentation(options["stimulus_file"], place)
    folder = out or _default_folder(place)
    check_free(*(folder / name for name in FILES), replace=replace,
               inputs=[Path(place), options["stimulus_file"]])
    with common.progress("looking for recordings") as update:
        lines = _Lines()

        def progress(text: str, done: int, total: int) -> None:
            update(f"{text} {done:,} of {total:,}", done, total)
            lines.tell(text, done, total)

        checked = check_study(place, folder, how, plan, scheduler=options["scheduler"],
                              workers=options["workers"], progress=progress)
    with common.progress("writing"):
        summary = summarised(checked)
        written = write_results(summary, folder, options["tsv"], presentation)
    if as_json:
        from tallymark.study import as_data

        common.print_json(as_data(summary))
    else:
        _print(summary, written)
    raise SystemExit(exit_codes.DONE if summary.good else exit_codes.NOT_GOOD)


class _Lines:
    """Progress in lines where there is no terminal: at most one a minute."""

    def __init__(self) -> None:
        self.began = self.told = time.monotonic()

    def tell(self, text: str, done: int, total: int) -> None:
        """Tell how far it is, if it is time."""
        now = time.monotonic()
        if common.err().is_terminal or now - self.told < 60 or not done:
            return
        self.told = now
        left = duration((now - self.began) / done * (total - done) * 1e6)
        common.note(f"{text} {done:,} of {total:,}, about {left} left")


def _print(summary: Any, written: list[Path]) -> None:
    screen = common.out()
    screen.print(Text(summary.headline, "bold green" if summary.good else "bold"), soft_wrap=True)
    if summary.study.known:
        known = f"{summary.study.known:,} of them were checked by an earlier run."
        screen.print(Text(known, "dim"))
    rows = [(f"{number:,}", name) for name, number in summary.outcomes.items()]
    if rows:
        screen.print()
        common.print_rows(rows)
    for title, sentences in (("Found over the study", summary.findings),
                             ("Recordings that are not all right", summary.named),
                             ("Of what nothing is said", summary.trends.too_few)):
        if sentences:
            screen.print(Text(f"\n{title}", "bold"))
            for sentence in sentences[:30]:
                screen.print(f"  {sentence}", soft_wrap=True)
            if len(sentences) > 30:
                screen.print(f"  and {len(sentences) - 30} more, in study.json")
    failed = [row for row in summary.study.rows if row["status"] != "checked"]
    if failed:
        screen.print(Text("\nNot counted", "bold"))
        for row in failed[:30]:
            screen.print(f"  {row['name']}: {row['problem']}", soft_wrap=True)
        if len(failed) > 30:
            screen.print(f"  and {len(failed) - 30} more, in study.json")
    screen.print()
    for path in written:
        click.echo(f"written: {path}")


def _presentation(path: Path | None, place: str) -> dict[str, Any] | None:
    """What the user says of screen and program. Raises BadValue where no sidecar is written that
    could hold it."""
    from tallymark.study.recording_discovery import is_bids

    if path is not None and not is_bids(place):
        raise BadValue(
            f"--stimulus belongs to the events of a BIDS derivative, and {place} is no BIDS data "
            "set: it has no dataset_description.json. Nothing was checked."
        )
    return stimulus_presentation(path)


def _default_folder(place: str) -> Path:
    from tallymark.study.recording_discovery import is_bids

    if "://" not in place and is_bids(place):
        return Path(place) / "derivatives" / "tallymark"
    name = Path(place.rstrip("/").rsplit("/", 1)[-1]).stem if "://" in place else Path(
        place).resolve().stem
    return Path(f"{name}-study")


def _look_for_packages() -> None:
    from importlib.util import find_spec

    missing = [name for name in _NEEDS if find_spec(name) is None]
    if missing:
        raise BadValue(
            f"This command needs packages that are not installed ({', '.join(missing)}). Install "
            f"what it needs: {pip_install('study')}"
        )


@study.command("practice")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--recordings", type=click.IntRange(1, 100_000), default=60, show_default=True,
              help=f"Number of recordings. Below about {ENOUGH}, trends may not be told.")
@click.option("--markers", type=click.IntRange(10, 100_000), default=200, show_default=True,
              help="Markers in each, 1 to 2 s apart.")
@click.option("--sound", is_flag=True, help="Plant no faults and damage no files.")
@click.option("--workers", type=click.IntRange(1, 1024), metavar="NUMBER",
              help="Processes that make recordings. Default: one a core.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True,
              help="Seed of the random numbers.")
@common.json_option
def practice(
    folder: Path, recordings: int, markers: int, sound: bool, workers: int | None, seed: int,
    as_json: bool,
) -> None:
    """Make an archive for practice, with faults that grow over time.

    Writes a BIDS data set of made-up recordings and their logs into FOLDER, and what was planted
    into FOLDER-truth.json beside it. 'tallymark study check FOLDER --plan
    FOLDER/sourcedata/plan.toml' has to find it.

    Exit codes: 0 written; 2 FOLDER exists or can't be written.
    """
    from tallymark.study.practice import make_archive

    with common.progress("making recordings") as update:
        truth = make_archive(
            folder, recordings, seed=seed, markers=markers, faults=not sound, damages=not sound,
            workers=workers or os.cpu_count() or 1,
            progress=lambda done, total: update("making recordings", done, total),
        )
    if as_json:
        common.print_json({"folder": str(folder), **truth})
        return
    click.echo(f"Written: {folder} and {folder}-truth.json. Planted faults:")
    for fault in truth["faults"]:
        what = {key: value for key, value in fault.items() if key != "measure"}
        click.echo(f"  {fault['measure']}: "
                   + ", ".join(f"{key} {_plain(value)}" for key, value in what.items()))
    click.echo(f"  {len(truth['not_counted'])} files are damaged, doubled or missing")
    if recordings < ENOUGH and truth["faults"]:
        common.note(f"Below about {ENOUGH} recordings, trends may not be told.")


def _plain(value: Any) -> str:
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
