"""Round trips of a simulated box, whose true times are known, for the clients' clock estimates."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field

from tallymark.box.link.clock import ClockEstimate, wander_of

BOARDS = {1: "virtual", 2: "nano", 3: "pico"}


@dataclass
class Scenario:
    """One box and its link. trips: (sent, box, received) in ns, µs, ns. asked: true instants as
    (box µs, host ns), each behind so many trips."""

    board: int
    trips: list[tuple[int, int, int]] = field(default_factory=list)
    asked: list[tuple[int, int, int]] = field(default_factory=list)

    def lines(self) -> Iterator[str]:
        """For a client's program: `board N`, `trip SENT BOX RECEIVED`, `ask BOX HOST`."""
        yield f"board {self.board}"
        for count, trip in enumerate(self.trips, 1):
            yield "trip {} {} {}".format(*trip)
            for behind, box_us, host_ns in self.asked:
                if behind == count:
                    yield f"ask {box_us} {host_ns}"

    def wanted(self) -> list[tuple[float, float, float, float]]:
        """What the library's own estimate says: host time and bound in ns, box time and bound in
        µs, of each instant that is asked for."""
        estimate = ClockEstimate(wander_of(BOARDS[self.board]))
        found = []
        origin = self.trips[0][0]  # so that a float is exact enough
        for count, (sent, box_us, received) in enumerate(self.trips, 1):
            estimate.add((sent - origin) * 1e-9, box_us, (received - origin) * 1e-9)
            for behind, asked_us, host_ns in self.asked:
                if behind == count:
                    host = estimate.to_host(asked_us)
                    box = estimate.to_box((host_ns - origin) * 1e-9)
                    found.append((host.seconds * 1e9 + origin, host.bound_s * 1e9, *box))
        return found

    def check(self, found: list[tuple[float, float, float, float]]) -> None:
        """Raises AssertionError unless every bound holds, and is as narrow as the library's."""
        asked = sorted(self.asked, key=lambda each: each[0])
        wanted = self.wanted()
        assert len(found) == len(wanted) == len(asked) > 50
        for (_, box_us, host_ns), told, own in zip(asked, found, wanted, strict=True):
            assert abs(told[0] - host_ns) <= told[1]
            assert abs(told[2] - box_us) <= told[3] + 1
            assert abs(told[0] - own[0]) <= 5
            assert abs(told[1] - own[1]) <= 5
            assert abs(told[2] - own[2]) <= 1
            assert abs(told[3] - own[3]) <= 2


def scenarios() -> Iterator[Scenario]:
    """Boards, drifts, quick and slow links, a short session and a long one."""
    for seed in range(12):
        chance = random.Random(seed)
        scenario = Scenario(chance.choice((1, 2, 3)))
        rate = 1 + chance.uniform(-1, 1) * (3e-3 if scenario.board == 2 else 4e-5)
        jitter = chance.choice((50_000, 1_000_000))
        pause = chance.choice((2_000_000, 200_000_000, 20_000_000_000))
        begin = chance.randrange(10**9, 10**15)
        start_us = chance.randrange(10**6, 10**9)

        def box_at(
            host_ns: int, rate: float = rate, begin: int = begin, start: int = start_us
        ) -> float:
            return start + (host_ns - begin) * rate / 1000

        now = begin
        for count in range(1, 120):
            now += int(chance.expovariate(1 / pause)) + 1000
            sent = now
            read = sent + 20_000 + int(chance.expovariate(1 / jitter))
            now = read + 20_000 + int(chance.expovariate(1 / jitter))
            scenario.trips.append((sent, int(box_at(read)), now))
            if count % 2:
                host_ns = now + int(chance.uniform(-1, 3) * pause)
                # A whole microsecond of box time, and the host time at which it begins.
                box_us = max(1, round(box_at(host_ns)))
                exact = begin + round((box_us - start_us) * 1000 / rate)
                scenario.asked.append((count, box_us, exact))
        yield scenario
