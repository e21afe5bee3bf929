"""The wheel without compiled parts says so where one of them is asked for."""

from __future__ import annotations

import sys

import pytest

from tallymark.errors import NotCompiled


@pytest.mark.parametrize(
    ("module", "part", "words"),
    [
        ("tallymark.virtual.virtual_box", "tallymark.virtual._virtual", "virtual box"),
        ("tallymark.recording.kernel", "tallymark.recording.kernel._kernel", "recording check"),
    ],
)
def test_a_missing_part_is_named(
    monkeypatch: pytest.MonkeyPatch, module: str, part: str, words: str
) -> None:
    monkeypatch.delitem(sys.modules, module, raising=False)
    monkeypatch.setitem(sys.modules, part, None)  # as if the file were not there
    with pytest.raises(NotCompiled, match=words):
        __import__(module)
