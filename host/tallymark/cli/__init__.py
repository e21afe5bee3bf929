"""Internal: the command line. One module for each command or group of commands."""

from __future__ import annotations

from tallymark.cli.entry_point import COMMANDS, LIKELY, main

__all__ = ["COMMANDS", "LIKELY", "main"]
