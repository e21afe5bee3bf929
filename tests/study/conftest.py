"""An archive for practice that the tests share, and its check."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from study_rig import Archive, cluster_by_hand, fingerprints, run


@pytest.fixture(scope="session")
def address() -> Iterator[str]:
    """A cluster with one worker, which spares each test the start of its own."""
    with cluster_by_hand(1) as (address, _):
        yield address


@pytest.fixture(scope="session")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Archive:
    """60 recordings with all planted faults and damages, checked once."""
    folder = tmp_path_factory.mktemp("archive") / "ferry"
    run("study", "practice", folder, "--recordings", 60, "--markers", 90, code=0)
    before = fingerprints(folder)
    run("study", "check", folder, "--plan", Archive(folder).plan, "--tsv", code=1)
    assert fingerprints(folder) == before  # originals are never touched
    return Archive(folder)


@pytest.fixture
def few(archive: Archive, tmp_path: Path) -> Path:
    """A copy of eight recordings of the archive, all of them sound."""
    folder = tmp_path / "few"
    for number in range(1, 9):
        subject = f"sub-{number:05d}"
        shutil.copytree(archive.folder / subject, folder / subject, symlinks=True)
        shutil.copytree(archive.folder / "sourcedata" / subject, folder / "sourcedata" / subject)
    for name in ("dataset_description.json", "README"):
        shutil.copy(archive.folder / name, folder)
    return folder
