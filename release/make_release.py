"""Writes everything that a release consists of into a folder, from what is committed.

Usage: make_release.py FOLDER [--platforms NAME,NAME] [--only-wheels | --without-boards]

Run by `make release`, which builds the firmware and the hardware files before. All dates are that
of the commit, so that two clones of one commit give the same bytes.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import api_reference
import client_packages
import compiler
import hardware_files
import python_packages
import sbom
from archives import files_below, write_zip
from platforms import here, named

ROOT = Path(__file__).resolve().parent.parent
IMAGES = Path("host/tallymark/box/flash/images")


def git(*words: str) -> str:
    """What git says about the checkout."""
    return subprocess.run(
        ["git", *words], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout


def export(tree: Path) -> None:
    """The tracked files and the firmware images, and nothing else that lies about."""
    shutil.rmtree(tree, ignore_errors=True)
    images = [path.relative_to(ROOT) for path in sorted((ROOT / IMAGES).glob("*.*"))]
    if len(images) < 2:
        raise SystemExit("There are no firmware images: run 'make firmware'.")
    for name in [*git("ls-files", "-z").split("\0")[:-1], *images]:
        target = tree / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, target)
        target.chmod(0o644)


def checksums(folder: Path) -> None:
    """SHA256SUMS, as `sha256sum --check` reads it."""
    lines = [
        f"{hashlib.sha256(content).hexdigest()}  {name}\n"
        for name, content in files_below(folder).items()
        if name != "SHA256SUMS"
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))


def main() -> None:
    """See the module's docstring."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--platforms", default="", help="names, with commas; default: all")
    parser.add_argument("--only-wheels", action="store_true", help="no hardware, no documents")
    parser.add_argument("--without-boards", action="store_true", help="nothing that KiCad makes")
    given = parser.parse_args()
    os.umask(0o022)
    target = given.folder.resolve()
    shutil.rmtree(target, ignore_errors=True)
    target.mkdir(parents=True)
    work = ROOT / "build" / "release"
    shutil.rmtree(work, ignore_errors=True)
    tree = work / "tree"
    date = int(git("log", "-1", "--format=%ct"))
    export(tree)
    if git("status", "--porcelain"):
        print("release: with changes that are not committed: this is no release, but a trial")
    print("release: sdist and pure wheel")
    packed = python_packages.sdist(tree, target, work, date)
    version = packed.name.removeprefix("tallymark-").removesuffix(".tar.gz")
    pure = python_packages.pure_wheel(packed, target, work, date)
    for platform in named(given.platforms):
        print(f"release: {platform.name}")
        python_packages.platform_wheel(pure, tree, target, work, platform, date)
    if not given.only_wheels:
        print("release: C, Octave, Node")
        libraries = {
            each.name: compiler.client(tree, work, each)
            for each in named(given.platforms)
            if not each.name.startswith("macos")  # its serial ports need a header of Apple's SDK
        }
        client_packages.write_c(tree, target, libraries, version, date)
        client_packages.write_octave(tree, target, version, date)
        client_packages.write_node(tree, target)
        print("release: firmware and hardware")
        shutil.copyfile(tree / IMAGES / "pico.uf2", target / f"tallymark-pico-{version}.uf2")
        shutil.copyfile(tree / IMAGES / "nano.hex", target / f"tallymark-nano-{version}.hex")
        built = ROOT / "build" / "hardware"
        boards = sorted((built / "boards").glob("*-board.zip"))
        if given.without_boards:
            built, boards = work / "no boards", []
        elif len(boards) != 2 or not list((built / "enclosure").glob("*.step")):
            raise SystemExit("Boards or enclosure are missing: run 'make release'.")
        for made in boards:
            name = made.stem if made.stem.startswith("tallymark") else f"tallymark-{made.stem}"
            files = hardware_files.board_archive(made, date)
            write_zip(target / f"{name}-gerbers-{version}.zip", files, date)
        files = hardware_files.collect(tree, built, date)
        write_zip(target / f"tallymark-hardware-{version}.zip", files, date)
        shutil.copyfile(tree / "hardware/card/quick-card.pdf", target / "quick-card.pdf")
        print("release: reference and list of parts")
        installed = python_packages.unpacked(work, here())
        write_zip(target / f"tallymark-reference-{version}.zip",
                  api_reference.write(tree, installed, work / "reference"), date)
        sbom.write(pure, target / f"tallymark-{version}.cdx.json", work)
        changes = (tree / "CHANGELOG.md").read_text()
        # What a page of the repository links to is not beside it here.
        changes = re.sub(r"\[([^]]+)\]\((?!https?:)[^)]*\)", r"\1", changes)
        (target / "CHANGELOG.md").write_text(changes)
        notes = (tree / "release/NOTES.md").read_text().replace("VERSION", version)
        (target / "RELEASE-NOTES.md").write_text(notes)
    checksums(target)
    size = sum(path.stat().st_size for path in target.iterdir())
    print(f"release: {len(list(target.iterdir()))} files, {size / 1e6:.1f} MB in {target}")


if __name__ == "__main__":
    main()
