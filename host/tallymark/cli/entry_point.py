"""Internal: the command line. Each module holds one command or a small group of them.

To add a command: write its module, and add one line to the table below.
"""

from __future__ import annotations

import json
import logging
import os
import re
from difflib import get_close_matches
from importlib import import_module
from typing import Any

import click

from tallymark import __version__
from tallymark.cli import exit_codes, interrupts
from tallymark.common.errors import BadValue, TallymarkError

COMMANDS = {
    "boxes": ("boxes_show", "List the boxes that are connected, and Picos that wait for firmware."),
    "show": ("boxes_show", "Show a box: its identity, limits, lines, clock and settings."),
    "lines": ("lines", "Show the levels of the lines and of the readback."),
    "probe": ("probe", "Show what the probes see: the levels of light and sound, and what is on."),
    "pulse": ("pulse_set_idle", "Put CODE, or the event NAME of a plan, on the lines for a width."),
    "set": ("pulse_set_idle", "Put CODE (0 to 255) on the lines, where it stays."),
    "idle": ("pulse_set_idle", "Take the lines to idle at once."),
    "play": ("play", "Play a sequence from a CSV file, timed by the box."),
    "sign": ("sign", "Send a session signature."),
    "record": ("record_vcd", "Record the lines into a VCD file (IEEE 1364)."),
    "selftest": ("selftest", "Test a box and its wiring; name faults and pins."),
    "accept": ("accept", "Test a box that you built against a witness, and keep a record."),
    "settings": ("settings", "Show, change and keep settings; copy them to another box."),
    "counters": ("counters_restart", "Show the counters of the box: markers, refusals, losses."),
    "restart": ("counters_restart", "Restart a box."),
    "flash": ("flash", "Write firmware to a board."),
    "serve": ("serve", "Provide a virtual box for other programs."),
    "plan": (
        "plan_check_keys_codes", "Make the plan of a session, and check it before the recording."
    ),
    "practice": ("practice_recording", "Make a practice recording, optionally with faults."),
    "delay": ("delay", "Tell how long after its marker the light changed or the sound began."),
    "check": ("check", "Check a recording against its marker log."),
    "study": ("study", "Check all recordings of a study; see what changed over time."),
    "log": ("log_commands", "Write a marker log, compare it with a plan, summarise it."),
    "bridge": ("bridge", "Provide a port that turns each byte into a marker."),
    "page": ("page", "See and work a box from a browser on this computer."),
}
"""The commands in the order of work: the module of each, and what `tallymark --help` says of it.

A module is imported when its command is used, so that the help comes at once.
"""

LIKELY = {
    **dict.fromkeys(("list", "ports", "devices", "find", "scan", "discover"), "boxes"),
    **dict.fromkeys(("info", "status", "identify"), "show"),
    **dict.fromkeys(("send", "mark", "marker", "trigger", "fire", "write"), "pulse CODE"),
    **dict.fromkeys(("off", "clear", "reset", "zero", "stop"), "idle"),
    **dict.fromkeys(("test", "self-test", "diagnose", "loopback"), "selftest"),
    **dict.fromkeys(("config", "configure", "configuration", "setup", "set-up"), "settings"),
    **dict.fromkeys(("firmware", "upload", "install", "update", "program", "burn"), "flash"),
    **dict.fromkeys(("verify", "validate", "analyse", "analyze", "report"), "check RECORDING LOG"),
    **dict.fromkeys(("simulate", "demo", "example"), "practice"),
    **dict.fromkeys(("compare", "diff"), "log compare LOG PLAN"),
    **dict.fromkeys(("capture", "logger"), "record"),
    **dict.fromkeys(("reboot",), "restart"),
    **dict.fromkeys(("photodiode", "light", "sound", "microphone", "sensor"), "probe"),
    **dict.fromkeys(("latency", "lag", "onset", "onsets", "jitter"), "delay LOG"),
    **dict.fromkeys(("virtual", "simulator", "server"), "serve"),
    **dict.fromkeys(("events", "codes"), "plan check PLAN"),
    **dict.fromkeys(("statistics", "stats", "errors"), "counters"),
    **dict.fromkeys(("version",), "--version"),
    **dict.fromkeys(("help",), "--help"),
}
"""Words that people try, and what does what they likely mean."""

# What a value that can't be used means for the commands that act on a box.
_UNDONE = {
    **dict.fromkeys(
        ("pulse", "set", "play", "sign", "record", "selftest", "accept", "bridge", "page"),
        " Nothing was sent.",
    ),
    "settings": " Nothing was changed.",
    "flash": " The board was not changed.",
}


