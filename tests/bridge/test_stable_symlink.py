"""The symbolic link to the terminal: replaced only if it is ours and its bridge has ended."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from bridge_rig import TALLYMARK, Running

from tallymark.cli import exit_codes


def complaint(folder: Path, link: Path) -> str:
    done = subprocess.run(
        [*TALLYMARK, "bridge", "--box", "virtual", "--link", str(link)],
        capture_output=True,
        text=True,
        timeout=30,
        env={**os.environ, "XDG_STATE_HOME": str(folder / "state"), "COLUMNS": "200"},
    )
    assert done.returncode == exit_codes.BAD_INPUT
    assert "Nothing was sent" in done.stderr
    return " ".join(done.stderr.split())


def test_it_is_removed_at_the_end_with_its_note(tmp_path: Path) -> None:
    link = tmp_path / "ferry"
    with Running(tmp_path, "virtual", "--link", link) as running:
        assert os.readlink(link).startswith("/dev/pts/")
        assert running.end() == 0
    assert not os.path.lexists(link)
    assert not list((tmp_path / "state/tallymark/links").iterdir())


def test_that_of_a_killed_bridge_is_replaced(tmp_path: Path) -> None:
    link = tmp_path / "ferry"
    with Running(tmp_path, "virtual", "--link", link) as running:
        running.process.kill()
        running.process.wait()
    assert link.is_symlink()
    with Running(tmp_path, "virtual", "--link", link, "--append") as running:
        running.says("was left by a bridge that was killed")
        link.write_bytes(b"\x05")
        running.shows(1)
        assert running.end() == 0
    assert not os.path.lexists(link)


def test_that_of_a_running_bridge_is_not(tmp_path: Path) -> None:
    link = tmp_path / "ferry"
    with Running(tmp_path, "virtual", "--link", link) as running:
        assert "is the link of a bridge that is running" in complaint(tmp_path, link)
        link.write_bytes(b"\x05")
        running.shows(1)
        assert running.end() == 0


@pytest.mark.parametrize("what", ["file", "folder", "link to a file", "link to nothing", "device"])
def test_what_is_not_ours_stays(tmp_path: Path, what: str) -> None:
    path = tmp_path / "ferry"
    target = {"link to a file": "data", "link to nothing": "/dev/pts/999", "device": "/dev/null"}
    if what == "file":
        path.write_text("precious")
    elif what == "folder":
        path.mkdir()
    else:
        (tmp_path / "data").write_text("precious")
        path.symlink_to(target[what])
    before = os.lstat(path).st_ino
    expected = {"file": "is a file, not a link", "folder": "is a directory. Choose another path"}
    said = complaint(tmp_path, path)
    assert expected.get(what, "that was not made by a bridge") in said
    assert what != "folder" or "emove" not in said
    assert os.lstat(path).st_ino == before
    if path.is_symlink():
        assert os.readlink(path) == target[what]


def test_a_link_that_was_changed_after_a_kill_stays(tmp_path: Path) -> None:
    link = tmp_path / "ferry"
    with Running(tmp_path, "virtual", "--link", link) as running:
        running.process.kill()
        running.process.wait()
    link.unlink()
    link.symlink_to("/dev/null")
    assert "that was not made by a bridge" in complaint(tmp_path, link)
    assert os.readlink(link) == "/dev/null"


def test_a_link_that_was_changed_meanwhile_is_left_at_the_end(tmp_path: Path) -> None:
    link = tmp_path / "ferry"
    with Running(tmp_path, "virtual", "--link", link) as running:
        link.unlink()
        link.write_text("precious")
        assert running.end() == 0
    assert link.read_text() == "precious"


def test_a_folder_that_does_not_exist(tmp_path: Path) -> None:
    assert "can't be made (No such file or directory)" in complaint(tmp_path, tmp_path / "no/ferry")
