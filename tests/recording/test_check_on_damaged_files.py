"""The whole command on damaged recordings, logs and plans: an outcome or an error in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from damage import damaged, fuzzed
from ferry_plan_and_command import EVENTS, PLAN, run
from generator_files import Made, session, status, write_bdf, write_brainvision, write_log
from generator_files import write_table as write_list
from hypothesis import given
from hypothesis import strategies as st

from tallymark.cli.exit_codes import BAD_INPUT, CHECK

SUFFIXES = (".bdf", ".vhdr", ".tsv")


@pytest.fixture(scope="module")
def made() -> Made:
    return session("irregular", "none", 5, count=16, rate=256.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, made: Made) -> Path:
    """A session in three formats, with its log and a plan."""
    path = tmp_path_factory.mktemp("damaged-check")
    write_bdf(path / "made.bdf", status(made), made.rate)
    write_brainvision(path, made)
    write_list(path / "made.tsv", made)
    write_log(path / "made.jsonl", made.log)
    events = [f'[[event]]\nname = "{name}"\ncode = {code}\n' for name, code in EVENTS.items()]
    (path / "made.toml").write_text(PLAN + "".join(events))
    return path


@fuzzed
@given(st.data())
@pytest.mark.parametrize("suffix", SUFFIXES)
def test_the_whole_check(folder: Path, suffix: str, data: st.DataObject) -> None:
    """Any of the files may be damaged, or several; sound ones stay as they are."""
    names = [f"made{suffix}", "made.jsonl", "made.toml"]
    if suffix == ".vhdr":
        names.append("made.vmrk")
    hurt = data.draw(st.sets(st.sampled_from(names), min_size=1))
    for name in names:
        seed = (folder / name).read_bytes()
        bad = data.draw(damaged(seed)) if name in hurt else seed
        (folder / name.replace("made", "bad")).write_bytes(bad.replace(b"made.", b"bad."))
    (folder / "bad.eeg").write_bytes((folder / "made.eeg").read_bytes())
    report = folder / "bad.html"
    result = run(
        "check",
        folder / f"bad{suffix}",
        folder / "bad.jsonl",
        *("--plan", folder / "bad.toml"),
        *("--report", report),
        *data.draw(st.sampled_from([(), ("--json",), ("--part",), ("--from", "2", "--to", "9")])),
    )
    assert result.exit_code in (BAD_INPUT, *CHECK.values()), result.output
    assert result.exception is None or isinstance(result.exception, SystemExit)
    if result.exit_code == BAD_INPUT:
        assert "rror" in result.output or "bad" in result.output
    elif result.output.startswith("{"):
        said = json.loads(result.stdout)
        assert CHECK[said["outcome"]] == result.exit_code
        assert said["clean"] == (result.exit_code == 0)
    else:
        assert "Traceback" not in result.output
