"""The Python examples of the README run as they stand, in one folder, one after the other."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tallymark import BadValue, Box
from tallymark.markerlog import read

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "host/examples/ferry/plan.toml", "plan.toml")


def test_the_examples_run() -> None:
    examples = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S)
    assert len(examples) == 2
    for example in examples:
        exec(example, {})
    assert [marker.code for marker in read("session.jsonl").markers] == [42, 7]
    (horn,) = read("named.jsonl").markers
    assert horn.name == "horn"


def test_the_advice_for_a_name_in_place_of_a_code_runs() -> None:
    with Box.open("virtual", log="session.jsonl") as box:
        with pytest.raises(BadValue) as refused:
            box.pulse("horn")  # type: ignore[arg-type]
        advice = str(refused.value).partition("in a plan: ")[2]
        exec(advice, {"box": box})
        box.wait()
    assert [marker.name for marker in read("session.jsonl").markers] == ["horn"]
