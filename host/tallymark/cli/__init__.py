"""The command line. Each module holds one command or a small group of them.

To add a command: write its module, and add one line to the list below.
"""

from __future__ import annotations

import io
import logging
import os
import re
import signal
import sys
from typing import Any

import click
from rich.logging import RichHandler
from rich.text import Text

from tallymark import __version__
from tallymark.cli import exit_codes
from tallymark.cli.boxes import boxes, show
from tallymark.cli.bridge import bridge
from tallymark.cli.check import check
from tallymark.cli.common import err
from tallymark.cli.flash import flash
from tallymark.cli.help_sections import write_virtual
from tallymark.cli.lines import lines
from tallymark.cli.log import log
from tallymark.cli.markers import idle, pulse, set_
from tallymark.cli.plan import plan
from tallymark.cli.play import play
from tallymark.cli.practice import practice
from tallymark.cli.record import record
from tallymark.cli.selftest import selftest
from tallymark.cli.serve import serve
from tallymark.cli.settings import settings
from tallymark.cli.maintenance import counters, restart
from tallymark.errors import BadValue, TallymarkError

# What a value that can't be used means for the commands that act on a box.
_UNDONE = {
    **dict.fromkeys(("pulse", "set", "play", "record", "selftest", "bridge"), " Nothing was sent."),
    "settings": " Nothing was changed.",
    "flash": " The board was not changed.",
}


class Tool(click.Group):
    """A group that lists its commands in the order of work, and turns errors into words."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Names of the commands in the order in which they were added."""
        return list(self.commands)

    def format_epilog(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Virtual boxes and the table of exit codes."""
        write_virtual(formatter)
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), meaning) for code, meaning in exit_codes.TABLE])

    def invoke(self, ctx: click.Context) -> Any:
        """Runs a command; every error ends in a sentence and an exit code, never in a traceback."""
        try:
            return super().invoke(ctx)
        except TallymarkError as error:
            text = str(error)
            if isinstance(error, BadValue) and not re.search(r"[Nn]othing was|not changed", text):
                text += _UNDONE.get(ctx.invoked_subcommand or "", "")
            _complain(text)
            ctx.exit(exit_codes.code_of(error))
        except KeyboardInterrupt:
            _complain("Interrupted.")
            ctx.exit(exit_codes.INTERRUPTED)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise
        except Exception as error:
            if os.environ.get("TALLYMARK_TRACE"):
                raise
            _complain(
                f"A fault in this program: {error!r}. The lines may not be at idle: run 'tallymark "
                "idle'. Run the command again with TALLYMARK_TRACE=1 and report what it prints."
            )
            ctx.exit(exit_codes.FAULT)


def _complain(text: str) -> None:
    err().print(Text.assemble(("Error: ", "bold red"), text))


@click.group(cls=Tool, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("-v", "--verbose", is_flag=True, help="Show what the library logs.")
@click.version_option(__version__, prog_name="tallymark")
def main(verbose: bool) -> None:
    """Puts event markers on eight lines, exactly when they are due, and proves it.

    Try 'tallymark show --box virtual': a box without hardware.
    """
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    for stream in (sys.stdout, sys.stderr):  # rather a '?' than nothing, where '✗' can't be told
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    logger = logging.getLogger("tallymark")
    logger.handlers = [
        RichHandler(console=err(), show_path=False) if verbose else logging.NullHandler()
    ]
    logger.propagate = False
    if verbose:
        logger.setLevel(logging.DEBUG)


main.add_command(boxes)
main.add_command(show)
main.add_command(lines)
main.add_command(pulse)
main.add_command(set_)
main.add_command(idle)
main.add_command(play)
main.add_command(record)
main.add_command(selftest)
main.add_command(settings)
main.add_command(counters)
main.add_command(restart)
main.add_command(flash)
main.add_command(serve)
main.add_command(plan)
main.add_command(practice)
main.add_command(check)
main.add_command(log)
main.add_command(bridge)
