"""The command line."""

from __future__ import annotations

import click

from tallymark.cli.check import check
from tallymark.cli.log import log
from tallymark.cli.plan import plan
from tallymark.cli.practice import practice


@click.group()
def main() -> None:
    """Send markers, and prove that they arrived."""


for command in (check, log, plan, practice):
    main.add_command(command)
