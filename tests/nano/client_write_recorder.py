"""What each client sends to a port on which nobody answers, with the time of each write.

The clients run as they ship, in the computer's own time, which a simulated chip can't keep up with.
Until an answer comes, what they send does not depend on the box: so it is recorded once, and given
to the chip at the same times afterwards. A busy computer can only make the pauses longer.
"""

from __future__ import annotations

import contextlib
import socket
import subprocess
import time
from collections.abc import Callable
from pathlib import Path
from threading import Thread

from c_library import ClientError, Library
from octave_session import Octave, OctaveError

NODE = Path(__file__).parents[2] / "host/node"

Writes = list[tuple[float, bytes]]
"""Seconds since the port was opened, and what was written then."""


class SilentPort:
    """A TCP port that takes what comes and says nothing. A context manager."""

    def __init__(self) -> None:
        self.writes: Writes = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.where = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._thread = Thread(target=self._record, daemon=True)
        self._thread.start()

    def _record(self) -> None:
        with contextlib.suppress(OSError):
            link, _ = self._listener.accept()
            begin = time.monotonic()
            while data := link.recv(4096):
                self.writes.append((time.monotonic() - begin, data))

    def __enter__(self) -> SilentPort:
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join(10)
        self._listener.close()


def c(folder: Path, where: str) -> None:
    """Opens a port with the client in C, which gives up in the end."""
    with contextlib.suppress(ClientError):
        Library.made_in(folder).open(where)


def node(_folder: Path, where: str) -> None:
    """The same with the client for Node."""
    if not (NODE / "node_modules/serialport").exists():
        subprocess.run(["npm", "ci", "--silent", "--ignore-scripts"], cwd=NODE, check=True)
    program = f"import {{ open }} from './src/index.js'; await open('{where}').catch(() => null);"
    subprocess.run(["node", "--input-type=module", "-e", program], cwd=NODE, check=True, timeout=60)


def octave(_folder: Path, where: str) -> None:
    """The same with the client for MATLAB, in GNU Octave."""
    with Octave() as session, contextlib.suppress(OctaveError):
        session.run(f"box = tallymark.Box('{where}');", timeout=60)


CLIENTS: dict[str, Callable[[Path, str], None]] = {"C": c, "Node": node, "Octave": octave}


def record(client: str, folder: Path) -> Writes:
    """What a client writes until it gives up."""
    with SilentPort() as port:
        CLIENTS[client](folder, port.where)
    return port.writes
