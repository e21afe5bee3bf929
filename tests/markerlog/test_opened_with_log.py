"""`Box.open(log=..., plan=...)`: a log in one line, closed with the box, whole after a kill."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tallymark import Box, markerlog
from tallymark.common.errors import BadValue, PortError
from tallymark.markerlog import MarkerLogError, MarkerLogIncomplete
from tallymark.plan import PlanError

STEPPED = "virtual://?time=stepped"
PLAN = Path(__file__).parents[2] / "host/examples/ferry/plan.toml"


def test_a_log_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "session.jsonl"
    with Box.open(STEPPED, log=path, plan=PLAN) as box:
        box.pulse(36).wait()
        box.pulse(7, 20_000).wait()
    data = markerlog.read(path)
    assert [marker.code for marker in data.markers] == [36, 7]
    assert data.header["plan"]["events"]
    assert data.header["box"]["serial"] == "7669727475616C01"
    assert '"end"' in path.read_text().splitlines()[-1]


def test_a_log_that_exists_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "session.jsonl"
    with Box.open(STEPPED, log=str(path)) as box:
        box.pulse(1).wait()
    before = path.read_bytes()
    with pytest.raises(MarkerLogError):
        Box.open(STEPPED, log=str(path))
    assert path.read_bytes() == before
    with Box.open(STEPPED, log=str(path), append=True) as box:
        box.pulse(2).wait()
    assert [marker.code for marker in markerlog.read(path).markers] == [1, 2]


def test_a_plan_that_cannot_be_read_opens_nothing(tmp_path: Path) -> None:
    with pytest.raises(PlanError):
        Box.open(STEPPED, log=tmp_path / "a.jsonl", plan=tmp_path / "none.toml")
    assert not (tmp_path / "a.jsonl").exists()
    with pytest.raises(BadValue, match="give its file"):
        Box.open(STEPPED, plan=PLAN)


def test_a_log_with_a_hole_is_told_and_hides_no_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def incomplete(_log: object) -> None:
        raise MarkerLogIncomplete("2 records are missing.", 2)

    monkeypatch.setattr(markerlog.MarkerLog, "close", incomplete)
    with pytest.raises(MarkerLogIncomplete), Box.open(STEPPED, log=tmp_path / "a.jsonl"):
        pass
    with pytest.raises(ZeroDivisionError), Box.open(STEPPED, log=tmp_path / "b.jsonl"):
        raise ZeroDivisionError
    box = Box.open(STEPPED, log=tmp_path / "c.jsonl")
    with pytest.raises(MarkerLogIncomplete):
        box.close()
    with pytest.raises(PortError, match="closed"):
        box.pulse(1)


@pytest.mark.skipif(os.name != "posix", reason="a kill as POSIX has it")
def test_a_kill_loses_nothing_that_was_confirmed(tmp_path: Path) -> None:
    path = tmp_path / "session.jsonl"
    program = (
        "import os, signal, sys; from tallymark import Box\n"
        f"box = Box.open({STEPPED!r}, log=sys.argv[1])\n"
        "for code in range(1, 51): box.pulse(code, 100)\n"
        "box.wait(); os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    ran = subprocess.run([sys.executable, "-c", program, path], check=False)
    assert ran.returncode == -signal.SIGKILL
    data = markerlog.read(path)
    assert [marker.code for marker in data.markers] == list(range(1, 51))
    assert all(marker.fate == "done" for marker in data.markers)
