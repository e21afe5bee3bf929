"""Prints the good frames of the vectors, one a line, for `fuzz faults`."""

import json
from pathlib import Path

VECTORS = Path(__file__).resolve().parents[2] / "protocol" / "vectors" / "frames.json"

if __name__ == "__main__":
    for vector in json.loads(VECTORS.read_text(encoding="utf-8")):
        print(vector["wire"])
