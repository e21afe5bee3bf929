"""Internal: the shortest way from a byte port to the box's port, in C, and what keeps it and the
program's other threads apart."""

from __future__ import annotations

from tallymark.bridge.first_byte.first_byte_sender import FirstByteSender, sender_for

__all__ = ["FirstByteSender", "sender_for"]
