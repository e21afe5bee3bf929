"""A byte port on the computer for any box: each byte that a program writes becomes a marker.

`Bridge` carries bytes from a byte port to a box. The ports are `pseudo_terminal` (POSIX only),
`tcp_port`, and `serial_port` (an existing one). `ByteOutcomes` joins each byte with its fate.
"""

from tallymark.bridge.bridge import Bridge
from tallymark.bridge.byte_actions import ByteAction, byte_actions
from tallymark.bridge.byte_outcomes import ByteOutcomes
from tallymark.bridge.byte_port import BytePort

__all__ = ["Bridge", "ByteAction", "ByteOutcomes", "BytePort", "byte_actions"]
