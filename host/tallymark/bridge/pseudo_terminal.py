"""A byte port that is a pseudo-terminal: any program can open it as a serial port. POSIX only.

The other side is held open here as well, so that programs may come and go. Every program that opens
it may set it up as it likes; once the last one has gone it is raw again, without echo.
"""

from __future__ import annotations

import fcntl
import os
import termios
import tty
from contextlib import suppress
from pathlib import Path

from tallymark.box.ports.timebase import host_time_s
from tallymark.bridge.byte_port import READ_MOST, MessageSink, Waker, readable, wait_for
from tallymark.bridge.inotify_watch import OpenCloseWatch, programs_with
from tallymark.bridge.stable_symlink import StableSymlink

_SAID_MOST = 5
"""Openings and closings that are reported one by one; a program may open the port for each byte."""


class Terminal:
    """See `tallymark.bridge.byte_port.BytePort`. `device` is the terminal's own name.

    link: where to make a link to it. Raises BadValue if there is something else.
    """

    def __init__(self, say: MessageSink, link: Path | None = None) -> None:
        self._say = say
        self._master, self._slave = os.openpty()
        self.device = os.ttyname(self._slave)
        self._link = None
        self._openings: OpenCloseWatch | None = None
        self._waker = Waker()
        self._closed = False
        self._openings_now = 0
        self._two = False
        self._comings = 0
        self._gone = False
        self.looked_s = host_time_s()
        try:
            self._make_raw()
            with suppress(OSError):  # where the system doesn't tell, openings are not reported
                self._openings = OpenCloseWatch(self.device, self._changed, self._quiet)
            self._link = None if link is None else StableSymlink(link, self.device)
        except BaseException:
            self.close()
            raise
        self.where = self.device if self._link is None else str(self._link.path)
        if self._openings is None:
            say("This system does not report when a program opens or closes the port.")
        if self._link is not None and self._link.was_left:
            say(f"{self.where} was left by a bridge that was killed; it was replaced.")

    def receive(self) -> bytes | None:
        """See `BytePort`."""
        ready = wait_for(self._master, self._waker)
        self.looked_s = host_time_s()
        if ready:
            return os.read(self._master, READ_MOST)
        self._waker.clear()
        if self._gone:
            self._gone = False
            if not self._openings_now:  # otherwise another one cares for the lines already
                return None
        return b""

    @property
    def waker(self) -> Waker:
        """See `BytePort`."""
        return self._waker

    @property
    def source(self) -> int | None:
        """See `BytePort`."""
        return self._master

    def is_empty(self) -> bool:
        """See `BytePort`."""
        return not readable(self._master)

    def wake(self) -> None:
        """See `BytePort`."""
        self._waker.wake()

    def close(self) -> None:
        """See `BytePort`."""
        if self._closed:
            return
        self._closed = True
        if self._openings is not None:
            self._openings.close()
        if self._link is not None:
            self._link.close()
        os.close(self._master)
        os.close(self._slave)
        self._waker.close()

    def _make_raw(self) -> None:
        tty.setraw(self._slave, termios.TCSANOW)
        with suppress(OSError):  # a program may have claimed it for itself and is gone
            fcntl.ioctl(self._slave, termios.TIOCNXCL)

    def _changed(self, opened: bool) -> None:
        if opened:
            self._openings_now += 1
            self._comings += 1
            self._tell("A program has opened the port.")
            if self._comings == _SAID_MOST:
                self._say("From now on, opening and closing of the port are not reported "
                          "individually.")
        else:
            self._openings_now = max(0, self._openings_now - 1)

    def _quiet(self) -> None:
        """Who has the port open now. The system may tell of two openings, or two closings, as one;
        a program may open the port twice, or share one opening with a program that it starts."""
        programs = programs_with(self.device)
        self._openings_now = max(self._openings_now, 1) if programs else 0
        were_two, self._two = self._two, programs > 1 and self._openings_now > 1
        if self._two and not were_two:
            self._say(
                "Two programs have the port open. Their bytes can't be distinguished: the "
                "recording will contain the codes of both. Close one of them.",
                bad=True,
            )
        elif were_two and programs:
            self._say("One program has the port open again.")
        if not programs:
            self._tell("The program has closed the port.")
            with suppress(termios.error):
                self._make_raw()
            self._gone = True
            self._waker.wake()

    def _tell(self, text: str) -> None:
        if self._comings <= _SAID_MOST:
            self._say(text)
