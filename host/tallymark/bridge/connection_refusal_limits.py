"""Internal: limits on connections that are turned away: how often, and how much is said of them.

Times are seconds of one clock that never goes back.
"""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import Lock

WRONG_TOKENS_MOST = 5
"""Wrong tokens from one address in `PERIOD_S`; after them, the address has to wait."""
PERIOD_S = 60.0
_ADDRESSES_MOST = 256
_REPORTS_MOST = 5


@dataclass
class TokenAttempts:
    """Wrong tokens, by the address that they came from.

    An address with too many is locked out until the oldest of them is `PERIOD_S` old, so that a
    token of n possible values needs n / 5 minutes to be tried out.
    """

    _wrong: dict[str, deque[float]] = field(default_factory=dict)

    def wrong(self, address: str, now_s: float) -> None:
        """Counts a wrong token."""
        if address not in self._wrong and len(self._wrong) >= _ADDRESSES_MOST:
            del self._wrong[next(iter(self._wrong))]
        times = self._wrong.setdefault(address, deque(maxlen=WRONG_TOKENS_MOST))
        times.append(now_s)

    def locked_s(self, address: str, now_s: float) -> float:
        """How long an address still has to wait, in seconds; 0 if it doesn't."""
        times = self._wrong.get(address)
        if times is None or len(times) < WRONG_TOKENS_MOST:
            return 0.0
        return max(0.0, times[0] + PERIOD_S - now_s)


class ReportLimit:
    """Passes on a few reports a minute of each kind, and then how many were left out."""

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._period_end_s = 0.0
        self._said: defaultdict[str, int] = defaultdict(int)
        self._lock = Lock()

    def say(self, kind: str, text: str, now_s: float) -> None:
        """Says it, unless enough was said of that kind of late. kind: as 'connections rejected'."""
        self.settle(now_s)
        with self._lock:
            if not self._said:
                self._period_end_s = now_s + PERIOD_S
            self._said[kind] += 1
            count = self._said[kind]
        if count <= _REPORTS_MOST:
            self._say(text)

    def due_s(self) -> float | None:
        """When `settle` has something to say; None: nothing is left out."""
        with self._lock:
            left_out = any(count > _REPORTS_MOST for count in self._said.values())
        return self._period_end_s if left_out else None

    def settle(self, now_s: float = float("inf")) -> None:
        """Says how many were left out, once the period is over."""
        with self._lock:
            if now_s < self._period_end_s:
                return
            said = dict(self._said)
            self._said.clear()
        for kind, count in said.items():
            if count > _REPORTS_MOST:
                self._say(f"{count - _REPORTS_MOST} more within a minute: {kind}.")
