"""What the box puts on its outputs, as blocks of time: from confirmed markers, hold ends, steps of
sequences. The box captures its readback only; these are what it confirmed."""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.markerlog import LoggedMarker


@dataclass(frozen=True, slots=True)
class Block:
    """A code on the lines. Times in µs of box time; until_us: None if it stays until the next block
    begins. Code 0: idle."""

    from_us: int
    until_us: int | None
    code: int
    name: str = ""

    def as_data(self) -> list[object]:
        """For JSON."""
        return [self.from_us, self.until_us, self.code, self.name]


def block_of(marker: LoggedMarker, name: str) -> Block | None:
    """The block of a marker; None if it did not go out."""
    if marker.fate != "done" or marker.box_us is None:
        return None
    until = None
    if not marker.stays and marker.width_us is not None and marker.code:
        until = marker.box_us + marker.width_us
    return Block(marker.box_us, until, marker.code, name)
