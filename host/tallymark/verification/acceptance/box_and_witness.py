"""The box that is accepted, its witness, and its plug: real ones, or a virtual pair."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from pathlib import Path
from typing import Protocol

from tallymark.box.box import Box
from tallymark.box.ports.discovery import is_virtual
from tallymark.common.errors import BadValue, NoAnswer, PortError, TallymarkError
from tallymark.common.lines.vcd_writer import write_vcd
from tallymark.verification.acceptance.witness_box import WitnessBox
from tallymark.virtual.box_and_witness_pair import VirtualPair

Say = Callable[[str], None]
PATIENCE_S = 120.0
"""How long a person may take to pull the plug, and to put it in again."""
_LOOK_S = 0.1
_VIRTUAL_ANALYSER_FAST = 20e-6
_OFF_S = 1.0
"""How long the box is without power at least, so that what comes late is seen."""


class Boxes(Protocol):
    """What an acceptance needs."""

    box: Box

    @property
    def witness(self) -> Box | None:
        """The second box; None where a logic analyser looks on."""

    def cut_power(self, say: Say) -> tuple[bool, bool]:
        """Cuts the power and gives it back; whether each of the two happened.

        `box` is another object afterwards.
        """

    def analyser(self, path: Path, say: Say) -> AbstractContextManager[None]:
        """What the lines do meanwhile will be in a trace at `path`, or a person saves it."""

    def close(self) -> None:
        """Closes both."""


def _analyser_us(time_us: float) -> int:
    return round(time_us * (1 + _VIRTUAL_ANALYSER_FAST))


def open_boxes(where: str | None, witness: str | None, note: Say) -> Boxes:
    """Opens the box, and the witness unless it is None. Raises as `Box.open`, and BadValue."""
    if is_virtual(where) or is_virtual(witness):
        if not is_virtual(where) or (witness is not None and witness != "virtual"):
            raise BadValue(
                "A virtual box is seen by a virtual witness only: --box virtual --witness virtual."
            )
        assert where is not None
        return VirtualBoxes(where)
    return RealBoxes(where, witness, note)


class RealBoxes:
    """Two boxes at this computer, or one whose lines a logic analyser looks at."""

    def __init__(self, where: str | None, witness: str | None, note: Say) -> None:
        self._note = note
        self.witness: Box | None = None
        self.box = Box.open(where, progress=note)
        self._where = where or self.box.identity.serial
        try:
            if witness is not None:
                self.witness = Box.open(witness, progress=note)
            if self.witness and self.witness.identity.serial == self.box.identity.serial:
                raise BadValue("Box and witness are the same box. Name two: --box, --witness.")
        except BaseException:
            self.close()
            raise

    def cut_power(self, say: Say) -> tuple[bool, bool]:
        """Waits until a person has pulled the plug, and until it is in again."""
        say("Pull the USB plug of the box now, not that of the witness.")
        pacing = (self.witness or self.box).pacing
        if not self._wait(self._gone):
            self.box.set(0).wait()
            return False, False
        self.box.close()
        pacing.sleep(_OFF_S)
        say("Put the plug in again.")
        return True, self._wait(self._back)

    def analyser(self, path: Path, say: Say) -> AbstractContextManager[None]:
        """A person starts, stops and saves."""
        del path, say
        return nullcontext()

    def close(self) -> None:
        """Closes both."""
        for box in (self.box, self.witness):
            if box is not None:
                box.close()

    def _wait(self, happened: Callable[[], bool]) -> bool:
        pacing = (self.witness or self.box).pacing
        end = pacing.now() + PATIENCE_S
        while not happened():
            if pacing.now() > end:
                return False
            pacing.sleep(_LOOK_S)
        return True

    def _gone(self) -> bool:
        try:
            self.box.levels()
        except (PortError, NoAnswer):
            return True
        return False

    def _back(self) -> bool:
        with suppress(TallymarkError):
            self.box = Box.open(self._where, progress=lambda _: None)
            return True
        return False


class VirtualBoxes:
    """A virtual pair; nobody is needed for its plug."""

    witness: Box

    def __init__(self, url: str) -> None:
        self._pair = VirtualPair(url)
        self.box = Box(self._pair.first)
        self.witness = Box(self._pair.witness)

    def cut_power(self, say: Say) -> tuple[bool, bool]:
        """Takes the power, waits, and gives it back."""
        say("The power of the virtual box is cut, and returns.")
        self.box.close()
        self._pair.pull_plug()
        self.witness.pacing.sleep(_OFF_S)
        self._pair.plug_in()
        self.witness.pacing.sleep(_OFF_S)
        self.box = Box(self._pair.first)
        return True, True

    @contextmanager
    def analyser(self, path: Path, say: Say) -> Iterator[None]:
        """The second box stands in for an analyser of 1 MHz, whose clock is a little fast."""
        watch = WitnessBox(self.witness)
        watch.begin()
        yield
        seen = watch.end()
        with path.open("w", encoding="ascii") as file:
            changes = zip(map(_analyser_us, seen.times_us), seen.levels, strict=True)
            write_vcd(file, changes, _analyser_us(seen.end_us), comment="A virtual box.")
        say(f"What a virtual analyser of 1 MHz saw is in {path}.")

    def close(self) -> None:
        """Closes both."""
        self.box.close()
        self.witness.close()
