"""The settings inside a box: read, written with proof, kept."""

from __future__ import annotations

from dataclasses import replace

from tallymark.box.interface_for_box_parts import LinkOwner
from tallymark.box.settings import Settings, SettingsState
from tallymark.box.wire.protocol_enumerations import Request
from tallymark.common.errors import TallymarkError

_KEEP_SECONDS = 2.0


class BoxSettings:
    """The settings inside a box: `Box.settings`."""

    def __init__(self, box: LinkOwner) -> None:
        self._box = box

    def read(self) -> Settings:
        """The settings in force."""
        return self.state().settings

    def state(self) -> SettingsState:
        """The settings in force, where they came from, and how often settings were kept."""
        state = SettingsState.parse(self._box.link.ask(Request.SETTINGS_READ).body)
        self._box.identity = replace(self._box.identity, name=state.settings.name)
        return state

    def write(self, settings: Settings) -> None:
        """Puts settings in force and proves it by reading them back; `keep` makes them last.

        The lines have to be idle. Empties a loaded sequence.
        Raises BadValue, Refused; TallymarkError if they read back otherwise.
        """
        settings.check(self._box.identity)
        self._box.link.ask(Request.SETTINGS_WRITE, settings.pack())
        self._prove(settings)

    def keep(self) -> SettingsState:
        """Writes the settings in force to the box's non-volatile memory."""
        self._box.link.ask(Request.SETTINGS_KEEP, seconds=_KEEP_SECONDS, alone=True)
        return self.state()

    def factory(self) -> Settings:
        """Puts the factory values in force; `keep` makes them last."""
        self._box.link.ask(Request.SETTINGS_FACTORY)
        return self.read()

    def install(self, settings: Settings) -> SettingsState:
        """Makes this box a copy: writes settings, keeps them, and proves that both are equal."""
        self.write(settings)
        state = self.keep()
        self._prove(settings)
        return state

    def _prove(self, settings: Settings) -> None:
        if different := settings.differences(self.read()):
            raise TallymarkError(
                f"The box did not accept the settings {', '.join(different)}: other values were "
                "read back. Try again; do not use the box until they are equal."
            )
