"""Practice recordings: a simulated amplifier samples a box's lines.

The lines come as a list of (box time in microseconds, levels of the eight lines) changes, such as
the virtual box keeps; `play` sends a session by a plan through it. `disturb` loses, alters and adds
markers. A `Wiring` takes the lines to the amplifier, optionally with faults. An `Amplifier` samples
them by its own clock. `write_recording` writes an EDF+ or BDF+ file with plausible signals beside
the status channel. `Truth` lists the inserted faults, which a check has to find.

The wires are those of `lines.readback_wiring_model`, with the same faults as for the self-test. A
level at an input that changes back before its threshold is passed never shows.

Not modelled: contact bounce, noise on the lines, a sampling clock that wanders.
"""

from tallymark.virtual.practice.amplifier import Amplifier, Changes, Sampled, sample
from tallymark.virtual.practice.disturbed_pulses import (
    Disturbed,
    Pulse,
    changes_of,
    disturb,
    pulses_of,
)
from tallymark.virtual.practice.edf_writer import write_recording
from tallymark.virtual.practice.ground_truth import Truth
from tallymark.virtual.practice.session_player import in_order, play

__all__ = [
    "Amplifier",
    "Changes",
    "Disturbed",
    "Pulse",
    "Sampled",
    "Truth",
    "changes_of",
    "disturb",
    "in_order",
    "play",
    "pulses_of",
    "sample",
    "write_recording",
]
