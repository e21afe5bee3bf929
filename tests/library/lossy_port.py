"""A port in front of a virtual box that loses what it is told to lose."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import serial

from tallymark.box.wire.frames import Frame, frame, unpack
from tallymark.box.wire.protocol_enumerations import IN_SESSION, Request

STEPPED = "virtual://?time=stepped"


class LossyPort:
    """A port that drops frames on either way, chosen by a function, and remembers all requests."""

    def __init__(self, url: str = STEPPED) -> None:
        self.inner: Any = serial.serial_for_url(url)
        self.lose_request: Callable[[Frame], bool] = lambda frame: False
        self.lose_answer: Callable[[Frame], bool] = lambda frame: False
        self.repeat: Callable[[Frame], bool] = lambda frame: False
        self.change_answer: Callable[[Frame], Frame] = lambda frame: frame
        self.requests: list[Frame] = []
        self._rest = b""

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("timeout", "write_timeout"):
            setattr(self.inner, name, value)
        else:
            super().__setattr__(name, value)

    def write(self, data: bytes) -> int:
        for piece in data.split(b"\0"):
            message = unpack(piece) if piece else None
            if message is None:
                continue
            self.requests.append(message)
            if not self.lose_request(message):
                self.inner.write((piece + b"\0") * (1 + self.repeat(message)))
        return len(data)

    def read(self, size: int = 1) -> bytes:
        data = self.inner.read(size)
        if not data:
            return b""
        data = self._rest + data + self.inner.read(self.inner.in_waiting)
        *pieces, self._rest = data.split(b"\0")
        kept = b""
        for piece in pieces:
            message = unpack(piece) if piece else None
            if message is None:
                continue
            kind, tag, body = message
            mark = kind & IN_SESSION
            message = kind - mark, tag, body
            if not self.lose_answer(message):
                kind, tag, body = self.change_answer(message)
                kept += frame(kind | mark, tag, body)
        return kept


class UsbBoard(LossyPort):
    """A board whose own USB port goes away when it restarts."""

    restarting = False
    noticed_s = 0.0
    """So long it takes until whoever reads hears that it is gone."""

    def write(self, data: bytes) -> int:
        asked = unpack(data[:-1])
        self.restarting = asked is not None and asked[0] == Request.RESTART
        return super().write(data)

    def read(self, size: int = 1) -> bytes:
        try:
            data = super().read(size)
        except serial.SerialException:
            time.sleep(self.noticed_s)
            raise
        if data and self.restarting:
            self.inner.unplug()
        return data
