"""Internal: whether the first bytes of a TCP connection are another protocol's, not markers.

A page in a browser on this computer can make the browser connect to any TCP port and send an HTTP
request, a TLS greeting, or a STUN message; each byte of it would become a marker. The patterns are
those of RFC 9112 (HTTP/1.1), RFC 9113 (HTTP/2), RFC 8446 (TLS) and RFC 8489 (STUN). A browser hands
its first bytes over in one piece, so one look at the first read is enough, and no byte of another
program has to wait for it.
"""

from __future__ import annotations

import re

_HTTP = re.compile(rb"[A-Z][A-Z0-9-]{2,30} (?:/|\*|[a-z]+:/|[\w.-]+:\d)")
"""A method, a blank, and the start of what it asks for: `GET /`, `OPTIONS *`, `CONNECT x:80`."""
_TLS = re.compile(rb"\x16\x03[\x00-\x04](?P<record>..)\x01\x00(?P<hello>..)", re.DOTALL)
"""A record of the handshake, its length, a ClientHello, its length."""
_STUN = re.compile(rb"[\x00-\x3f]...\x21\x12\xa4\x42", re.DOTALL)
"""Type, length and the magic cookie."""


def foreign_protocol(first: bytes) -> str | None:
    """The protocol whose greeting these bytes are, as `an HTTP request`; None if they may be codes.

    first: what the first read of a connection returned.
    """
    if _HTTP.match(first):
        return "an HTTP request, as a browser sends"
    if (tls := _TLS.match(first)) and _u16(tls["record"]) == _u16(tls["hello"]) + 4:
        return "a TLS greeting"
    if _STUN.match(first):
        return "a STUN message, as a browser sends"
    return None


def _u16(two: bytes) -> int:
    return int.from_bytes(two, "big")
