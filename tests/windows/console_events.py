"""Runs a program for Windows in a console of its own, and does to that console what a user does.

Usage: python console_events.py PROGRAM [ARGUMENT ...], with the Python for Windows, in Wine. The
program has this script's output and error output. A line of the input then says what happens:

interrupt: Ctrl-C is pressed.
N: the system tells all programs of the console of the event N of SetConsoleCtrlHandler: 1
    Ctrl-Break, 2 the console window is closed, 5 the user logs off, 6 the computer shuts down. The
    system does that by a thread in the program that runs its own CtrlRoutine; here this script
    starts that thread, as Wine's console sends no event but Ctrl-C. Events 2, 5 and 6 are as deadly
    as on Windows: one program after the other, the newest first, is ended as soon as its handlers
    have returned, or when 5 s are over.

Exit code: the program's; 99 where it was ended so. (The installed command is a program that starts
Python and waits for it: there are two.)
"""

from __future__ import annotations

import ctypes
import subprocess
import sys
from ctypes import wintypes

ENDED = 99
_DEADLY = (2, 5, 6)
_WAIT_MS = 5_000
_NEW_CONSOLE = 0x10


def main() -> int:
    """See the module's docstring."""
    system = ctypes.WinDLL("kernel32", use_last_error=True)
    program = subprocess.Popen(
        sys.argv[1:], creationflags=_NEW_CONSOLE, stdin=subprocess.PIPE, stdout=sys.stdout,
        stderr=sys.stderr,
    )
    what = sys.stdin.readline().strip()
    system.FreeConsole()
    if not system.AttachConsole(program.pid):
        raise ctypes.WinError(ctypes.get_last_error())
    system.SetConsoleCtrlHandler(None, 1)  # not this script
    if what != "interrupt":
        for number in programs(system, program.pid):
            tell(system, number, int(what))
    elif not system.GenerateConsoleCtrlEvent(0, 0):
        raise ctypes.WinError(ctypes.get_last_error())
    return program.wait()


def programs(system: ctypes.WinDLL, first: int) -> list[int]:
    """Programs of the console, without this script; `first`, which started the others, comes last.
    """
    found = (wintypes.DWORD * 16)()
    count = system.GetConsoleProcessList(found, len(found))
    others = set(found[:count]) - {first, system.GetCurrentProcessId()}
    return [*sorted(others, reverse=True), first]


def tell(system: ctypes.WinDLL, number: int, event: int) -> None:
    """Tell a program of an event, and end it afterwards if the event is a deadly one."""
    system.OpenProcess.restype = wintypes.HANDLE
    process = system.OpenProcess(0x1FFFFF, 0, number)  # all rights
    if not process:
        return  # it has ended
    thread = event_thread(system, process, event)
    if thread and event in _DEADLY:
        system.WaitForSingleObject(thread, _WAIT_MS)
        system.TerminateProcess(wintypes.HANDLE(process), ENDED)


def event_thread(system: ctypes.WinDLL, process: int, event: int) -> wintypes.HANDLE | None:
    """Start the thread in which the system tells a process of an event. None: it has ended."""
    find, start = system.GetProcAddress, system.CreateRemoteThread
    system.GetModuleHandleW.restype = wintypes.HMODULE
    find.restype, find.argtypes = ctypes.c_void_p, (wintypes.HMODULE, ctypes.c_char_p)
    start.restype = wintypes.HANDLE
    start.argtypes = (wintypes.HANDLE, ctypes.c_void_p, ctypes.c_size_t, ctypes.c_void_p,
                      ctypes.c_void_p, wintypes.DWORD, ctypes.c_void_p)
    routine = find(system.GetModuleHandleW("kernelbase.dll"), b"CtrlRoutine")
    if not routine:
        raise ctypes.WinError(ctypes.get_last_error())
    thread = start(process, None, 0, routine, event, 0, None)
    return wintypes.HANDLE(thread) if thread else None


if __name__ == "__main__":
    sys.exit(main())
