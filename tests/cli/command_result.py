"""Result of a command, for the tests of the command line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from threading import Event, Thread
from typing import Any

STEPPED = "virtual://?time=stepped"


@dataclass
class Ran:
    """Exit code and output of a command."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Its result."""
        return json.loads(self.out)

    @property
    def words(self) -> str:
        """Its error text, without line breaks."""
        return " ".join(self.err.split())


Run = Callable[..., Ran]


@contextmanager
def meanwhile(ready: Callable[[], bool], act: Callable[[], object]) -> Iterator[None]:
    """Calls a function in another thread as soon as a condition holds."""
    over = Event()

    def watch() -> None:
        while not over.wait(0.01):
            if ready():
                act()
                return

    thread = Thread(target=watch)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
