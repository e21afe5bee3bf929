"""Internal: consoles on which text from outside can't do more than be read.

Names in files, descriptions of ports, and what a box or a program sends may hold control
characters and escape sequences, which a terminal would obey: move the cursor, change its title,
hide text, or reverse it. They are shown as escapes such as `\\x1b` instead.
"""

from __future__ import annotations

import re

from rich.console import Console, ConsoleOptions, ConsoleRenderable, RenderableType, RenderResult
from rich.segment import Segment

from tallymark.cli.output_encoding_and_closed_pipes import tell_closed

_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]")
"""C0 and C1 controls but tab and line feed, and the marks that change the direction of text."""


def visible(text: str) -> str:
    """The text with every control character written as an escape."""
    return _CONTROL.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


class _Visible:
    """What is drawn by something else, with control characters as escapes."""

    def __init__(self, drawn: RenderableType) -> None:
        self._drawn = drawn

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for segment in console.render(self._drawn, options):
            if segment.control or not _CONTROL.search(segment.text):
                yield segment
            else:
                yield Segment(visible(segment.text), segment.style)


class _Hook:
    """A render hook of rich, which sees all that is printed, before it gets colours."""

    def process_renderables(self, renderables: list[ConsoleRenderable]) -> list[ConsoleRenderable]:
        """See `rich.console.RenderHook`."""
        return [_Visible(each) for each in renderables]


def safe(console: Console) -> Console:
    """Lets a console show control characters as escapes from now on, and tell when nobody reads its
    output any more."""
    tell_closed(console)
    console.push_render_hook(_Hook())  # type: ignore[arg-type]  # what matters is its method
    return console