class Tool(click.Group):
    """A group that lists its commands in the order of work, and turns errors into words."""

    def list_commands(self, _ctx: click.Context) -> list[str]:
        """Names of the commands in the order of work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        """Imports the module of a command; None for a name that is no command."""
        if name not in COMMANDS:
            return super().get_command(ctx, name)
        module = import_module(f"tallymark.cli.{COMMANDS[name][0]}")
        command: click.Command = getattr(module, "set_" if name == "set" else name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click's, with the right word for one that is likely but no command."""
        word = args[0] if args else ""
        if word and not word.startswith("-") and self.get_command(ctx, word) is None:
            near = get_close_matches(word.lower(), COMMANDS, 1, 0.7)
            meant = LIKELY.get(word.lower()) or (near[0] if near else "--help")
            ctx.fail(f"No such command '{word}'. Try: tallymark {meant}")
        return super().resolve_command(ctx, args)

    def format_commands(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def format_epilog(self, _ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Virtual boxes and the table of exit codes."""
        from tallymark.cli.shared_help_texts import write_virtual

        write_virtual(formatter)
        with formatter.section("Exit codes"):
            formatter.write_dl([(str(code), meaning) for code, meaning in exit_codes.TABLE])

    def invoke(self, ctx: click.Context) -> Any:
        """Runs a command; every error ends in a sentence and an exit code, never in a traceback."""
        from tallymark.cli import output_encoding_and_closed_pipes as output_stream

        try:
            return self._invoke(ctx)
        except OSError as error:
            if not output_stream.is_closed(error):
                raise
            output_stream.discard()
            ctx.exit(exit_codes.OUTPUT_CLOSED)

    def _invoke(self, ctx: click.Context) -> Any:
        from tallymark.cli.output_encoding_and_closed_pipes import is_closed

        as_json = "--json" in (*ctx._protected_args, *ctx.args)
        try:
            return super().invoke(ctx)
        except TallymarkError as error:
            text = str(error)
            if isinstance(error, BadValue) and not re.search(r"[Nn]othing was|not changed", text):
                text += _UNDONE.get(ctx.invoked_subcommand or "", "")
            _fail(ctx, text, exit_codes.code_of(error), as_json)
        except KeyboardInterrupt:
            _fail(ctx, "Interrupted.", exit_codes.INTERRUPTED, as_json)
        except click.ClickException as error:
            if as_json:
                _print_error(error.format_message(), error.exit_code)
            raise
        except (click.exceptions.Exit, click.Abort):
            raise
        except (FileNotFoundError, PermissionError, IsADirectoryError, NotADirectoryError) as error:
            if error.filename is None or os.environ.get("TALLYMARK_TRACE"):
                raise
            text = f"{error.filename} can't be used ({error.strerror})."
            _fail(ctx, text, exit_codes.BAD_INPUT, as_json)
        except ImportError as error:
            if os.environ.get("TALLYMARK_TRACE"):
                raise
            _fail_unloaded(ctx, error, as_json)
        except Exception as error:
            if is_closed(error) or os.environ.get("TALLYMARK_TRACE"):
                raise
            _fail(ctx, _internal(error), exit_codes.FAULT, as_json)
        finally:
            interrupts.over()


def _internal(error: Exception) -> str:
    from tallymark.cli.common import a_box_was_used

    lines = (
        "The lines may not be at idle: run 'tallymark idle'. " if a_box_was_used() else ""
    )
    return (
        f"Internal error: {error!r}. {lines}Run the command again with TALLYMARK_TRACE=1 and "
        "report what it prints."
    )


def _fail(ctx: click.Context, text: str, code: int, as_json: bool) -> None:
    from rich.text import Text

    from tallymark.cli.common import err

    err().print(Text.assemble(("Error: ", "bold red"), text))
    if as_json:
        _print_error(text, code)
    ctx.exit(code)


def _fail_unloaded(ctx: click.Context, error: ImportError, as_json: bool) -> None:
    """Says that a package is missing or damaged, with click alone."""
    text = (
        f"A package that Tallymark needs can't be loaded ({error}). Install Tallymark again, best "
        "into a new environment (python -m venv). If that doesn't help, run the command with "
        "TALLYMARK_TRACE=1 and report what it prints."
    )
    click.echo(f"Error: {text}", err=True)
    if as_json:
        click.echo(json.dumps({"error": text, "exit_code": exit_codes.FAULT}))
    ctx.exit(exit_codes.FAULT)


def _print_error(text: str, code: int) -> None:
    from tallymark.cli.common import print_json

    print_json({"error": text, "exit_code": code})


@click.group(cls=Tool, context_settings={"help_option_names": ["-h", "--help"]})
@click.option("-v", "--verbose", is_flag=True, help="Show the log messages of the library.")
@click.version_option(__version__, prog_name="tallymark")
def main(verbose: bool) -> None:
    """Put event markers on eight lines at exact times, and verify them.

    Try 'tallymark show --box virtual': a box without hardware.

    Files: what exists is never overwritten without --replace; recordings and marker logs never are.
    """
    from tallymark.cli.output_encoding_and_closed_pipes import use_letters

    interrupts.install()
    use_letters()
    logger = logging.getLogger("tallymark")
    logger.handlers = [_screen_handler() if verbose else logging.NullHandler()]
    logger.propagate = False
    if verbose:
        logger.setLevel(logging.DEBUG)


def _screen_handler() -> logging.Handler:
    from rich.logging import RichHandler

    from tallymark.cli.common import err

    return RichHandler(console=err(), show_path=False)
