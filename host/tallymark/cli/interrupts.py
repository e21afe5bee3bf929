"""Internal: every way in which a person or the system ends a command ends it as Ctrl-C does.

Ctrl-C, SIGTERM, the end of the terminal (SIGHUP), Ctrl-Break, and on Windows the closing of the
console window, logging off and shutting down: each raises KeyboardInterrupt in the main thread, so
that lines go to idle and logs are ended.
"""

from __future__ import annotations

import signal
import sys
from threading import Event

_CLOSE_EVENTS = (2, 5, 6)
"""CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT and CTRL_SHUTDOWN_EVENT of SetConsoleCtrlHandler."""
_CLOSE_S = 4.5
"""Windows ends the process when the handler returns, or about 5 s after the event."""
_over = Event()
_kept: list[object] = []  # the callback that Windows calls; it must not be collected


def install() -> None:
    """Call once, in the main thread. A SIGHUP that is ignored stays so (nohup)."""
    for name in ("SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, signal.default_int_handler)
    if sys.platform == "win32":
        _install_close_handler()


def ignore() -> None:
    """From now on nothing of all that cuts short what is being ended."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        number = getattr(signal, name, None)
        if number is not None:
            signal.signal(number, signal.SIG_IGN)


def over() -> None:
    """The command has ended: a console window that was closed may go."""
    _over.set()


def console_event(event: int) -> bool:
    """What Windows tells in a thread of its own. If the console goes away, this ends the command as
    Ctrl-C does, and comes back when the command has ended, at most 4.5 s later, because the process
    ends then. Returns False for an event that is somebody else's, such as Ctrl-C itself."""
    if event not in _CLOSE_EVENTS:
        return False
    signal.raise_signal(signal.SIGINT)  # wakes time.sleep() too, as interrupt_main() doesn't there
    _over.wait(_CLOSE_S)
    return True


if sys.platform == "win32":

    def _install_close_handler() -> None:
        import ctypes

        @ctypes.WINFUNCTYPE(ctypes.c_int, ctypes.c_uint)  # type: ignore[misc]
        def handler(event: int) -> int:
            return int(console_event(event))

        _kept.append(handler)
        ctypes.windll.kernel32.SetConsoleCtrlHandler(handler, 1)
