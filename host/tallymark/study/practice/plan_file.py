"""The plan of an archive for practice, as a file."""

from __future__ import annotations

from pathlib import Path

import tomlkit

from tallymark.plan import Plan


def write_plan(plan: Plan, path: Path) -> None:
    """Write the events of a plan, with their probes."""
    document = tomlkit.document()
    document["name"] = plan.name
    document["receiver"] = {"sampling_rate": int(plan.receiver.sampling_rate or 0),
                            "least_samples": plan.receiver.least_samples or 1}
    document["session"] = {"least_interval_us": int(plan.session.least_interval_us or 0),
                           "width_us": plan.session.width_us or 0}
    events = tomlkit.aot()
    for event in plan.events:
        told = {"name": event.name, "code": event.code}
        events.append(tomlkit.item(told | ({"probe": event.probe} if event.probe else {})))
    document["event"] = events
    path.write_text(tomlkit.dumps(document), encoding="utf-8")
