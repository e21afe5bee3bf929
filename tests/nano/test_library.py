"""The unchanged host library on a board that starts anew when its port is opened."""

from __future__ import annotations

import nano_image
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
