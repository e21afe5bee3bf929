"""The header of a part of a marker log: who the box is, its settings, the plan. Internal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime, timezone
from enum import Enum
from typing import TYPE_CHECKING, Any

from tallymark.markerlog.record_checks import FORMAT_VERSION

if TYPE_CHECKING:
    from tallymark.box.box import Box
    from tallymark.box.settings import Settings
    from tallymark.plan import Plan


def header_of(
    box: Mapping[str, Any] | None,
    settings: Mapping[str, Any] | None,
    plan: Mapping[str, Any] | None,
    host_us: int,
) -> dict[str, Any]:
    """The record. Date and time are those of now, `host_us` is the same instant as host time."""
    return {
        "marker_log": FORMAT_VERSION,
        "start": datetime.now(timezone.utc).isoformat(timespec="microseconds"),
        "host": host_us,
        "box": dict(box or {}),
        "settings": dict(settings or {}),
        "plan": plan,
    }


def box_of(box: Box) -> dict[str, Any]:
    """Who the box is."""
    who = box.identity
    return {
        "serial": who.serial,
        "name": who.name,
        "board": who.board,
        "firmware": who.firmware,
        "protocol": who.protocol,
    }


def settings_of(settings: Settings) -> dict[str, Any]:
    """The settings by their names."""
    return {
        name: value.name.lower() if isinstance(value, Enum) else value
        for name, value in asdict(settings).items()
    }


def plan_of(plan: Plan | None) -> dict[str, Any] | None:
    """Name and digest of a plan, and the names of its events by code."""
    if plan is None:
        return None
    names = {str(event.code): event.name for event in reversed(plan.events)}
    return {"name": plan.name, "digest": plan.digest, "events": names}
