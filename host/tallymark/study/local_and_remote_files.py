"""Files by path or by URL: listing, reading, and a local copy with the hash of its content.

URLs are those of fsspec, so an object store is read where its package is installed (s3fs, gcsfs).
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from tallymark.study.recording_pair import StudyError

_PIECE = 1 << 20


@dataclass(frozen=True)
class Entry:
    """A file below a folder. place: path or URL; relative: from the folder, with '/'. problem: why
    it can't be looked at, '' if it can."""

    place: str
    relative: str
    problem: str = ""


def is_url(place: str) -> bool:
    """Whether a place is a URL, not a path."""
    return "://" in place


def absolute(place: str) -> str:
    """A path as an absolute one, for workers that run elsewhere; a URL as it is."""
    return place if is_url(place) else os.path.abspath(place)


def joined(folder: str, name: str) -> str:
    """A place below a folder. An absolute path or a URL stays as it is."""
    if is_url(name) or os.path.isabs(name):
        return name
    if is_url(folder):
        return folder.rstrip("/") + "/" + name.replace(os.sep, "/")
    return os.path.join(folder, name)


def parent(place: str) -> str:
    """The folder of a place."""
    return place.rsplit("/", 1)[0] if is_url(place) else os.path.dirname(place)


def _filesystem(place: str) -> tuple[Any, str]:
    try:
        from fsspec.core import url_to_fs

        system, path = url_to_fs(place)
    except (ImportError, ValueError) as error:
        raise StudyError(f"{place}: can't be opened ({error}).") from error
    return system, str(path)


@contextmanager
def opened(place: str) -> Iterator[BinaryIO]:
    """Opens a file for reading. Raises OSError."""
    if not is_url(place):
        with open(place, "rb") as file:
            yield file
        return
    system, path = _filesystem(place)
    try:
        with system.open(path, "rb", cache_type="readahead") as file:
            yield file
    except OSError:
        raise
    except Exception as error:  # each kind of store has errors of its own
        raise OSError(f"{place}: {error!r}") from error


def read_text(place: str) -> str:
    """The text of a small file, in UTF-8. Raises OSError."""
    with opened(place) as file:
        return file.read().decode("utf-8", "replace").removeprefix("\ufeff")


def head(place: str, size: int = 256) -> bytes:
    """The first bytes of a file. Raises OSError."""
    with opened(place) as file:
        return file.read(size)


def local_copy(place: str, folder: Path) -> tuple[Path, str]:
    """A file as one on this computer, and the SHA-256 of its content. A file of this computer is
    only read; one by URL is copied into `folder` in pieces. Raises OSError."""
    digest = hashlib.sha256()
    with opened(place) as file:
        if not is_url(place):
            while piece := file.read(_PIECE):
                digest.update(piece)
            return Path(place), digest.hexdigest()
        target = folder / place.rsplit("/", 1)[-1]
        with target.open("wb") as copy:
            while piece := file.read(_PIECE):
                digest.update(piece)
                copy.write(piece)
        return target, digest.hexdigest()


def files_below(folder: str, skip: tuple[str, ...] = ()) -> Iterator[Entry]:
    """All files below a folder, in order of name; linked folders too, but none twice.

    skip: relative paths of folders that are left out. Folders whose name begins with a dot are
    left out as well. Raises StudyError if the folder itself can't be listed.
    """
    if is_url(folder):
        yield from _files_at_url(folder, skip)
        return
    if not os.path.isdir(folder):
        raise StudyError(f"{folder}: is not a folder. Name the folder of a study, or a table.")
    yield from _files_in(folder, "", skip, {})


def _files_in(
    folder: str, below: str, skip: tuple[str, ...], seen: dict[tuple[int, int], str]
) -> Iterator[Entry]:
    try:
        status = os.stat(folder)
        known = seen.setdefault((status.st_dev, status.st_ino), below)
        if known != below:
            why = f"is a link to a folder that is looked at already ({known or 'the study itself'})"
            yield Entry(folder, below, why)
            return
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        if not below:
            raise StudyError(f"{folder}: can't be listed ({error.strerror}).") from error
        yield Entry(folder, below, f"can't be listed ({error.strerror})")
        return
    folders = []
    for entry in entries:
        relative = f"{below}/{entry.name}" if below else entry.name
        try:
            is_folder, is_file = entry.is_dir(), entry.is_file()
        except OSError as error:  # such as a link to itself
            yield Entry(entry.path, relative, f"can't be opened ({error.strerror})")
            continue
        if is_folder:
            if relative not in skip and not entry.name.startswith("."):
                folders.append((entry.path, relative))
        elif is_file:
            yield Entry(entry.path, relative)
        elif entry.is_symlink():
            yield Entry(entry.path, relative, "is a link to a file that is not there")
    for path, relative in folders:
        yield from _files_in(path, relative, skip, seen)


def _files_at_url(folder: str, skip: tuple[str, ...]) -> Iterator[Entry]:
    system, root = _filesystem(folder)
    try:
        found = sorted(system.find(root))
    except Exception as error:
        raise StudyError(f"{folder}: can't be listed ({error!r}).") from error
    if not found:
        raise StudyError(f"{folder}: no file is listed there.")
    root = root.rstrip("/")
    for path in found:
        relative = str(path)[len(root) :].lstrip("/")
        parts = relative.split("/")
        if any(part.startswith(".") for part in parts[:-1]):
            continue
        if not any(relative.startswith(f"{left}/") for left in skip):
            yield Entry(joined(folder, relative), relative)
