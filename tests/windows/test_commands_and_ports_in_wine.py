"""The installed wheel for Windows: commands, and a box on a COM port and on TCP."""

from __future__ import annotations

import json

import pytest
from wine import Wine

from tallymark.cli import COMMANDS
from tallymark.virtual import Server, VirtualBox

PROGRAM = """
import json, sys
from tallymark import Box
with Box.open(sys.argv[1], log=sys.argv[2]) as box:
    markers = [box.pulse(code, width_us=200) for code in range(1, 51)]
    left = box.wait()
    times = [marker.box_time_us for marker in markers]
    print(json.dumps({"left": len(left), "outcomes": sorted({m.outcome.value for m in markers}),
                      "ascending": times == sorted(times)}))
"""


def test_pip_made_the_command(wine: Wine) -> None:
    ran = wine.tallymark("--version")
    assert (ran.returncode, ran.stdout.split()[0]) == (0, "tallymark,"), ran.stderr
    ran = wine.python("-m", "tallymark", "--version")
    assert ran.returncode == 0, ran.stderr


def test_every_command_is_there(wine: Wine) -> None:
    code = (
        "import sys\nfrom tallymark.cli import COMMANDS, main\n"
        "for name in COMMANDS:\n"
        "    try: main.main([name, '--help'], prog_name='tallymark')\n"
        "    except SystemExit as end: print('ended', name, end.code)\n"
    )
    ran = wine.python("-c", code)
    for name in COMMANDS:
        assert f"ended {name} 0" in ran.stdout, ran.stderr


def test_virtual_box(wine: Wine) -> None:
    ran = wine.tallymark("pulse", "42", "--box", "virtual", "--json")
    assert json.loads(ran.stdout)["markers"][0]["outcome"] == "done", ran.stderr
    assert wine.tallymark("selftest", "--box", "virtual").returncode == 0
    faulty = wine.tallymark("selftest", "--box", "virtual://?fault=swapped:0,1")
    assert "lines 0 and 1 are swapped" in faulty.stdout.lower(), faulty.stderr


@pytest.mark.parametrize("way", ["com", "tcp"])
def test_box_in_another_program(wine: Wine, way: str, tmp_path) -> None:
    """The box is on Linux' side: its firmware runs there, and the port between is Wine's."""
    device = VirtualBox()
    with Server(device, tcp=way == "tcp") as server:
        where = server.where if way == "tcp" else wine.port(5, server.where)
        log = tmp_path / "session.jsonl"
        ran = wine.python("-c", PROGRAM, where, wine.path(log))
        assert ran.returncode == 0, ran.stderr
        told = json.loads(ran.stdout)
        assert (told["left"], told["outcomes"], told["ascending"]) == (0, ["done"], True)
        rose = [edge for edge in device.edges() if edge.levels]
    assert [edge.levels for edge in rose] == list(range(1, 51))
    records = [json.loads(line) for line in log.read_text("utf-8").splitlines()]
    assert [record["code"] for record in records if "sent" in record] == list(range(1, 51))


def test_selftest_on_a_com_port(wine: Wine) -> None:
    with Server(VirtualBox(), tcp=False) as server:
        port = wine.port(6, server.where)
        ran = wine.tallymark("selftest", "--box", port, "--json", timeout=120)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert json.loads(ran.stdout)


def test_a_com_port_that_does_not_exist(wine: Wine) -> None:
    ran = wine.tallymark("show", "--box", "COM77")
    assert ran.returncode != 0
    assert "COM77" in ran.stderr
    assert "Traceback" not in ran.stderr
