"""One program writes a marker log at a time: a second one is refused, readers are not."""

from __future__ import annotations

import errno
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from tallymark import MarkerLogError, markerlog
from tallymark.markerlog import MarkerLog, exclusive_lock
from tallymark.virtual import Server, VirtualBox

TOOL = (sys.executable, "-c", "from tallymark.cli import main; main()")
WRITER = (
    "import sys; from tallymark.markerlog import MarkerLog\n"
    "log = MarkerLog(sys.argv[1], append=True)\n"
    "log.sent(1, 77)\n"
    "print('begun', flush=True)\n"
    "sys.stdin.readline()\n"
    "log.close()\n"
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "log.jsonl"


@pytest.fixture
def other(path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another program that writes the log."""
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "begun\n"
        yield process
        process.kill()


def test_a_second_program_is_refused(path: Path, other: subprocess.Popen[str]) -> None:
    before = path.read_bytes()
    with pytest.raises(MarkerLogError, match="another program is writing this marker log"):
        MarkerLog(path, append=True)
    assert path.read_bytes() == before
    assert [marker.code for marker in markerlog.read(path).markers] == [77]  # reading goes on
    other.communicate("end\n", timeout=30)
    with MarkerLog(path, append=True) as log:
        log.sent(1, 78)
    data = markerlog.read(path)
    assert [marker.code for marker in data.markers] == [77, 78]
    assert data.bad_lines == []


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL is of POSIX")
def test_a_writer_that_was_killed_holds_nothing(path: Path, other: subprocess.Popen[str]) -> None:
    other.send_signal(signal.SIGKILL)
    other.wait(30)
    with MarkerLog(path, append=True) as log:
        log.sent(1, 78)
    assert [marker.code for marker in markerlog.read(path).markers] == [77, 78]


def test_the_same_program_twice(path: Path) -> None:
    with MarkerLog(path):
        with pytest.raises(MarkerLogError, match="another program"):
            MarkerLog(path, append=True)
        assert path.exists()
    MarkerLog(path, append=True).close()


@pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are of POSIX")
def test_log_keep_is_refused_and_then_appends(path: Path, other: subprocess.Popen[str]) -> None:
    def keep(*options: str) -> subprocess.CompletedProcess[str]:
        command = [*TOOL, "log", "keep", str(path), "--box", served.where, "--for", "50ms"]
        return subprocess.run([*command, *options], capture_output=True, text=True, timeout=60)

    with Server(VirtualBox(), tcp=False, byte_input=True) as served:
        refused = keep("--append")
        assert refused.returncode == 2
        assert "another program is writing" in " ".join(refused.stderr.split())
        other.communicate("end\n", timeout=30)
        exists = keep()
        assert exists.returncode == 2
        assert "--append" in exists.stderr
        assert keep("--append").returncode == 0
    assert len(markerlog.read(path).headers) == 2


def test_a_file_system_without_locks(
    path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """As some network disks: the log is kept all the same, and says what it can't promise."""

    def none(_descriptor: int) -> bool:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    monkeypatch.setattr(markerlog.record_file, "lock", none)
    MarkerLog(path).close()
    assert "can't keep other programs from writing" in caplog.text

    def broken(_descriptor: int) -> bool:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(markerlog.record_file, "lock", broken)
    with pytest.raises(MarkerLogError, match="can't be taken for this program alone"):
        MarkerLog(path.with_name("other.jsonl"))


def test_windows_locks_one_byte_where_no_log_reaches(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system there enforces the lock of a byte against everybody who reads it."""
    taken: list[tuple[int, int, int]] = []
    wrong: list[int] = []

    def locking(descriptor: int, mode: int, count: int) -> None:
        taken.append((os.lseek(descriptor, 0, os.SEEK_CUR), mode, count))
        if wrong:
            raise OSError(wrong[0], os.strerror(wrong[0]))

    monkeypatch.setattr(exclusive_lock.sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(locking=locking, LK_NBLCK=2))
    path.write_bytes(b"{}\n")
    descriptor = os.open(path, os.O_RDWR)
    try:
        assert exclusive_lock.lock(descriptor)
        assert taken == [((1 << 31) - 2, 2, 1)]
        assert os.lseek(descriptor, 0, os.SEEK_CUR) == 0
        wrong.append(errno.EACCES)
        assert not exclusive_lock.lock(descriptor)
        wrong[0] = errno.EIO
        with pytest.raises(OSError, match="Input/output"):
            exclusive_lock.lock(descriptor)
    finally:
        os.close(descriptor)
