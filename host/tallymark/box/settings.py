"""A box's settings as values: their ranges, and the record that the protocol carries."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from tallymark.box.probe_modes import (
    LEVEL_HIGHEST,
    LightProbe,
    SoundProbe,
    TtlProbe,
    check_probes,
    from_bits,
)
from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.layouts import ANSWERS, SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import (
    Answer,
    ByteMode,
    Capability,
    Idle,
    Numbered,
    Origin,
    Overlap,
)
from tallymark.common.errors import BadValue
from tallymark.common.formatting import parse_time

NAME_LONGEST = 16
GAP_LONGEST_US = 1_000_000
HOLD_LIMIT_US = (1_000, 3_600_000_000)
BYTE_BAUD = (1_200, 1_000_000)

STROBE_TIME_LONGEST_US = 65_535
NO_STROBE = "none"

COMMENTS = {
    "name": "name of this box in the lab, at most 16 ASCII characters",
    "width_us": "width of a pulse",
    "gap_us": "shortest idle time between two markers, 0 to 1000000",
    "hold_limit_us": "a held code ends when the box receives no request for this time; 0: never",
    "byte_baud": "baud rate of the byte input, where it is a serial input",
    "lines": "lines in use; the others stay at idle",
    "idle": "level of the lines when no marker is out: low or high",
    "overlap": "a marker that comes while a pulse is out: cut (the pulse) or refuse (the marker)",
    "byte_mode": "a byte on the byte input: off (refused), pulse (of width_us; byte 0: nothing), "
    "set (stays; byte 0: idle) or limited (a pulse of width_us at most; byte 0 ends it early)",
    "strobe": "line that says when the code on the others is valid, 0 to 7, for receivers that "
    "latch; none: no line does",
    "strobe_lead_us": "time from the code to the strobe, at most 65535",
    "strobe_hold_us": "time from the strobe's end to the code's, at most 65535",
    "light": "light sensor: off, level (by light_threshold), steady (likewise, for a backlight "
    "that flickers) or edge (by the comparator on the board)",
    "sound": "sound: off, level (by sound_threshold) or edge (by the comparators on the board)",
    "ttl": "TTL input: off, high (on while high) or low (on while low, such as a button)",
    "light_threshold": "level from which on light is on, 0 to 65535 (the full scale)",
    "light_hysteresis": "how far below that it has to fall, at most light_threshold",
    "sound_threshold": "distance from rest from which on sound is on, 0 to 65535",
    "sound_hysteresis": "how far below that it has to fall, at most sound_threshold",
}
"""Every setting by name, and what it means."""


@dataclass(frozen=True, slots=True)
class Settings:
    """Settings of a box (PROTOCOL.md, section 5), with the factory values. Times in µs."""

    name: str = ""
    """Up to 16 ASCII characters from space to tilde."""
    width_us: int = 5_000
    gap_us: int = 0
    """Shortest idle time between two markers, 0 to 1,000,000."""
    hold_limit_us: int = 0
    """0 (never), or 1,000 to 3,600,000,000: silence after which a held code ends."""
    byte_baud: int = 115_200
    """1,200 to 1,000,000."""
    lines: int = 255
    """Lines in use, bit n for line n; 1 to 255."""
    idle: Idle = Idle.LOW
    overlap: Overlap = Overlap.CUT
    byte_mode: ByteMode = ByteMode.PULSE
    strobe: int = 0
    """The bit of the strobe's line, 1 to 128; 0: no line is one."""
    strobe_lead_us: int = 0
    """With a strobe: the box's shortest width to 65,535."""
    strobe_hold_us: int = 0
    """As `strobe_lead_us`."""

    light: LightProbe = LightProbe.OFF
    sound: SoundProbe = SoundProbe.OFF
    ttl: TtlProbe = TtlProbe.OFF
    light_threshold: int = 0
    """0 to 65,535, the full scale; not 0 with `light` by level."""
    light_hysteresis: int = 0
    """0 to `light_threshold`."""
    sound_threshold: int = 0
    sound_hysteresis: int = 0

    @property
    def code_lines(self) -> int:
        """The lines that a code may have, bit n for line n: those in use but the strobe."""
        return self.lines & ~self.strobe

    @property
    def strobe_line(self) -> int | None:
        """The number of the strobe's line; None without one."""
        return self.strobe.bit_length() - 1 if self.strobe else None

    def least_width_us(self, shortest_us: int) -> int:
        """The shortest width of a code, in µs, in a box whose shortest width is `shortest_us`."""
        if not self.strobe:
            return shortest_us
        return self.strobe_lead_us + self.strobe_hold_us + shortest_us

    @property
    def idle_levels(self) -> int:
        """Levels of the eight lines at idle: a level pattern is a code XOR this."""
        return 0xFF if self.idle is Idle.HIGH else 0

    def check(self, identity: Identity | None = None) -> None:
        """Raises BadValue for a value that no box, or that the given box, can have."""
        if len(self.name) > NAME_LONGEST or any(not " " <= char <= "~" for char in self.name):
            raise BadValue(f"A box's name has at most {NAME_LONGEST} ASCII characters, unlike "
                           f"'{self.name}'.")
        least = identity.least_width_us if identity else 1
        longest = identity.longest_width_us if identity else HOLD_LIMIT_US[1]
        _in_range("width_us", self.width_us, least, longest)
        _in_range("gap_us", self.gap_us, 0, GAP_LONGEST_US)
        if self.hold_limit_us != 0:
            _in_range("hold_limit_us (if not 0)", self.hold_limit_us, *HOLD_LIMIT_US)
        _in_range("byte_baud", self.byte_baud, *BYTE_BAUD)
        _in_range("lines", self.lines, 1, 255)
        for name in ("strobe_lead_us", "strobe_hold_us"):
            _in_range(name, getattr(self, name), 0, STROBE_TIME_LONGEST_US)
        if self.strobe:
            self._check_strobe(identity, least)
        self._check_probes(identity)

    def _check_probes(self, identity: Identity | None) -> None:
        check_probes(self.light, self.sound, self.ttl, identity)
        levels = identity is None or bool(identity.capabilities & Capability.ANALOG)
        for name, by_level in (
            ("light", self.light in (LightProbe.LEVEL, LightProbe.STEADY)),
            ("sound", self.sound is SoundProbe.LEVEL),
        ):
            threshold = getattr(self, f"{name}_threshold")
            hysteresis = getattr(self, f"{name}_hysteresis")
            most = LEVEL_HIGHEST if levels else 0
            _in_range(f"{name}_threshold", threshold, int(by_level), most)
            _in_range(f"{name}_hysteresis", hysteresis, 0, threshold)

    def _check_strobe(self, identity: Identity | None, least_us: int) -> None:
        if identity and not identity.capabilities & Capability.STROBE:
            raise BadValue("This box has no strobe: its firmware or its board can't do that.")
        if self.strobe.bit_count() != 1 or not 0 < self.strobe < 256:
            raise BadValue(f"strobe is one line, 0 to 7, or none, not the bits {self.strobe:#x}.")
        if not self.strobe & self.lines:
            raise BadValue(f"Line {self.strobe_line} is to be the strobe, but is not in use: "
                           "'lines' has to include it.")
        if not self.code_lines:
            raise BadValue(f"Line {self.strobe_line} is to be the strobe, and no other line is in "
                           "use: no code would be left.")
        for name in ("strobe_lead_us", "strobe_hold_us"):
            _in_range(f"{name} (with a strobe)", getattr(self, name), least_us,
                      STROBE_TIME_LONGEST_US)
        shortest = self.least_width_us(least_us)
        if self.width_us < shortest:
            raise BadValue(
                f"width_us is {self.width_us}, but with this strobe a code lasts at least "
                f"{shortest}: lead {self.strobe_lead_us}, {least_us} for the strobe, hold "
                f"{self.strobe_hold_us}."
            )

    def pack(self) -> bytes:
        """The settings record of the protocol."""
        record: bytes = SETTINGS_RECORD.build(
            {
                "name": self.name.encode("ascii").ljust(NAME_LONGEST, b"\0"),
                "width": self.width_us,
                "gap": self.gap_us,
                "hold_limit": self.hold_limit_us,
                "byte_baud": self.byte_baud,
                "lines": self.lines,
                "idle": self.idle,
                "overlap": self.overlap,
                "byte_mode": self.byte_mode,
                "strobe": self.strobe,
                "strobe_lead": self.strobe_lead_us,
                "strobe_hold": self.strobe_hold_us,
                "probes": self.light | self.sound | self.ttl,
                "threshold_a": self.light_threshold,
                "hysteresis_a": self.light_hysteresis,
                "threshold_b": self.sound_threshold,
                "hysteresis_b": self.sound_hysteresis,
            }
        )
        return record

    @classmethod
    def unpack(cls, record: bytes) -> Settings:
        """From the settings record of the protocol."""
        return cls._of(SETTINGS_RECORD.parse(record))

    @classmethod
    def _of(cls, record: Any) -> Settings:
        return cls(
            record.name.rstrip(b"\0").decode("ascii", "replace"),
            record.width,
            record.gap,
            record.hold_limit,
            record.byte_baud,
            record.lines,
            Idle(record.idle),
            Overlap(record.overlap),
            ByteMode(record.byte_mode),
            record.strobe,
            record.strobe_lead,
            record.strobe_hold,
            *from_bits(record.probes),
            record.threshold_a,
            record.hysteresis_a,
            record.threshold_b,
            record.hysteresis_b,
        )

    def differences(self, other: Settings) -> list[str]:
        """Names of the settings in which the two differ."""
        return [
            field.name
            for field in fields(self)
            if getattr(self, field.name) != getattr(other, field.name)
        ]

    def changed(self, **values: Any) -> Settings:
        """A copy with some settings changed; enumerations may be given by their lower-case name,
        times in microseconds or as a text with a unit ("5ms").

        BadValue for a name that is no setting or a value that it can't have.
        """
        return replace(self, **{name: _value(name, value) for name, value in values.items()})

    def save(self, path: str | Path, identity: Identity | None = None) -> None:
        """Writes a settings file; `identity` notes which box they came from."""
        from tallymark.box import settings_file

        settings_file.save(self, path, identity)

    @classmethod
    def load(cls, path: str | Path, edited: bool = False) -> Settings:
        """Reads a settings file. SettingsFileError if it can't be used, with the reason.

        edited: take a file whose settings don't fit its checksum, or that has none.
        """
        from tallymark.box import settings_file

        return settings_file.load(path, edited)


