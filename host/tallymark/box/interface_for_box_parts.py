"""What a box's parts need of their box."""

from __future__ import annotations

from typing import Protocol

from tallymark.box.link.link import Link
from tallymark.box.ports.timebase import Pacing
from tallymark.box.wire.answer_values import Identity


class LinkOwner(Protocol):
    """A box, as its sequences, captures and settings use it.

    They keep the box and not its link, because a restart may give the box another link.
    """

    identity: Identity
    pacing: Pacing

    @property
    def link(self) -> Link:
        """The link in use. Raises PortError once the box was closed."""
