"""Internal: the inner loops of the recording check, in C, and what calls them."""

from __future__ import annotations

from tallymark.recording.kernel.kernel_wrapper import (
    PROPOSAL,
    Rates,
    TooMuch,
    Trains,
    Verdicts,
    narrow,
    path_sum,
    propose,
)

__all__ = ["PROPOSAL", "Rates", "TooMuch", "Trains", "Verdicts", "narrow", "path_sum", "propose"]
