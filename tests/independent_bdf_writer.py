"""A recording by a writer that is not this project's."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyedflib


def write_bdf(path: Path, values: np.ndarray, rate: int) -> Path:
    """A BDF+ file by pyedflib: one signal and the status channel, in whole seconds."""
    values = values[: len(values) // rate * rate]
    low, high = -8_388_608, 8_388_607
    with pyedflib.EdfWriter(str(path), 2, file_type=pyedflib.FILETYPE_BDFPLUS) as writer:
        for number, (label, unit) in enumerate((("Fz", "uV"), ("Status", ""))):
            writer.setSignalHeader(
                number,
                {
                    "label": label,
                    "dimension": unit,
                    "sample_frequency": rate,
                    "physical_min": low,
                    "physical_max": high,
                    "digital_min": low,
                    "digital_max": high,
                    "prefilter": "",
                    "transducer": "",
                },
            )
        signals = [np.zeros(len(values), np.int32), values.astype(np.int32)]
        writer.writeSamples(signals, digital=True)
    return path
