"""What the bridge tells the person who watches it."""

from __future__ import annotations

from typing import Protocol

from tallymark.box.wire.answer_values import HoldEnded


class BridgeScreen(Protocol):
    """Where a bridge tells what happens, such as `monitor.LiveScreen`. From any thread; each call
    returns at once."""

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        """See `byte_port.MessageSink`."""

    def pauses(self, text: str, due: bool, /) -> None:
        """How often this program did not run so far; takes the place of the last such sentence
        where that is possible. due: worth one more line elsewhere. The log has each byte that was
        late."""

    def idle(self, text: str, *, logged: bool = False) -> None:
        """A sentence that says why the lines are at idle now, though no byte asked for it."""

    def hold_ended(self, notice: HoldEnded, limit_us: int) -> None:
        """The box took a code to idle after its hold limit, which its log has."""
