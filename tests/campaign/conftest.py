"""Worlds stand in this folder; their modules are found by name."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "nano"), str(HERE.parent / "pico")]
