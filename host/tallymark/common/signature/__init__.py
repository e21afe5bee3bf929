"""The session signature: which session a recording holds, and where.

A signature is a series of 15 pulses of one reserved code whose intervals spell the number of the
session and the signature's own place in it, with a checksum. `pattern` makes it, `detector` finds
it among recorded events (and needs numpy, as the recording check does). `protocol/SIGNATURE.md`
is its definition.
"""

from tallymark.common.signature.pattern import (
    UNITS_US,
    Form,
    Session,
    Signature,
    Signed,
    as_number,
    in_text,
)

__all__ = [
    "UNITS_US",
    "Form",
    "Session",
    "Signature",
    "Signed",
    "as_number",
    "in_text",
]
