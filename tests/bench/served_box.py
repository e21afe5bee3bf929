"""A virtual box on a pseudo-terminal, in a process of its own, for the benches."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SERVE = """
import sys
from tallymark.virtual import Server, VirtualBox
server = Server(VirtualBox())
print(server.where, flush=True)
server.run()
"""


@contextmanager
def served_box() -> Iterator[str]:
    """A virtual box on a pseudo-terminal, in a process of its own."""
    process = subprocess.Popen([sys.executable, "-c", SERVE], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        yield process.stdout.readline().strip()
    finally:
        process.kill()
        process.wait()
