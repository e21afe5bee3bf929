"""The settings in force, as the link sees them go by, so that a width can be told without asking.

Two moments count. A pulse is sent under the settings that requests on their way will have put in
force; a byte marker comes under those of the answers that came before it, because the box sends
answers and notices in the order in which things happened.
"""

from __future__ import annotations

from dataclasses import replace

from tallymark.box.link.pending_query import Query
from tallymark.box.settings import Settings, SettingsState
from tallymark.box.wire.answer_values import ByteMarker
from tallymark.box.wire.protocol_enumerations import Answer, ByteMode, Request

_CHANGES = (Request.SETTINGS_WRITE, Request.SETTINGS_FACTORY)


class ActiveSettings:
    """What is known of the settings in force. The exchange's lock is held.

    settings: as of the last answer; None if they aren't known.
    width_us: of a pulse that is sent now without a width of its own; None if it isn't known.
    """

    def __init__(self) -> None:
        self.settings: Settings | None = None
        self.width_us: int | None = None

    def forget(self) -> None:
        """The box started again, with the settings that it keeps."""
        self._know(None)

    def asked(self, request: Request) -> None:
        """A request is on its way."""
        if request in _CHANGES:
            self.width_us = None

    def answered(self, query: Query) -> None:
        """A request has ended, with an answer or without one."""
        request = query.request
        if request is Request.SETTINGS_READ and query.kind == Answer.SETTINGS:
            self._know(SettingsState.parse(query.body).settings)
        elif request in _CHANGES:
            if query.kind == Answer.DONE:
                written = request is Request.SETTINGS_WRITE
                self._know(Settings.unpack(query.asked) if written else Settings())
            else:  # refused, with the refusal as its body; or no answer came
                self._know(self.settings if query.body else None)

    def completed(self, notice: ByteMarker) -> ByteMarker:
        """A byte marker with the width that it has by these settings (PROTOCOL.md, section 5)."""
        settings = self.settings
        if settings is None or notice.reason is not None:
            return notice
        stays = notice.byte == 0 or settings.byte_mode is ByteMode.SET
        return replace(notice, width_us=None if stays else settings.width_us, stays=stays)

    def _know(self, settings: Settings | None) -> None:
        self.settings = settings
        self.width_us = None if settings is None else settings.width_us
