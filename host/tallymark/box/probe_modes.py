"""Which probes a box watches, and how: the values of the settings `light`, `sound` and `ttl`.

Their numbers are the bits of `probes` in the settings record (PROTOCOL.md, section 6.3)."""

from __future__ import annotations

from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.protocol_enumerations import Capability, Numbered, ProbeBit
from tallymark.common.errors import BadValue

LEVEL_HIGHEST = 65_535
"""The full scale of levels, thresholds and hystereses."""


class LightProbe(Numbered):
    """How the light input is watched."""

    OFF = 0
    LEVEL = ProbeBit.LIGHT_LEVEL
    """By its level: `light_threshold` and `light_hysteresis`."""
    STEADY = ProbeBit.LIGHT_LEVEL | ProbeBit.LIGHT_STEADY
    """As `LEVEL`, but 20 ms of dark are needed for its end: for a backlight that flickers."""
    EDGE = ProbeBit.LIGHT_EDGE
    """By the comparator on the board."""


class SoundProbe(Numbered):
    """How the sound input is watched."""

    OFF = 0
    LEVEL = ProbeBit.SOUND_LEVEL
    """By its level: `sound_threshold` and `sound_hysteresis`."""
    EDGE = ProbeBit.SOUND_EDGE
    """By the comparators on the board."""


class TtlProbe(Numbered):
    """How the TTL input is watched."""

    OFF = 0
    HIGH = ProbeBit.TTL
    """It is on while it is high."""
    LOW = ProbeBit.TTL | ProbeBit.TTL_LOW
    """It is on while it is low, as a button to ground is."""


_MASKS = {
    LightProbe: int(ProbeBit.LIGHT_LEVEL | ProbeBit.LIGHT_STEADY | ProbeBit.LIGHT_EDGE),
    SoundProbe: int(ProbeBit.SOUND_LEVEL | ProbeBit.SOUND_EDGE),
    TtlProbe: int(ProbeBit.TTL | ProbeBit.TTL_LOW),
}


def from_bits(probes: int) -> tuple[LightProbe, SoundProbe, TtlProbe]:
    """From `probes` of a settings record; what this version doesn't know is taken for off."""
    return (
        LightProbe.of(probes & _MASKS[LightProbe]) or LightProbe.OFF,
        SoundProbe.of(probes & _MASKS[SoundProbe]) or SoundProbe.OFF,
        TtlProbe.of(probes & _MASKS[TtlProbe]) or TtlProbe.OFF,
    )


def check_probes(
    light: LightProbe, sound: SoundProbe, ttl: TtlProbe, identity: Identity | None
) -> None:
    """Raises BadValue if the box can't watch these."""
    if identity is None:
        return
    by_level = [
        name
        for name, on in (
            ("light", light in (LightProbe.LEVEL, LightProbe.STEADY)),
            ("sound", sound is SoundProbe.LEVEL),
        )
        if on
    ]
    by_edge = [
        name
        for name, on in (
            ("light", light is LightProbe.EDGE),
            ("sound", sound is SoundProbe.EDGE),
            ("ttl", ttl is not TtlProbe.OFF),
        )
        if on
    ]
    analog = bool(identity.capabilities & Capability.ANALOG)
    if by_level and not analog:
        raise BadValue(
            f"This box can't watch the level of {by_level[0]}: it has no analog inputs. Use "
            f"{by_level[0]} = edge, with the comparator on its board."
        )
    if by_edge and not identity.capabilities & Capability.DIGITAL:
        raise BadValue("This box has no probe inputs: its firmware or its board can't do that.")
    if not analog and len(by_edge) > 1:
        raise BadValue(
            f"This box has one probe input, so it can watch one of {', '.join(by_edge)}. Set the "
            "others to off."
        )
