"""`log keep` and `bridge` on a disk that is full and then free again."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

from tallymark.virtual import Server, VirtualBox

if os.name != "posix":
    pytest.skip("limits of file sizes are of POSIX", allow_module_level=True)

from full_disk import Tool, fill, free, records, wait_for


@pytest.fixture
def served():
    with Server(VirtualBox(), tcp=False, byte_input=True) as server:
        yield server


def _fill_and_free(tool: Tool, port: str, sent_by: str) -> None:
    """Bytes before, during and after the disk is full; waits for what of them is in the log."""

    def write(*codes: int) -> None:
        with open(port, "wb", buffering=0) as opened:
            for code in codes:
                opened.write(bytes((code,)))
                time.sleep(0.02)

    def count() -> int:
        return sum(sent_by in record for record in records(tool.file))

    write(1, 2, 3)
    wait_for(lambda: count() == 3)
    fill(tool.process.pid, tool.file, 40)
    write(4, 5, 6, 7)
    wait_for(lambda: b"\n" not in tool.file.read_bytes()[-20:])  # a torn record
    time.sleep(0.5)
    free(tool.process.pid)
    write(8, 9)
    wait_for(lambda: count() >= 4)
    time.sleep(0.5)


@pytest.mark.parametrize("as_json", [False, True])
def test_log_keep_on_a_disk_that_was_full_for_a_while(served, tmp_path: Path, as_json: bool):
    file = tmp_path / "log.jsonl"
    more = ["--json"] if as_json else []
    tool = Tool(file, "log", "keep", file, "--box", served.where, *more)
    wait_for(lambda: file.exists() and file.stat().st_size)
    time.sleep(0.5)  # it listens by then
    _fill_and_free(tool, served.byte_where, "byte")
    code, out, err = tool.end()
    assert code == 1, out + err
    assert "Traceback" not in err
    gaps = [record["lost"] for record in records(file) if "lost" in record]
    whole = [record["byte"] for record in records(file) if "byte" in record]
    assert len(whole) + sum(gaps) == 9
    words = " ".join((out + err).split())
    assert "can't be written" in words
    assert "can be written again" in words
    assert "is incomplete" in words
    if as_json:
        summary = [json.loads(line) for line in out.splitlines()][-1]["summary"]
        assert summary["records_lost"] == sum(gaps)
    shown = Tool(file, "log", "show", file).process.communicate(timeout=30)[0]
    assert "missing in the log" in " ".join(shown.split())


def test_a_bridge_on_a_disk_that_was_full_for_a_while(served, tmp_path: Path):
    file, link = tmp_path / "log.jsonl", tmp_path / "port"
    tool = Tool(
        file, "bridge", file, "--box", served.where, "--link", link, "--json", "--byte-mode",
        "pulse", "--width", "1ms",
    )
    wait_for(lambda: link.exists() and file.exists() and file.stat().st_size)
    _fill_and_free(tool, str(link), "sent")
    code, out, err = tool.end()
    assert code == 1, out + err
    assert "Traceback" not in err
    found = records(file)
    sent, done = (sum(kind in record for record in found) for kind in ("sent", "done"))
    others = sum("late" in record for record in found)
    lost = sum(record.get("lost", 0) for record in found)
    assert sent + done + others + lost >= 18
    assert lost > 0
    lines = [json.loads(line) for line in out.splitlines()]
    assert [line["code"] for line in lines if "code" in line] == [1, 2, 3, 4, 5, 6, 7, 8, 9]
    notes = " ".join(line["note"] for line in lines if "note" in line)
    assert "can't be written" in notes
    assert "is incomplete" in notes
