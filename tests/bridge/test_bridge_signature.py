"""The session signature that a bridge sends: first of all, and again when the box is back."""

from __future__ import annotations

from pathlib import Path

from bridge_rig import Running, Start, WatchedBox, wait_for

from tallymark import Box
from tallymark.box.wire.protocol_enumerations import Reason
from tallymark.common.signature.detector import find
from tallymark.markerlog import read
from tallymark.virtual import Server, VirtualBox

PLAN = """
name = "Ferry"
[session]
width_us = 3000
[signature]
code = 255
[[event]]
name = "horn"
code = 36
"""


def plan_file(folder: Path) -> Path:
    path = folder / "plan.toml"
    path.write_text(PLAN)
    return path


def test_it_is_sent_before_the_port_is_announced(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    running = start("--plan", plan_file(tmp_path))
    running.says("signature 1 was sent")
    Path(running.port).write_bytes(b"\x24")
    running.shows(1)
    assert running.bytes[0]["fate"] == "done"
    running.end()
    log = running.logged()
    (signature,) = log.signatures
    assert signature.fate == "done"
    assert [marker.code for marker in log.markers if marker.code] == [36]
    box.stop()
    seen = [edge for edge in box.edges if edge.levels == 255]
    (found,) = find([edge.time_us for edge in seen], [255] * len(seen))
    assert found.signature == signature.signature
    assert log.markers[0].box_us > seen[-1].time_us


def test_without_a_reserved_code_none_is_sent(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    path = plan_file(tmp_path)
    path.write_text(PLAN.replace("[signature]\ncode = 255\n", ""))
    running = start("--plan", path)
    running.end()
    assert read(running.log).signatures == []
    assert "Session" not in running.notes


def test_one_that_can_not_be_sent_is_told_and_bytes_still_go_out(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    with Box.open(box.where) as opened:
        opened.settings.write(opened.settings.read().changed(lines=0x3F))
    running = start("--plan", plan_file(tmp_path))
    running.says("The session signature was not sent: The box refused")
    Path(running.port).write_bytes(b"\x24")
    running.shows(1)
    assert running.bytes[0]["fate"] == "done"
    running.end()
    (signature,) = running.logged().signatures
    assert signature.fate == "refused"
    wait_for(lambda: box.device.outputs == 0)


def test_a_box_that_is_back_gets_the_next_one_and_bytes_meanwhile_are_refused(
    tmp_path: Path,
) -> None:
    device = VirtualBox()
    with Server(device, tcp=True) as server:
        number = int(server.where.rsplit(":", 1)[1])
        with Running(tmp_path, server.where, "--plan", plan_file(tmp_path)) as running:
            running.says("signature 1 was sent")
            server.stop()
            running.says("Bytes are refused until it is connected again")
            device.edges()
            with Server(device, tcp=True, tcp_port=number):
                wait_for(lambda: device.outputs == 255, "the second signature")
                Path(running.port).write_bytes(b"\x24")
                running.shows(1)
                running.says("signature 2 was sent")
                Path(running.port).write_bytes(b"\x24")
                running.shows(2)
                running.end()
    assert [byte["fate"] for byte in running.bytes] == ["refused", "done"]
    log = running.logged()
    assert [marker.why for marker in log.markers if marker.code] == [Reason.PLAYING.label, ""]
    first, second = log.signatures
    assert (first.session, first.count, second.count) == (second.session, 1, 2)
    assert (first.session_part, second.session_part) == (0, 1)
