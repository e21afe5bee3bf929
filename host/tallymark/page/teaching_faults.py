"""A fault to find: faults in the wiring of a virtual box, set openly, or hidden until found.

An answer is right if the wiring that it describes behaves as the hidden one does; 'open' and
'shorted to ground', for one, can't be told apart from outside.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from tallymark.common.errors import BadValue
from tallymark.common.lines.readback_wiring_model import (
    Fault,
    Kind,
    Wiring,
    responses,
    single_faults,
)
from tallymark.verification.selftest.fault_text import fault_text

if TYPE_CHECKING:
    from tallymark.virtual import VirtualBox

KINDS = tuple(kind for kind in Kind if kind is not Kind.SLOW)
"""Those that show in the levels; a slow edge shows in times only."""
FAULTS_MOST = 2


class Lesson:
    """The wiring of one virtual box. Any thread.

    changed: called when it was laid anew, as earlier tests of it are worth nothing any more.
    may_set: whether a window of this box may set and hide faults itself; in a class the teacher
    does.
    """

    def __init__(
        self, device: VirtualBox, changed: Callable[[], None], may_set: bool = True
    ) -> None:
        self.may_set = may_set
        self._device = device
        self._changed = changed
        self._lock = threading.Lock()
        self._faults = device.wiring.faults
        self._hidden = False
        self._shown = False
        self._answers = 0
        self._right = False
        self._said = ""

    @property
    def is_open(self) -> bool:
        """Whether a fault is hidden, and not known yet."""
        return self._hidden and not self._right and not self._shown

    def wire(self, faults: list[str]) -> None:
        """Sets faults for all to see. BadValue for texts that are no faults."""
        self._lay(_parsed(faults), hidden=False)

    def hide(self, count: int) -> None:
        """Hides so many faults, 1 or 2, drawn at random."""
        self.hide_these(drawn(count))

    def hide_these(self, faults: list[Fault]) -> None:
        """Hides these faults."""
        self._lay(faults, hidden=True)

    def _lay(self, faults: list[Fault], hidden: bool) -> None:
        with self._lock:
            self._faults = tuple(faults)
            self._hidden, self._shown, self._right = hidden, False, False
            self._answers, self._said = 0, ""
            self._device.wire(Wiring(faults))
            self._changed()

    def answer(self, texts: list[str]) -> None:
        """An answer to what is hidden. BadValue if nothing is."""
        faults = _parsed(texts)
        if not faults:
            raise BadValue("Choose a fault first.")
        with self._lock:
            if not self.is_open:
                raise BadValue("No fault is hidden now.")
            self._answers += 1
            if responses(faults) == responses(self._faults):
                self._right = True
                self._said = ""
                return
            given, true = Wiring(faults).table(), self._device.wiring.table()
            code = next(code for code in range(256) if given[code] != true[code])
            self._said = (
                f"Not this: with it, code {code} would be read back as {given[code]}. Send it, and "
                "look."
            )

    def show(self) -> None:
        """Shows the answer."""
        self._shown = True

    def as_data(self, teacher: bool = False) -> dict[str, Any]:
        """For JSON. teacher: may know what is hidden."""
        known = teacher or not self.is_open
        return {
            "may_set": self.may_set or teacher,
            "hidden": self._hidden,
            "open": self.is_open,
            "answers": self._answers,
            "right": self._right,
            "said": self._said,
            "count": len(self._faults),
            "faults": [_told(fault) for fault in self._faults] if known else [],
        }


def drawn(count: int) -> list[Fault]:
    """Faults drawn at random. BadValue unless 1 or 2."""
    if not 1 <= count <= FAULTS_MOST:
        raise BadValue(f"1 or {FAULTS_MOST} faults can be hidden.")
    every = list(single_faults())
    while True:
        faults = [secrets.choice(every) for _ in range(count)]
        # Each has to show beside the other: an open line hides that it is inverted, too.
        seen = responses(faults)
        if all(responses([one for one in faults if one is not left]) != seen for left in faults):
            return faults


def _parsed(texts: list[str]) -> list[Fault]:
    if len(texts) > FAULTS_MOST or not all(isinstance(each, str) for each in texts):
        raise BadValue(f"At most {FAULTS_MOST} faults.")
    return [Fault.parse(each) for each in texts]


def _told(fault: Fault) -> dict[str, str]:
    words = fault_text([fault], "")
    return {"fault": str(fault), "what": words.what, "look": words.look}
