"""The digest of an acceptance record: it shows whether the record was changed afterwards.

It does not prove who made the record: whoever changes it can compute a new digest.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

DIGEST = "sha256"


def canonical(content: dict[str, Any]) -> bytes:
    """The content without its digest, keys in order, no blanks, UTF-8. ValueError for NaN."""
    rest = {key: value for key, value in content.items() if key != DIGEST}
    return json.dumps(
        rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def sealed(content: dict[str, Any]) -> dict[str, Any]:
    """A copy with its digest, 64 hexadecimal digits."""
    return {**content, DIGEST: hashlib.sha256(canonical(content)).hexdigest()}


def unchanged(content: dict[str, Any]) -> bool:
    """Whether the digest is that of the content; False without one."""
    return content.get(DIGEST) == hashlib.sha256(canonical(content)).hexdigest()
