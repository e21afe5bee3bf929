"""A byte port on the computer for any box: bytes that a program writes become markers.

`Bridge` carries bytes from a byte port to a box. The ports: `terminal.Terminal` (a pseudo-terminal,
POSIX only), `tcp.TcpPort`, and `serialport.SerialPort` (one that exists). `ByteHistory` knows what
became of every byte.
"""

from tallymark.bridge.bridge import Bridge
from tallymark.bridge.byte_codes import ByteAction, byte_actions
from tallymark.bridge.byte_history import ByteHistory
from tallymark.bridge.byte_port import BytePort

__all__ = ["Bridge", "ByteAction", "ByteHistory", "BytePort", "byte_actions"]
