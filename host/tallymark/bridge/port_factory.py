"""Which byte port a user has asked for."""

from __future__ import annotations

import os
from pathlib import Path

from tallymark.bridge.byte_port import BytePort, MessageSink
from tallymark.common.errors import BadValue


def make_byte_port(
    say: MessageSink,
    link: Path | None = None,
    tcp_port: int | None = None,
    address: str | None = None,
    token: str | None = None,
    serial_port: str | None = None,
    baud: int = 115_200,
) -> BytePort:
    """A byte port: TCP if `tcp_port` is given, an existing one if `serial_port` is, otherwise a
    pseudo-terminal. Raises BadValue for what does not go together, or can't be had."""
    if tcp_port is not None and serial_port is not None:
        raise BadValue("--tcp and --serial exclude each other: a bridge has one port. Omit one of "
                       "them, or start two bridges.")
    if link is not None and (tcp_port is not None or serial_port is not None):
        raise BadValue("--link is for a pseudo-terminal. Omit it with --tcp and --serial.")
    if address is not None and tcp_port is None:
        raise BadValue("--listen needs --tcp PORT.")
    if tcp_port is not None:
        from tallymark.bridge.tcp_port import TcpPort

        return TcpPort(say, tcp_port, address or "127.0.0.1", token)
    if serial_port is not None:
        from tallymark.bridge.serial_port import SerialPort

        return SerialPort(serial_port, baud, say)
    if os.name != "posix":
        raise BadValue("This system has no pseudo-terminals. Use --tcp PORT, or --serial with one "
                       "end of a pair of ports that a driver offers.")
    from tallymark.bridge.pseudo_terminal import Terminal

    return Terminal(say, link)
