"""One recording of a study, its marker log, and where both come from."""

from __future__ import annotations

from dataclasses import dataclass

from tallymark.common.errors import BadValue


class StudyError(BadValue):
    """A study can't be read or checked; the message says why and what to do."""


@dataclass(frozen=True)
class CheckOptions:
    """How a recording is read, as the options of `tallymark check` of the same names. lines: bits
    1..255. tolerance_us: how far an event may be off, None: found out."""

    channel: str | None = None
    lines: int = 0xFF
    first_bit: int = 0
    active: str = "auto"
    tolerance_us: float | None = None
    part: bool = False


@dataclass(frozen=True)
class Pair:
    """One recording of a study, and its log.

    name: unique in the study; its path from the study's folder, or as the table has it.
    recording, log: path or URL; None if it isn't there. problem: why it is not checked, '' if it
    can be. site, box, amplifier, date (ISO 8601): '' where nobody says so; log and recording may
    tell box and date. options: None for those of the whole study.
    """

    name: str
    recording: str | None
    log: str | None
    problem: str = ""
    subject: str = ""
    session: str = ""
    task: str = ""
    run: str = ""
    site: str = ""
    box: str = ""
    amplifier: str = ""
    date: str = ""
    options: CheckOptions | None = None
