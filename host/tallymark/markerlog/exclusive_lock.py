"""One writer a file: a lock that the system releases when the program ends, however it ends.

Reading needs no lock. On Windows the system enforces locks of bytes, so the byte that is locked
lies where no log reaches; on POSIX systems the lock is of the whole file, and binds only those who
ask for it.
"""

from __future__ import annotations

import errno
import os
import sys

_BYTE = (1 << 31) - 2  # the last that every C library can address
_TAKEN = (errno.EACCES, errno.EAGAIN, errno.EDEADLK)


def lock(descriptor: int) -> bool:
    """Locks an open file for this program. False if another holds it.

    Raises OSError if the file system knows no locks."""
    try:
        if sys.platform == "win32":
            import msvcrt

            at = os.lseek(descriptor, 0, os.SEEK_CUR)
            os.lseek(descriptor, _BYTE, os.SEEK_SET)
            try:
                msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
            finally:
                os.lseek(descriptor, at, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno in _TAKEN:
            return False
        raise
    return True
