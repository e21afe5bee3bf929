"""Serves a virtual box to a test in JavaScript, which tells this program what to do with it.

One JSON object a line each way. The first line in says which box: `faults` of its wiring, `tcp`,
`lossy` (a link that can lose frames), and `settings` in force. Each further one is a task, and is
answered by what it found.
"""

from __future__ import annotations

import json
import sys
from contextlib import ExitStack
from typing import Any

from lossy_link import LossyLink

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import Notice, Request
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual import Server, VirtualBox

FACTORY = {
    "name": bytes(16), "width": 5000, "gap": 0, "hold_limit": 0, "byte_baud": 115200,
    "lines": 255, "idle": 0, "overlap": 0, "byte_mode": 1, "strobe": 0, "probes": 0,
    "strobe_lead": 0, "strobe_hold": 0, "threshold_a": 0, "hysteresis_a": 0, "threshold_b": 0,
    "hysteresis_b": 0,
}  # fmt: skip


def box(wanted: dict[str, Any]) -> VirtualBox:
    """A box with these settings in force; its first edge, the level at its start, is taken."""
    device = VirtualBox(bytes.fromhex("0102030405060708"), Wiring(wanted.get("faults", ())))
    record = FACTORY | wanted.get("settings", {})
    device.receive(frame(Request.SETTINGS_WRITE, 1, SETTINGS_RECORD.build(record)))
    device.take()
    device.edges()
    return device


class Rig:
    """The box and its link, and what can be done with them."""

    def __init__(self, stack: ExitStack, wanted: dict[str, Any]) -> None:
        self.device = box(wanted)
        lossy = wanted.get("lossy", False)
        self.server = Server(self.device, tcp=wanted.get("tcp", False) or lossy)
        stack.enter_context(self.server)
        self.link = stack.enter_context(LossyLink(self.server)) if lossy else None

    @property
    def where(self) -> str:
        """What a client opens."""
        return self.link.where if self.link else self.server.where

    def edges(self) -> list[tuple[float, int]]:
        """Changes of the lines since the last call: box time and levels."""
        assert self.device.edges_lost == 0
        return [(edge.time_us, edge.levels) for edge in self.device.edges()]

    def lose(self, requests: list[int], answers: list[int], most: int = 1 << 30) -> None:
        """Loses requests and answers of these types, so many at most, instead of those before."""
        assert self.link is not None
        left = [most]

        def chosen(types: list[int]) -> Any:
            def loses(kind: int, _tag: int) -> bool:
                if kind not in types or left[0] == 0:
                    return False
                left[0] -= 1
                return True

            return loses

        self.link.loses_request = chosen(requests)
        self.link.loses_answer = chosen(answers)

    def lost(self) -> int:
        """How many frames the link has lost."""
        assert self.link is not None
        return len(self.link.lost)

    def restart(self) -> None:
        """Takes the power away for a moment."""
        self.device.start()

    def restart_before(self, requests: list[int]) -> None:
        """Starts unheard just before each of these requests comes, in that order."""
        assert self.link is not None

        def starts(kind: int, _tag: int) -> bool:
            if requests and kind == requests[0]:
                requests.pop(0)
                self.device.start()
            return False

        self.link.loses_answer = lambda kind, _tag: kind == Notice.STARTED
        self.link.loses_request = starts

    def unplug(self) -> None:
        """Ends the service."""
        self.server.stop()

    def byte(self, data: str) -> None:
        """A byte on the byte input."""
        self.device.byte_input(bytes.fromhex(data))


def main() -> None:
    with ExitStack() as stack:
        rig = Rig(stack, json.loads(sys.stdin.readline()))
        print(json.dumps(rig.where), flush=True)
        for line in sys.stdin:
            task = json.loads(line)
            found = getattr(rig, task.pop("task"))(**task)
            print(json.dumps(found), flush=True)


if __name__ == "__main__":
    main()
