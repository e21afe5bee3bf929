"""The list of software that an installed package consists of (SBOM, CycloneDX as JSON)."""

from __future__ import annotations

import sys
import venv
from pathlib import Path

from compiler import run


def write(wheel: Path, target: Path, work: Path) -> None:
    """Installs the wheel with all that it can use, and lists what came along."""
    folder = work / "installed"
    venv.create(folder, with_pip=True, clear=True)
    python = folder / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    # By name, not by path: the list would have the path.
    name = "{}[page,picture,study,xdf]=={}".format(*wheel.name.split("-")[:2])
    run(python, "-m", "pip", "install", "--quiet", "--find-links", wheel.parent, name)
    run(python, "-m", "pip", "uninstall", "--quiet", "--yes", "setuptools", "pip")
    run(sys.executable, "-m", "cyclonedx_py", "environment", python, "--output-reproducible",
        "--output-format", "JSON", "--output-file", target)
