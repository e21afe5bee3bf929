"""What Wine 8 lacks or does differently from Windows, put right before any program of this room.

Python imports this by itself. Nothing of it is in the product.
"""

import ctypes
import sys
from ctypes import wintypes

_name_of = ctypes.CDLL.__getattr__


def _with_missing(library: ctypes.CDLL, name: str) -> object:
    """Wine's cfgmgr32 has no CM_MapCrToWin32Err, whose absence keeps pyserial from listing ports.
    It turns a result of that library into an error number: the second argument by default."""
    if name == "CM_MapCrToWin32Err":
        of_two = ctypes.WINFUNCTYPE(wintypes.DWORD, wintypes.DWORD, wintypes.DWORD)
        return of_two(lambda _result, default: default)
    return _name_of(library, name)


def _result_of_overlapped(handle: object, overlapped: object, moved: object, wait: object) -> int:
    """A read that ends by its time limit ends well on Windows, with the bytes that came; Wine says
    error 1460 (ERROR_TIMEOUT)."""
    done: int = _result(handle, overlapped, moved, wait)
    return done or int(win32.GetLastError() == 1460)


if sys.platform == "win32":
    ctypes.CDLL.__getattr__ = _with_missing  # type: ignore[method-assign]
    try:
        from serial import win32
    except ImportError:  # pip runs before there is a pyserial
        pass
    else:
        _result = win32.GetOverlappedResult
        win32.GetOverlappedResult = _result_of_overlapped
