"""The clients in C, MATLAB's language and JavaScript, as their users install them."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path

from archives import files_below, write_tar, write_zip
from compiler import run


def write_c(
    tree: Path, target: Path, libraries: Mapping[str, list[Path]], version: str, date: int
) -> None:
    """Source, and a library for each platform. libraries: its files by platform."""
    files = files_below(tree / "host/c")
    files["LICENSE"] = (tree / "LICENSE").read_bytes()
    for platform, paths in libraries.items():
        files |= {f"{platform}/{path.name}": path.read_bytes() for path in paths}
    write_zip(target / f"tallymark-c-{version}.zip", files, date)


def write_octave(tree: Path, target: Path, version: str, date: int) -> None:
    """A package for `pkg install`; users of MATLAB unpack it and put `inst` on their path."""
    top = f"tallymark-{version}/"
    source = tree / "host/matlab"
    day = time.strftime("%Y-%m-%d", time.gmtime(date))
    description = (
        f"Name: tallymark\nVersion: {version}\nDate: {day}\nTitle: Tallymark\n"
        "Author: the Tallymark project\nMaintainer: the Tallymark project\n"
        "Description: Event markers through a Tallymark marker box\n"
        "Categories: Tallymark\nDepends: octave (>= 7.0.0), instrument-control (>= 0.7.0)\n"
        "License: MIT\n"
    )
    files = {
        f"{top}DESCRIPTION": description.encode(),
        f"{top}COPYING": (tree / "LICENSE").read_bytes(),
        f"{top}INDEX": b"tallymark >> Tallymark\nMarkers\n tallymark.Box\n",
        f"{top}doc/README.md": (source / "README.md").read_bytes(),
        **files_below(source / "+tallymark", f"{top}inst/+tallymark/"),
        **files_below(source / "examples", f"{top}doc/examples/"),
    }
    write_tar(target / f"tallymark-octave-{version}.tar.gz", files, date)


def write_node(tree: Path, target: Path) -> None:
    """What `npm install FILE` takes, with the types for TypeScript."""
    folder = tree / "host/node"
    run("npm", "ci", "--silent", "--ignore-scripts", folder=folder)
    run("npm", "pack", "--silent", "--pack-destination", target, folder=folder)
    (made,) = target.glob("tallymark-*.tgz")
    made.rename(target / made.name.replace("tallymark-", "tallymark-node-"))
