"""A plan and practice recordings of the Ferry study, made by the commands themselves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from ferry_plan_and_command import EVENTS, PLAN, Practice, run


@pytest.fixture(scope="session")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The study's plan."""
    path = tmp_path_factory.mktemp("plan") / "ferry.toml"
    events = [f'[[event]]\nname = "{name}"\ncode = {code}\n' for name, code in EVENTS.items()]
    path.write_text(PLAN + "".join(events))
    return path


@pytest.fixture(scope="session")
def practice(plan_file: Path, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Practice]:
    """Makes practice recordings; the same options give the same one."""
    made: dict[tuple[object, ...], Practice] = {}

    def make(*options: object) -> Practice:
        if options not in made:
            folder = tmp_path_factory.mktemp("practice")
            here = Practice(plan_file, folder / "ferry.bdf", folder / "ferry.jsonl")
            seed = () if "--seed" in options else ("--seed", 1)
            result = run("practice", plan_file, here.recording, here.log, *options, *seed)
            assert result.exit_code == 0, result.output
            made[options] = here
        return made[options]

    return make
