"""A simulated display and a simulated loudspeaker, for the probes of a virtual box.

Each turns 'the program shows or plays something now' into the levels that a sensor has, as a list
of (time in microseconds, level of 0 to 65,535). `present` gives them to the box. A `Stage` does so
for the events of a plan.

The display scans from top to bottom, and may switch its backlight; `Room` adds the light of the
room, with the flicker of the mains.

Not modelled: what else is on the screen, noise at the sensor, a refresh rate or a sound card's
clock that wanders.
"""

from tallymark.virtual.stimuli.display import Display
from tallymark.virtual.stimuli.levels import Levels, Stimulus, present
from tallymark.virtual.stimuli.loudspeaker import Loudspeaker
from tallymark.virtual.stimuli.plan_event_presenter import Stage
from tallymark.virtual.stimuli.room import Room

__all__ = ["Display", "Levels", "Loudspeaker", "Room", "Stage", "Stimulus", "present"]
