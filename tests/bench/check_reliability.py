"""Reliability of the recording check: is what it states with a doubt wrong as seldom as that?

Recordings of fresh seeds, made without the library's code. Errors come in blocks, so recordings are
counted: in each band of stated doubt, how many hold a marker with that doubt, and how many of these
hold a wrong one. The baseline is the largest doubt of the band.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "recording"))

from generator.run import BANDS, tally
from result_table import Figure, show

RECORDINGS = 400


def figures() -> list[Figure]:
    """The share of recordings with a wrong marker, band by band."""
    seed = int(time.time())
    found = []
    for band, (some, wrong, _) in enumerate(tally(RECORDINGS, seed, oracle_every=0).bands):
        low, high = BANDS[band], min(BANDS[band + 1], 1.0)
        doubt = f"{low:g} to {high:g}"
        found.append(
            Figure(
                f"recordings with a wrong marker, of {some} with a stated doubt of {doubt}",
                100 * wrong / max(some, 1),
                "%",
                "largest doubt of the band",
                100 * high,
                "no more than the baseline",
            )
        )
    return found


if __name__ == "__main__":
    show(figures())
