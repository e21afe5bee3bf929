"""The digest of an acceptance record."""

from __future__ import annotations

import json
import subprocess

import pytest

from tallymark.verification.acceptance.record import canonical, sealed, unchanged

CONTENT = {"serial": "0011", "who": "Ünal", "figures": [{"value": 5.01, "bound": 0.05}]}


def test_the_digest_is_that_of_another_program() -> None:
    text = '{"figures":[{"bound":0.05,"value":5.01}],"serial":"0011","who":"Ünal"}'
    assert canonical(CONTENT) == text.encode()
    ran = subprocess.run(["sha256sum"], input=text.encode(), capture_output=True, check=True)
    assert sealed(CONTENT)["sha256"] == ran.stdout.split()[0].decode()


def test_a_change_shows() -> None:
    kept = json.loads(json.dumps(sealed(CONTENT)))
    assert unchanged(kept)
    kept["figures"][0]["value"] = 5.02
    assert not unchanged(kept)
    assert not unchanged(CONTENT)


def test_no_number_is_no_figure() -> None:
    with pytest.raises(ValueError, match="JSON"):
        sealed({"value": float("nan")})
