"""The record of an acceptance: a JSON file that says what was done, measured and judged.

Its digest shows whether it was changed afterwards. That does not prove who made it: whoever changes
it can compute a new digest. For that there is a signature beside it, FILE.sig, in OpenSSH's format,
made and checked by ssh-keygen.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import subprocess
from datetime import datetime, timezone
from pathlib import Path
from typing import Any

from tallymark.common.errors import BadValue
from tallymark.verification.acceptance.step import (
    DOES_NOT_APPLY,
    FAILED,
    NOT_DONE,
    NOT_KNOWN,
    PASSED,
    STEPS,
)

DIGEST = "sha256"
FORMAT = "tallymark acceptance 1"
NAMESPACE = "tallymark-acceptance"
"""Of the signature: it holds for such a record and for nothing else."""
UNFINISHED = "unfinished"


def canonical(content: dict[str, Any]) -> bytes:
    """The content without its digest, keys in order, no blanks, UTF-8. ValueError for NaN."""
    rest = {key: value for key, value in content.items() if key != DIGEST}
    return json.dumps(
        rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode()


def _digest(content: dict[str, Any]) -> str:
    return hashlib.sha256(canonical(content)).hexdigest()


def sealed(content: dict[str, Any]) -> dict[str, Any]:
    """A copy with its digest, 64 hexadecimal digits."""
    return {**content, DIGEST: _digest(content)}


def unchanged(content: dict[str, Any]) -> bool:
    """Whether the digest is that of the content; False without one."""
    return content.get(DIGEST) == _digest(content)


def now_utc() -> str:
    """The time of day for the record."""
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")


def state_of(content: dict[str, Any], name: str) -> str:
    """The state of a step; `NOT_DONE` for one that is not in the record."""
    return str(content["steps"].get(name, {}).get("state", NOT_DONE))


def outcome(content: dict[str, Any]) -> str:
    """What the whole acceptance comes to: the worst state, except for steps that don't apply."""
    states = {state_of(content, name) for name in STEPS}
    for state, means in ((FAILED, FAILED), (NOT_DONE, UNFINISHED), (NOT_KNOWN, NOT_KNOWN)):
        if state in states:
            return means
    return PASSED if states - {DOES_NOT_APPLY} else UNFINISHED


def load(path: Path) -> dict[str, Any]:
    """Reads a record. Raises BadValue for another file, or for one that was changed."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise BadValue(f"{path} can't be read ({error.strerror}).") from error
    except ValueError as error:
        raise BadValue(f"{path} is not a record of an acceptance: {error}.") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise BadValue(f"{path} is not a record of an acceptance ('{FORMAT}').")
    if not unchanged(content):
        raise BadValue(
            f"{path} was changed after it was written: its digest does not fit. Its figures prove "
            "nothing. Begin a new record."
        )
    return content


def save(path: Path, content: dict[str, Any]) -> None:
    """Writes the record whole, or leaves the file as it was. Raises BadValue if it can't be."""
    content["outcome"] = outcome(content)
    text = json.dumps(sealed(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    beside = path.with_name(path.name + ".new")
    try:
        beside.write_text(text, encoding="utf-8")
        os.replace(beside, path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        raise BadValue(f"{path} can't be written ({error.strerror}).") from error


def signature_of(path: Path) -> Path:
    """Where the signature of a record is."""
    return path.with_name(path.name + ".sig")


def sign(path: Path, key: Path) -> None:
    """Signs the record with an SSH key. Raises BadValue if ssh-keygen can't."""
    signature_of(path).unlink(missing_ok=True)
    _ssh_keygen("sign", "-f", str(key), "-n", NAMESPACE, str(path))


def signed_by(path: Path) -> str | None:
    """The key whose signature fits, as ssh-keygen names it; None without a signature.

    Whose key that is, ssh-keygen can tell with a list of allowed signers. Raises BadValue for a
    signature that does not fit.
    """
    signature = signature_of(path)
    if not signature.exists():
        return None
    said = _ssh_keygen(
        "check-novalidate", "-n", NAMESPACE, "-s", str(signature), stdin=path.read_bytes()
    )
    return said.strip().rpartition(" ")[2]


def _ssh_keygen(what: str, *arguments: str, stdin: bytes = b"") -> str:
    program = shutil.which("ssh-keygen")
    if program is None:
        raise BadValue("Signatures need ssh-keygen, a part of OpenSSH: install it.")
    ran = subprocess.run(
        [program, "-Y", what, *arguments], input=stdin, capture_output=True, check=False
    )
    said = ran.stdout.decode(errors="replace")
    if ran.returncode != 0:
        why = ran.stderr.decode(errors="replace").strip() or said.strip()
        raise BadValue(
            f"The record could not be signed: {why}"
            if what == "sign"
            else f"The signature does not fit the record: {why}"
        )
    return said
