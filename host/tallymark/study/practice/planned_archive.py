"""What an archive for practice is to hold: sites, boxes, amplifiers, dates, and planted faults.

All of it follows from the number of recordings and the seed. A fault grows from its first day on.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from typing import Any

import numpy as np

SITES = ("Harbour", "Quay", "Lighthouse", "Island")
FIRST_DAY = datetime(2025, 1, 7, 9, 0, 0)
DAYS = 360
LINE = 4
FRAME_US = 1e6 / 60
"""By so much a display gets late at one site, as with a new mode of the screen."""
DAMAGES = ("log missing", "log damaged", "cut off", "empty", "other extension", "copied run",
           "doubled run", "broken link", "linked loop")


@dataclass
class Planned:
    """One recording to make. lost, line_lost: shares 0..1 of markers that miss, and of those with
    the failing line active that lose it. delay_us: median from the request to the edge. lag_us: of
    the display, until its first line lights up. log_of: index of the recording whose log lies
    beside this one. damage: one of DAMAGES, or ''."""

    index: int
    site: str
    box: str
    amplifier: str
    date: datetime
    drift_ppm: float
    lost: float = 0.0
    line_lost: float = 0.0
    delay_us: float = 400.0
    lag_us: float = 12_000.0
    changed_plan: bool = False
    log_of: int = -1
    damage: str = ""

    @property
    def stem(self) -> str:
        """Entities of its file names."""
        return f"sub-{self.index + 1:05d}_ses-01_task-ferry_run-1"

    @property
    def folder(self) -> str:
        """Its folder in the data set."""
        return f"sub-{self.index + 1:05d}/ses-01"

    @property
    def name(self) -> str:
        """Its name in the study."""
        return f"{self.folder}/eeg/{self.stem}_eeg.edf"


@dataclass
class Plan:
    """The archive: its recordings, and the faults as a list for people and tests."""

    recordings: list[Planned]
    faults: list[dict[str, Any]] = field(default_factory=list)

    def as_data(self) -> dict[str, Any]:
        """As JSON data."""
        rows = {}
        for one in self.recordings:
            row = asdict(one) | {"date": one.date.isoformat()}
            row["log_of"] = self.recordings[one.log_of].name if one.log_of >= 0 else ""
            rows[one.name] = row
        return {"faults": self.faults, "recordings": rows}


def planned(count: int, seed: int, faults: bool = True, damages: bool = True) -> Plan:
    """The archive of `count` recordings.

    Sites take turns; each has two boxes and two amplifiers, in every combination. With `faults`: a
    line of one box begins to fail, one amplifier begins to lose markers, the clock of another ages,
    one site's computer gets slow, the display of another gets late by a step, a site changes its
    plan, and pairs of logs are exchanged. With `damages`, one recording each is damaged in every
    way of DAMAGES.
    """
    random = np.random.default_rng(seed)
    sites = SITES[:2] if count < 200 else SITES
    own_ppm = {(site, which): float(random.uniform(-30, 30)) for site in sites for which in "12"}
    rows = []
    for index in range(count):
        place = index // len(sites)
        site = sites[index % len(sites)]
        amplifier = "12"[place // 2 % 2]
        date = FIRST_DAY + timedelta(days=DAYS * index / count, hours=float(random.uniform(0, 7)))
        rows.append(
            Planned(
                index,
                site,
                f"{sites.index(site) + 1:02X}AB00000000000{place % 2 + 1}",
                f"{site} amplifier {amplifier}",
                date.replace(microsecond=0),
                own_ppm[site, amplifier] + float(random.normal(0, 0.5)),
                delay_us=float(random.uniform(380, 420)),
            )
        )
    plan = Plan(rows)
    if faults:
        _plant(plan, sites)
    if damages:
        _damage(plan, random)
    return plan


def _plant(plan: Plan, sites: tuple[str, ...]) -> None:
    first, last = sites[0], sites[-1]
    bad_box = f"{len(sites):02X}AB000000000001"
    bad_amplifier, old_amplifier = f"{first} amplifier 2", f"{last} amplifier 2"
    for one in plan.recordings:
        year = (one.date - FIRST_DAY).days / DAYS
        if one.box == bad_box and year >= 0.55:
            one.line_lost = 0.15 + 0.7 * (year - 0.55) / 0.45
        if one.amplifier == bad_amplifier and year >= 0.4:
            one.lost = 0.04 + 0.1 * (year - 0.4) / 0.6
        if one.amplifier == old_amplifier:
            one.drift_ppm += 60 * year
        if one.site == first and year >= 0.6:
            one.delay_us += 2000 + 3000 * (year - 0.6) / 0.4
        if one.site == last and year >= 0.5:
            one.lag_us += FRAME_US
        one.changed_plan = one.site == last and year >= 0.7
    since = {share: (FIRST_DAY + timedelta(days=DAYS * share)).date().isoformat()
             for share in (0.4, 0.5, 0.55, 0.6, 0.7)}
    plan.faults = [
        {"measure": f"line {LINE}", "factor": "box", "level": bad_box, "since": since[0.55]},
        {"measure": "lost", "factor": "amplifier", "level": bad_amplifier, "since": since[0.4]},
        {"measure": "drift", "factor": "amplifier", "level": old_amplifier, "ppm_a_month": 5.0},
        {"measure": "delay", "factor": "site", "level": first, "since": since[0.6]},
        {"measure": "light onset", "factor": "site", "level": last, "since": since[0.5]},
        {"measure": "plan", "factor": "site", "level": last, "since": since[0.7]},
    ]
    # Of one site and near in time, as it happens at a desk.
    for start in range(len(plan.recordings) // 3, len(plan.recordings) - len(sites), 400):
        one, other = plan.recordings[start], plan.recordings[start + len(sites)]
        one.log_of, other.log_of = other.index, one.index
        plan.faults.append({"measure": "log", "recordings": [one.name, other.name]})


def _damage(plan: Plan, random: np.random.Generator) -> None:
    whole = [one for one in plan.recordings if one.log_of < 0]
    chosen = random.choice(len(whole), min(len(DAMAGES), len(whole) // 4), replace=False)
    for damage, place in zip(DAMAGES, chosen, strict=False):
        whole[int(place)].damage = damage
