"""Internal: output streams as they are in the world: with code pages that lack letters, and with
readers that go away.

A Windows console or a pipe may be in a code page (cp437, cp1252) that has no '✗' and no '✓'. What
Python puts in their place is '?' for both, so that good and bad look alike. Here each gets a
letter that every code page has.
"""

from __future__ import annotations

import codecs
import contextlib
import errno
import io
import os
import sys

from rich.console import Console

LETTERS = {
    "✗": "x", "✓": "+", "•": "*", "·": ".", "µ": "u", "μ": "u", "×": "x", "−": "-",
    "\u2013": "-", "\u2014": "-", "…": "...", "→": "->", "←": "<-", "≤": "<=", "≥": ">=",
    "±": "+/-", "≈": "~", "\u202f": " ", "\u00a0": " ",
}
"""What is written where the code page lacks a letter of ours; '?' for any other. Those of ours
that tell good from bad get different letters."""

_ERRORS = "tallymark_letters"


def _written(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(LETTERS.get(letter, "?") for letter in lacking), error.end


def use_letters() -> None:
    """From now on, output in a code page without our letters has others in their place."""
    codecs.register_error(_ERRORS, _written)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_ERRORS)


def is_closed(error: BaseException) -> bool:
    """Whether an error says that nobody reads the output any more (`... | head -1`)."""
    if isinstance(error, BrokenPipeError):
        return True
    # What Windows says of a pipe without a reader. Errors about files name them.
    return (
        sys.platform == "win32"
        and isinstance(error, OSError)
        and error.errno == errno.EINVAL
        and error.filename is None
    )


def discard() -> None:
    """Lets what is still to be written vanish, so that ending the program raises nothing."""
    with contextlib.suppress(OSError, ValueError):  # a stream that is no file
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def tell_closed(console: Console) -> None:
    """Lets a console raise BrokenPipeError; by itself, rich ends the program with 1."""

    def again() -> None:
        raise

    console.on_broken_pipe = again  # type: ignore[method-assign]
