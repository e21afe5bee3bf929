"""The lock of the request window, which a sender outside Python shares."""

from __future__ import annotations

import pytest

from tallymark.box.link.window_lock import WindowLock


class Sender:
    """A partner, which may send while nobody has the lock and looks at it in each call."""

    def __init__(self, lock: WindowLock) -> None:
        self._lock = lock
        self.may_send = True
        self.calls = 0

    def enter(self) -> None:
        assert self._lock.raw.locked()
        assert self.may_send
        self.may_send = False
        self.calls += 1

    def leave(self) -> None:
        assert self._lock.raw.locked()
        assert not self.may_send
        self.may_send = True
        self.calls += 1


def test_the_partner_enters_and_leaves_while_the_lock_is_held():
    """Otherwise another thread might take a tag at the same time."""
    lock = WindowLock()
    sender = Sender(lock)
    lock.share(sender)
    with lock:
        assert not sender.may_send
    with pytest.raises(ValueError, match="a fault"), lock:
        raise ValueError("a fault")
    assert sender.may_send
    assert not lock.raw.locked()
    with lock:
        assert not lock.acquire(blocking=False)  # not taken: the partner hears nothing of it
    assert sender.calls == 8
