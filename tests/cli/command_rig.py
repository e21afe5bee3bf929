"""What a command did, for the tests of the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

STEPPED = "virtual://?time=stepped"


@dataclass
class Ran:
    """What a command did."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Its result."""
        return json.loads(self.out)

    @property
    def words(self) -> str:
        """Its complaint, with line breaks taken out."""
        return " ".join(self.err.split())


Run = Callable[..., Ran]
