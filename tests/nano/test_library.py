"""The unchanged host library on a board that starts anew when its port is opened."""

from __future__ import annotations

import boot_loaders
import nano_image
import pytest
from nano_chip import Chip
from nano_port import NanoPort

from tallymark import Box, Outcome


def test_opening_the_port_resets_the_board_and_no_marker_is_lost():
    """DTR resets the board; the boot loader listens for a second before the firmware starts."""
    chip = Chip(nano_image.nano())
    chip.run_us(20_000)
    port = NanoPort(chip, dtr_resets=True, boot_loader_us=900_000)
    with Box(port) as box:
        chip.edges()
        markers = [box.pulse(code, 200) for code in range(1, 21)]
        assert box.wait() == []
        assert all(marker.outcome is Outcome.DONE for marker in markers)
        box.pacing.sleep(0.001)
        assert [levels for _, levels in chip.edges() if levels] == list(range(1, 21))


@pytest.mark.parametrize("skew", [-0.02, -0.01, -0.005, 0.0, 0.005, 0.01, 0.02])
@pytest.mark.parametrize("loader", boot_loaders.ALL.values(), ids=list(boot_loaders.ALL))
def test_the_question_does_not_keep_a_stock_boot_loader_alive(loader, skew):
    """The old one counts its time anew with each byte that comes in; what 500,000 baud look like
    to it depends on the skew between the two clocks."""
    chip = Chip(nano_image.nano(), boot_loader=loader)
    chip.run_us(2_000_000)
    port = NanoPort(chip, dtr_resets=True, skew=skew)
    begin = port.pacing.now()
    with Box(port) as box:
        assert port.pacing.now() - begin < 2.1
        assert box.pulse(5, 200).wait().outcome is Outcome.DONE
