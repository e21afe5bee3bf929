"""Fixtures of the hardware tests: netlists of both variants, and copies of the sources in which a
fault is planted.
"""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import pytest

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
sys.path[:0] = [
    str(HARDWARE / "tools"),
    str(HARDWARE / "simulation"),
    str(HARDWARE / "enclosure"),
    str(HARDWARE / "experiments"),
]

if shutil.which("kicad-cli") is None or find_spec("pcbnew") is None:
    # These run in KiCad's own Python: `make test` does so first (hardware-check), installing KiCad.
    collect_ignore = [
        "test_circuit.py",
        "test_documents.py",
        "test_enclosure.py",
        "test_modules.py",
        "test_pins.py",
        "test_simulation.py",
    ]
else:
    import kicad

    @pytest.fixture(scope="session")
    def netlists(tmp_path_factory: pytest.TempPathFactory) -> dict[str, kicad.Netlist]:
        work = tmp_path_factory.mktemp("netlists")
        return {
            v: kicad.read_netlist(kicad.SOURCES / f"{v}.kicad_sch", work) for v in kicad.VARIANTS
        }

    @pytest.fixture
    def plant(tmp_path: Path) -> Callable[[str, Callable[[str], str]], Path]:
        """Copy the sources, change one file of the copy, and return the changed file."""

        def change(name: str, how: Callable[[str], str]) -> Path:
            copy = tmp_path / "kicad"
            if not copy.exists():
                shutil.copytree(kicad.SOURCES, copy)
            path = copy / name
            before = path.read_text()
            after = how(before)
            assert after != before, "the fault was not planted"
            path.write_text(after)
            return path

        return change
