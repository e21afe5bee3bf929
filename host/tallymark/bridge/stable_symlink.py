"""A link in the file system to a port whose own name changes from run to run.

The link is ours to replace only if a note says so: for each link there is a note in the user's
state folder, with the link's path and target, which its bridge keeps locked. A note that nobody has
locked is that of a bridge which was killed.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from contextlib import suppress
from pathlib import Path

from platformdirs import user_state_path

from tallymark.common.errors import BadValue


class StableSymlink:
    """Makes the link; `close` removes it. `was_left` tells that a killed bridge had left it.

    path: where the link is to be. target: what it leads to.
    Raises BadValue if there is something at the path that is not ours, or the link can't be made.
    """

    def __init__(self, path: Path, target: str) -> None:
        self.path = Path(os.path.abspath(path))
        self._target = target
        name = hashlib.sha256(str(self.path).encode()).hexdigest()[:16]
        self._note = user_state_path("tallymark") / "links" / name
        try:
            self._note.parent.mkdir(parents=True, exist_ok=True)
            self._descriptor = os.open(self._note, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise BadValue(
                f"The link {self.path} can't be made: {self._note}, which records its owner, "
                f"can't be written ({error.strerror})."
            ) from error
        try:
            self._lock()
            self.was_left = self._clear_path()
            self._write_note()
            os.symlink(target, self.path)
        except OSError as error:
            os.close(self._descriptor)
            raise BadValue(
                f"The link {self.path} can't be made ({error.strerror}). Choose another path."
            ) from error
        except BadValue:
            os.close(self._descriptor)
            raise

    def _lock(self) -> None:
        try:
            fcntl.flock(self._descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BadValue(
                f"{self.path} is the link of a bridge that is running. Its programs would write to "
                "this box instead. Stop that bridge, or choose another path."
            ) from None

    def _clear_path(self) -> bool:
        """Removes a link that an earlier bridge left. Returns whether there was one."""
        if not os.path.lexists(self.path):
            return False
        if not self.path.is_symlink():
            if not self.path.is_file():
                what = "a directory" if self.path.is_dir() else "not a link"
                raise BadValue(f"{self.path} is {what}. Choose another path for the link.")
            raise BadValue(
                f"{self.path} is a file, not a link. Choose another path for the link. If a "
                "program wrote this file while no bridge was running, its bytes did not become "
                "markers: then move the file away and keep it with the recording."
            )
        noted = None
        with suppress(OSError, ValueError):
            noted = json.loads(self._note.read_text())
        target = os.readlink(self.path)
        if noted != {"link": str(self.path), "target": target}:
            raise BadValue(
                f"{self.path} is a link to {target} that was not made by a bridge. Remove it if it "
                "is not needed, or choose another path."
            )
        self.path.unlink()
        return True

    def _write_note(self) -> None:
        text = json.dumps({"link": str(self.path), "target": self._target}).encode()
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, text, 0)

    def close(self) -> None:
        """Removes the link, if it still is the one that was made, and its note."""
        with suppress(OSError):
            if os.readlink(self.path) == self._target:
                self.path.unlink()
        with suppress(OSError):
            self._note.unlink()
        os.close(self._descriptor)
