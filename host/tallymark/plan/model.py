"""What a plan says, as values."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, Protocol

from tallymark.common.errors import BadValue
from tallymark.common.signature import Form, Signed

Level = Literal["high", "low"]
Probe = Literal["light", "sound", "ttl"]


class PlanError(BadValue):
    """A plan can't be read, or has no event of that name; the message says where and what to do."""


class Sender(Protocol):
    """What sends a pulse: `tallymark.Box`."""

    def pulse(self, code: int, width_us: int | None = None, *, name: str | None = None) -> Any:
        """See `tallymark.Box.pulse`."""


class Signer(Protocol):
    """What sends a session signature: `tallymark.Box`."""

    def sign(self, code: int, unit_us: int) -> Signed:
        """See `tallymark.Box.sign`."""


@dataclass(frozen=True)
class Event:
    """One named event. width_us in microseconds; count is None where it isn't known. probe: which
    one sees what the event announces, None for none."""

    name: str
    code: int
    width_us: int
    count: int | None = None
    about: str = ""
    probe: Probe | None = None


@dataclass(frozen=True)
class Receiver:
    """What the acquisition system needs (see keys.py). sampling_rate in Hz; lines 1..255, bit n for
    line n.

    idle: level that the box keeps between markers; None: the opposite of `active`.
    """

    sampling_rate: float | None = None
    least_width_us: float = 0.0
    least_samples: int | None = None
    lines: int = 0xFF
    active: Level = "high"
    idle: Level | None = None
    reserved: tuple[int, ...] = ()
    name: str = ""

    @property
    def sample_us(self) -> float | None:
        """Time from one sample to the next in microseconds, if the sampling rate is known."""
        return None if self.sampling_rate is None else 1e6 / self.sampling_rate

    @property
    def needed_us(self) -> int:
        """Shortest pulse in whole microseconds that the receiver sees for certain: what its manual
        promises, and `least_samples` of its samples; 0 where nothing is known."""
        samples_us = (self.least_samples or 0) * (self.sample_us or 0.0)
        return math.ceil(max(self.least_width_us, samples_us) - 1e-6)

    @property
    def box_idle(self) -> Level:
        """Level that the box has to keep between markers."""
        return self.idle or ("low" if self.active == "high" else "high")


@dataclass(frozen=True)
class Session:
    """The session's shape; times in microseconds, distance in lines.

    blocks: how often the same events come in the same order at the same intervals. intervals:
    whether all are of the same length. None: not known.
    """

    least_interval_us: float | None = None
    gap_us: float = 0.0
    width_us: int | None = None
    distance: int = 1
    blocks: int | None = None
    intervals: Literal["constant", "varied"] | None = None


@dataclass(frozen=True)
class Plan:
    """A plan as read. Events keep the order of the file. signature_code: reserved for the session
    signature, 1 to 255, or None."""

    name: str
    receiver: Receiver = field(default_factory=Receiver)
    session: Session = field(default_factory=Session)
    events: tuple[Event, ...] = ()
    signature_code: int | None = None

    def event(self, name: str) -> Event:
        """The event called `name`. Raises PlanError, naming those that exist, if there is none."""
        for event in self.events:
            if event.name == name:
                return event
        known = ", ".join(repr(event.name) for event in self.events) or "none"
        raise PlanError(f"The plan has no event {name!r}. Its events: {known}.")

    def pulse(self, box: Sender, name: str) -> Any:
        """Send the event called `name` through a `tallymark.Box`; returns the box's marker.

        Raises PlanError if the plan has no such event, and whatever `Box.pulse` raises."""
        event = self.event(name)
        return box.pulse(event.code, event.width_us, name=event.name)

    @property
    def signature_form(self) -> Form | None:
        """How signatures are sent, so that the receiver sees them; None if the plan reserves no
        code, or if the receiver needs longer pulses than a signature can have."""
        if self.signature_code is None:
            return None
        receiver = self.receiver
        return Form.for_receiver(self.signature_code, receiver.needed_us, receiver.sample_us)

    def sign(self, box: Signer) -> Signed:
        """Send a session signature through a `tallymark.Box`, as the receiver needs it.

        Raises PlanError if the plan has none to send, and whatever `Box.sign` raises."""
        form = self.signature_form
        if form is None:
            raise PlanError(
                "The plan reserves no code for a session signature. Add two lines to the plan: "
                "'[signature]' and, below it, 'code = 255'."
                if self.signature_code is None
                else "The plan's receiver needs longer pulses than a session signature can have. "
                "'tallymark plan check' says more."
            )
        return box.sign(form.code, form.unit_us)

    def name_of(self, code: int) -> str | None:
        """Name of the first event with this code, or None."""
        return next((event.name for event in self.events if event.code == code), None)

    @property
    def digest(self) -> str:
        """SHA-256 of what the plan says (not of its comments or layout), in hexadecimal. What it
        does not say is left out, so that a key that a later version adds changes no digest."""
        said = asdict(self, dict_factory=lambda items: {k: v for k, v in items if v is not None})
        text = json.dumps(said, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()
