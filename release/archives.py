"""Archives whose bytes depend on nothing but the files in them."""

from __future__ import annotations

import gzip
import io
import tarfile
import time
import zipfile
from collections.abc import Mapping
from pathlib import Path

Files = Mapping[str, bytes]
"""Contents by path in the archive."""


def files_below(folder: Path, prefix: str = "") -> dict[str, bytes]:
    """All files of a folder, by their path in it."""
    return {
        prefix + path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def write_zip(path: Path, files: Files, date: int) -> None:
    """Packs files as a zip. date: seconds since 1970, for each of them."""
    stamp = time.gmtime(date)[:6]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as packed:
        for name in sorted(files):
            entry = zipfile.ZipInfo(name, stamp)
            entry.external_attr = 0o100644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            packed.writestr(entry, files[name])


def write_tar(path: Path, files: Files, date: int) -> None:
    """Packs files as a .tar.gz. date: seconds since 1970, for each of them."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w", format=tarfile.PAX_FORMAT) as archive:
        for name in sorted(files):
            entry = tarfile.TarInfo(name)
            entry.size, entry.mtime, entry.mode = len(files[name]), date, 0o644
            archive.addfile(entry, io.BytesIO(files[name]))
    path.write_bytes(gzip.compress(packed.getvalue(), 9, mtime=0))


def read_tar(path: Path) -> dict[str, bytes]:
    """The files of a .tar.gz, by path."""
    with tarfile.open(path) as archive:
        return {
            entry.name: read.read()
            for entry in archive
            if entry.isfile() and (read := archive.extractfile(entry)) is not None
        }
