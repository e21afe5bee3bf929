"""A simulated program on the byte input of a virtual box in stepped time, and its log."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from rich.console import Console

from tallymark import Box, markerlog
from tallymark import plan as plans
from tallymark.markerlog import LogData, MarkerLog
from tallymark.monitor import LiveScreen, LogComparison, LogFinding, compare_log
from tallymark.monitor.byte_input_log import ByteRecorder, byte_recorder

STEPPED = "virtual://?time=stepped"
WIDTH_US = 5_000
CODES = {"empty sea": 9, "ferry at left": 17, "horn": 36}


def ferry_plan(
    counts: dict[str, int | None] | None = None,
    width_us: int = WIDTH_US,
    receiver: dict[str, Any] | None = None,
    **session: Any,
) -> plans.Plan:
    """A plan of three events. counts: how often each comes; once without."""
    wanted = dict.fromkeys(CODES, 1) if counts is None else counts
    return plans.from_mapping(
        {
            "name": "Ferry",
            "receiver": {"sampling_rate": 1000, "least_width_us": 2000, **(receiver or {})},
            "session": {"width_us": width_us, **session},
            "event": [
                {"name": name, "code": code}
                | ({} if wanted.get(name) is None else {"count": wanted[name]})
                for name, code in CODES.items()
            ],
        }
    )


class Watched:
    """One session: the box, what its screen said, and the log, once it is closed."""

    def __init__(self, path: Path, plan: plans.Plan | None = None, **options: Any) -> None:
        self.plan = plan
        self.path = path
        self.text = io.StringIO()
        self._settings = options.pop("settings", {})
        self._as_json = options.pop("as_json", False)
        self._append = options.pop("append", False)
        self._live = options.pop("live", False)
        self._where = options.pop("where", STEPPED)
        assert not options

    def __enter__(self) -> Watched:
        self.box = Box.open(self._where)
        settings = self.box.settings.read().changed(**self._settings)
        self.box.settings.write(settings)
        console = Console(
            file=self.text, width=80, force_terminal=self._live, highlight=False, markup=False
        )
        self.screen = LiveScreen(self.plan, settings, as_json=self._as_json, console=console)
        self.screen.__enter__()
        self.log = MarkerLog.for_box(self.path, self.box, self.plan, self._append)
        self._keeping = byte_recorder(self.box, settings, self.screen, self.log)
        self.kept: ByteRecorder = self._keeping.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._keeping.__exit__(*error)
        self.log.close()
        self.screen.__exit__(*error)
        self.box.close()

    def send(self, *codes: int, pause_us: int = 20_000) -> None:
        """Bytes from the program, with a pause after each."""
        for code in codes:
            self.box.port.byte_input(bytes((code,)))
            self.wait(pause_us)

    def wait(self, microseconds: int) -> None:
        """Lets time pass."""
        self.box.pacing.sleep(microseconds * 1e-6)

    def data(self) -> LogData:
        """The log as read back."""
        return markerlog.read(self.path)

    def compared(self) -> LogComparison:
        """The log beside the plan."""
        assert self.plan is not None
        return compare_log(self.plan, self.data())


def kinds(found: LogComparison) -> list[str]:
    """What kinds of things are wrong."""
    return [finding.kind for finding in found.wrong]


def only(findings: Iterable[LogFinding], kind: str) -> LogFinding:
    """The one finding of a kind."""
    (found,) = [finding for finding in findings if finding.kind == kind]
    return found


def at(finding: LogFinding) -> list[tuple[int, int]]:
    """Where a finding is: (number in the log, code)."""
    return [(place.entry, place.code) for place in finding.places]
