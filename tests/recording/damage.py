"""Damaged files: a strategy of edits that disks, cables, editors and spreadsheets do to them."""

from __future__ import annotations

import os
import re

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st

EXAMPLES = int(os.environ.get("TALLYMARK_MUTATIONS", "150"))
"""How many damaged files each parser gets; set the variable for a longer run."""

_NUMBERS = [
    *("-1", "0", "1", "256", "300", "-2147483649", "4294967296", "18446744073709551616"),
    *("99999999999999999999999", "1e400", "-1e308", "1e17", "nan", "inf", "-inf", "0.0", "1,5"),
    *("1.5.5", "0x1F", "FF", "²", "٣", "1_000", "null", "true", "[]", "{}", '""', "n/a"),
]
_PIECES = (
    b"\x00",
    b"\xff",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\n",
    b"\r",
    b"\r\n\r\n",
    b",",
    b";",
    b"\t",
    b'"',
    b"'",
    b"=",
    b"[",
    b"]",
    b"{",
    b"[[",
    b"\x14",
    b"\x15",
    b"\\",
    b"[Comment]\n",
    b"[" * 3000,
    b"9" * 5000,
    b"\xc3",
    b"\x1b",
)
_Edit = tuple[str, int, int, bytes]


def _edits(size: int) -> st.SearchStrategy[list[_Edit]]:
    kind = st.sampled_from(["put", "insert", "remove", "repeat", "cut", "number", "swap"])
    piece = st.sampled_from(_PIECES) | st.binary(min_size=1, max_size=4)
    # Headers are short and come first; without a push, hardly an edit would meet them.
    place = st.integers(0, size - 1) | st.integers(0, min(size - 1, 1500))
    return st.lists(st.tuples(kind, place, st.integers(0, 400), piece), min_size=1, max_size=4)


def damaged(seed: bytes) -> st.SearchStrategy[bytes]:
    """Copies of a file with one to four edits."""
    return _edits(len(seed)).map(lambda edits: _apply(seed, edits))


def _apply(seed: bytes, edits: list[_Edit]) -> bytes:
    raw = seed
    for kind, at, size, piece in edits:
        at = min(at, len(raw))
        if kind == "put":
            raw = raw[:at] + piece + raw[at + len(piece) :]
        elif kind == "insert":
            raw = raw[:at] + piece + raw[at:]
        elif kind == "remove":
            raw = raw[:at] + raw[at + size + 1 :]
        elif kind == "repeat":
            raw = raw[: at + size] + raw[at:]
        elif kind == "cut":
            raw = raw[:at]
        elif kind == "swap":
            middle, end = at + size, at + 2 * size
            raw = raw[:at] + raw[middle:end] + raw[at:middle] + raw[end:]
        else:
            found = re.compile(rb"-?[0-9][0-9.]*").search(raw, at)
            if found is not None:
                number = _NUMBERS[size % len(_NUMBERS)].encode()
                if size % 2:  # of the same length, as in headers of fixed width
                    number = number[: len(found[0])].ljust(len(found[0]))
                raw = raw[: found.start()] + number + raw[found.end() :]
    return raw


fuzzed = settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
    database=None,
    print_blob=False,
)
