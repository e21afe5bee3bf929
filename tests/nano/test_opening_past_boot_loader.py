"""Hosts and stock boot loaders, which nobody here made.

Opening the port resets the board, and the boot loader listens before the firmware starts.

The old one counts its time anew with each byte that comes in. What 500,000 baud look like to it
depends on the skew between the two clocks, and so does whether it takes the byte for a command.
"""

from __future__ import annotations

from itertools import pairwise

import nano_image
import pytest
import stock_boot_loader_images as boot_loaders
from client_write_recorder import CLIENTS, Writes, record
from nano_chip import CLOCK, Chip
from nano_port import NanoPort

from tallymark import Box, NotABox, Outcome
from tallymark.box.wire.frames import Decoder, frame
from tallymark.box.wire.protocol_enumerations import Answer, Request

SKEWS = [-0.02, -0.01, -0.005, 0.0, 0.005, 0.01, 0.02]
PATIENCE_S = 6.0
loaders = pytest.mark.parametrize(
    "loader", boot_loaders.ALL.values(), ids=list(boot_loaders.ALL)
)


def reset_board(loader: boot_loaders.BootLoader, skew: float) -> NanoPort:
    """A port whose opening has just reset a board that was running."""
    chip = Chip(nano_image.nano(), boot_loader=loader)
    chip.run_us(20_000)
    return NanoPort(chip, dtr_resets=True, skew=skew)


@pytest.mark.parametrize("skew", SKEWS)
@loaders
def test_the_library_gets_through(loader, skew):
    port = reset_board(loader, skew)
    begin = port.pacing.now()
    with Box(port) as box:
        assert port.pacing.now() - begin < 2.1
        assert box.pulse(5, 200).wait().outcome is Outcome.DONE


@pytest.mark.parametrize("skew", [-0.01, 0.01])
def test_a_host_that_asks_every_half_second_does_not(monkeypatch, skew):
    """The rig shows what keeps an old boot loader alive: the same library without its pause."""
    monkeypatch.setattr("tallymark.box.box.QUIET_SECONDS", 0.0)
    with pytest.raises(NotABox):
        Box(reset_board(boot_loaders.OLD, skew))


def answered(loader: boot_loaders.BootLoader, skew: float, writes: Writes) -> bool:
    """Whether the box has said who it is before the host gave up."""
    port = reset_board(loader, skew)
    chip = port.chip
    chip.take()
    begin = chip.cycle
    for time_s, data in writes:
        chip.run_until(begin + round(time_s * CLOCK))
        port.write(data)
    chip.run_until(begin + round(PATIENCE_S * CLOCK))
    return any(kind == Answer.IDENTITY for kind, *_ in Decoder().feed(chip.take()))


def questions_of(writes: Writes) -> list[float]:
    """Times of the questions; a single zero only closes noise."""
    return [time_s for time_s, data in writes if len(data) > 1]


@pytest.fixture(scope="module", params=list(CLIENTS))
def writes(request, tmp_path_factory) -> Writes:
    """What a client sends to a port on which nobody answers. On a very busy computer its time may
    be over before it has asked twice; then it is tried again."""
    for _ in range(5):
        found = record(request.param, tmp_path_factory.mktemp("client"))
        if len(questions_of(found)) > 1:
            break
    return found


def test_a_client_asks_again_and_pauses_for_longer_than_a_boot_loader_waits(writes):
    pauses = [later - earlier for earlier, later in pairwise(questions_of(writes))]
    assert len(pauses) >= 1
    assert min(pauses) >= 1.5


@pytest.mark.parametrize(
    ("loader", "skew"),
    [(boot_loaders.OLD, -0.02), (boot_loaders.OLD, 0.0), (boot_loaders.OLD, 0.02),
     (boot_loaders.OPTIBOOT, 0.01)],
)
def test_a_client_gets_through(writes, loader, skew):
    assert answered(loader, skew, writes)


def test_questions_every_half_second_do_not():
    """What is written decides: the same rig, with questions closer to each other."""
    questions = [frame(Request.IDENTIFY, tag, b"\x01\x00") for tag in range(1, 13)]
    writes = [(number / 2, question) for number, question in enumerate(questions)]
    assert not answered(boot_loaders.OLD, 0.0, writes)
