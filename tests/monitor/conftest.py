"""No test reads or writes the user's remembered ports."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _own_configuration(tmp_path, monkeypatch):
    path = "tallymark.box.ports.discovery.user_config_path"
    monkeypatch.setattr(path, lambda name: tmp_path / name)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