@dataclass(frozen=True, slots=True)
class SettingsState:
    """The settings in force, and where they came from."""

    settings: Settings
    origin: Origin
    """What the box started with or kept last."""
    kept: int
    """How often settings were kept in this box; 0 with factory values."""

    @classmethod
    def parse(cls, body: bytes) -> SettingsState:
        """From the body of a `settings` answer."""
        raw = ANSWERS[Answer.SETTINGS].parse(body)
        settings = Settings._of(raw.record)
        return cls(settings, Origin.of(raw.origin) or Origin.FACTORY, raw.kept)


_ENUMS: dict[str, type[Numbered]] = {
    "idle": Idle,
    "overlap": Overlap,
    "byte_mode": ByteMode,
    "light": LightProbe,
    "sound": SoundProbe,
    "ttl": TtlProbe,
}


def _value(name: str, value: Any) -> Any:
    if name not in COMMENTS:
        near = difflib.get_close_matches(name, COMMENTS, 1)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise BadValue(f"'{name}' is not a setting. Settings: {', '.join(COMMENTS)}.{hint}")
    if name in _ENUMS:
        kind = _ENUMS[name]
        words = {member.label: member for member in kind}
        if isinstance(value, kind):
            return value
        if value not in words:
            raise BadValue(f"'{name}' must be one of {', '.join(words)}, not '{value}'.")
        return words[value]
    if name == "name":
        if not isinstance(value, str):
            raise BadValue(f"'name' must be a text, not {value!r}.")
        return value
    if name == "lines" and isinstance(value, list | tuple):
        if any(type(line) is not int or not 0 <= line <= 7 for line in value):
            raise BadValue(f"'lines' lists numbers from 0 to 7, not {value}.")
        return sum(1 << line for line in set(value))
    if name == "strobe":
        if value == NO_STROBE:
            return 0
        if isinstance(value, str) and value.isdecimal():
            value = int(value)
        if type(value) is not int or not 0 <= value <= 7:
            raise BadValue(f"'strobe' is a line, 0 to 7, or {NO_STROBE}, not {value!r}.")
        return 1 << value
    if name.endswith("_us") and isinstance(value, str):
        if name == "hold_limit_us" and value.strip() == "never":
            return 0
        try:
            return parse_time(value)
        except ValueError as error:
            raise BadValue(f"'{value}' can't be a value of {name}: {error}.") from None
    if type(value) is not int:
        raise BadValue(f"'{name}' must be a whole number, not {value!r}.")
    return value


def _in_range(name: str, value: int, least: int, most: int) -> None:
    if not least <= value <= most:
        raise BadValue(f"{name} goes from {least} to {most}, not {value}.")
