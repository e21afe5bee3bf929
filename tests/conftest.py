"""For all tests."""

from __future__ import annotations

import signal

# A shell starts what runs in its background with Ctrl-C ignored, and programs pass that on to those
# that they start. Tests that send Ctrl-C to a program need it to be heard.
signal.signal(signal.SIGINT, signal.default_int_handler)
