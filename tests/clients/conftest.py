"""Boxes that clients in other languages can open, and a link on which frames get lost."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from c_library import Library
from lossy_link import LossyLink
from octave_session import Octave

from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual import Server, VirtualBox

Serve = Callable[..., Server]
NODE_CLIENT = Path(__file__).parents[2] / "host" / "node"


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Serves a virtual box: `serve("open:3", tcp=True)` with a fault of its wiring, on TCP or on a
    pseudo-terminal. `where` of what it returns is what a client opens; `device` is the box."""
    with ExitStack() as stack:

        def serve(*faults: str, tcp: bool = False) -> Server:
            device = VirtualBox(bytes.fromhex("0102030405060708"), Wiring(faults))
            return stack.enter_context(Server(device, tcp=tcp))

        yield serve


@pytest.fixture(params=[False, True], ids=["terminal", "tcp"])
def server(request: pytest.FixtureRequest, serve: Serve) -> Server:
    """A straight box on a pseudo-terminal, and on TCP."""
    return serve(tcp=request.param)


@pytest.fixture(scope="session")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    """The client in C as a shared library."""
    return Library.made_in(tmp_path_factory.mktemp("c"))


@pytest.fixture
def lossy(serve: Serve) -> Iterator[LossyLink]:
    """A loopback TCP port to a virtual box on which chosen frames get lost."""
    with LossyLink(serve(tcp=True)) as link:
        yield link


@pytest.fixture(scope="session")
def node_packages() -> None:
    """Installs what the client for Node needs if it isn't there; nothing of it runs a script."""
    wanted = ("serialport", "typescript", "@types/node")
    if not all((NODE_CLIENT / "node_modules" / name).exists() for name in wanted):
        subprocess.run(("npm", "ci", "--silent", "--ignore-scripts"), cwd=NODE_CLIENT, check=True)


@pytest.fixture(scope="module")
def octave_programs() -> Iterator[list[Octave]]:
    """The newest is the GNU Octave for all tests of a module."""
    with ExitStack() as stack:
        programs = [stack.enter_context(Octave())]
        yield programs
        for each in programs[1:]:
            stack.enter_context(each)


@pytest.fixture
def octave(octave_programs: list[Octave]) -> Iterator[Octave]:
    """GNU Octave without variables of an earlier test. One that a test left behind while it was
    busy is replaced, so that no other test fails for that."""
    if not octave_programs[-1].is_in_step:
        octave_programs.append(Octave())
    program = octave_programs[-1]
    yield program
    if program.is_in_step:
        program.run("clear -variables")
