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
    *(
        str(HARDWARE / room)
        for room in ("drawings", "breadboard", "cables", "card", "enclosure", "experiments")
    ),
]

NEED_KICAD = (
    "test_assembly_measurements.py",
    "test_assembly_steps.py",
    "test_breadboard.py",
    "test_circuit.py",
    "test_derived_files.py",
    "test_drawings.py",
    "test_enclosure.py",
    "test_order_and_placement_lists.py",
    "test_modules.py",
    "test_order_codes.py",
    "test_pins.py",
    "test_simulated_circuit.py",
)
HAS_KICAD = shutil.which("kicad-cli") is not None and find_spec("pcbnew") is not None


class WithoutKicad(pytest.Module):
    """A test file that can't be run here, and says so."""

    def collect(self) -> list[pytest.Item]:
        pytest.skip("runs in KiCad's own Python: make hardware-check", allow_module_level=True)


def pytest_pycollect_makemodule(
    module_path: Path, parent: pytest.Collector
) -> pytest.Module | None:
    """Files that need KiCad are skipped, and told, where it is missing. `make test` runs them
    first, after installing KiCad."""
    if HAS_KICAD or module_path.name not in NEED_KICAD:
        return None
    return WithoutKicad.from_parent(parent, path=module_path)


if HAS_KICAD:
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
