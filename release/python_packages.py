"""The sdist, the pure wheel, and a wheel for every platform."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import compiler
from archives import read_tar, write_tar
from compiler import run
from platforms import PYTHON_TAG, Platform


def sdist(tree: Path, target: Path, work: Path, date: int) -> Path:
    """Packs the sources, with the firmware images, and without what a build leaves behind."""
    folder = work / "sdist"
    run(sys.executable, "-m", "build", "--sdist", "--no-isolation", "-o", folder, tree)
    made = next(folder.glob("*.tar.gz"))
    write_tar(target / made.name, read_tar(made), date)
    return target / made.name


def pure_wheel(packed: Path, target: Path, work: Path, date: int) -> Path:
    """Builds the wheel without compiled parts, from the sdist."""
    folder = work / "pure"
    shutil.unpack_archive(packed, folder, filter="data")
    (source,) = folder.iterdir()
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", target, source,
        SOURCE_DATE_EPOCH=str(date), TALLYMARK_PURE="1")
    return next(target.glob("*-none-any.whl"))


def platform_wheel(
    pure: Path, tree: Path, target: Path, work: Path, platform: Platform, date: int
) -> Path:
    """The pure wheel with the compiled parts of one platform in it."""
    run(sys.executable, "-m", "wheel", "unpack", "-d", work / platform.name / "wheel", pure)
    inside = unpacked(work, platform)
    for name, made in compiler.extensions(tree, work, platform).items():
        shutil.copyfile(made, inside / name)
    about = next(inside.glob("*.dist-info")) / "WHEEL"
    lines = [
        line for line in about.read_text().splitlines()
        if line and not line.startswith(("Tag:", "Root-Is-Purelib:"))
    ]
    lines.append("Root-Is-Purelib: false")
    lines += [f"Tag: {PYTHON_TAG}-abi3-{tag}" for tag in platform.tag.split(".")]
    about.write_text("\n".join(lines) + "\n\n")
    for path in inside.rglob("*"):
        os.chmod(path, 0o755 if path.is_dir() else 0o644)
    before = set(target.glob("*.whl"))
    run(sys.executable, "-m", "wheel", "pack", "-d", target, inside, SOURCE_DATE_EPOCH=str(date))
    (wheel,) = set(target.glob("*.whl")) - before
    return wheel


def unpacked(work: Path, platform: Platform) -> Path:
    """Where the files of a platform's wheel are while it is made: Python can import them there."""
    (inside,) = (work / platform.name / "wheel").iterdir()
    return inside
