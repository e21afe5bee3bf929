"""Runs tasks on dask: on this computer's cores, or on any cluster by its scheduler's address."""

from __future__ import annotations

import contextlib
import logging
import os
import queue
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from tallymark.errors import StudyStopped
from tallymark.study.recording_pair import StudyError

T = TypeVar("T")
AHEAD = 3  # tasks a worker thread that wait at the scheduler, so that none is ever idle
LOOK_S = 5.0
NOBODY_S = 120.0  # how long to wait for a worker where none is connected
RETRIES = 2  # how often a task may lose its worker before the recording is blamed


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise StudyError(
            "The check of a study needs dask. Install it with: pip install 'tallymark[study]'"
        ) from error
    return distributed


@contextlib.contextmanager
def client(scheduler: str | None = None, workers: int | None = None) -> Iterator[Any]:
    """A client of the cluster at `scheduler`, or of one on this computer that ends with it.

    Args:
        scheduler: address such as tcp://host:8786.
        workers: processes of the local cluster; default: one a core.

    Raises:
        StudyError: dask is not installed, or no scheduler answers at the address.
    """
    distributed = _distributed()
    import dask

    with dask.config.set({"distributed.scheduler.allowed-failures": RETRIES,
                          "distributed.comm.timeouts.connect": "10s",
                          "distributed.admin.tick.limit": "1h"}):
        if scheduler is None:
            logging.getLogger("distributed").setLevel(logging.CRITICAL)
            with (
                distributed.LocalCluster(
                    n_workers=workers or os.cpu_count() or 1,
                    threads_per_worker=1,
                    dashboard_address=None,
                    silence_logs=logging.CRITICAL,
                ) as local,
                distributed.Client(local) as connected,
            ):
                yield connected
            return
        try:
            connected = distributed.Client(scheduler, timeout="10s", set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise StudyError(
                f"{scheduler}: no dask scheduler answers there ({error}). Give its address as it "
                "says when it starts, such as tcp://host:8786."
            ) from error
        with connected:
            yield connected


def run(
    connected: Any,
    function: Callable[[Any], T],
    tasks: Iterable[Any],
    on_done: Callable[[Any, T | None, BaseException | None], None],
) -> None:
    """Do tasks on a cluster, a few ahead of what its workers can do at a time.

    A task whose worker is lost is done again by another; one that loses several is told as failed.

    Args:
        on_done: called in this thread with (task, result or None, error or None), once a task.

    Raises:
        StudyStopped: the scheduler is gone, or it has had no worker for two minutes.
    """
    done: queue.Queue[Any] = queue.Queue()
    pending: dict[Any, Any] = {}
    waiting = iter(tasks)
    alone_s = 0.0

    def fill() -> None:
        threads = sum(connected.nthreads().values()) or 1
        while len(pending) < threads * (1 + AHEAD):
            task = next(waiting, None)
            if task is None:
                return
            future = connected.submit(function, task, pure=False)
            pending[future.key] = (future, task)
            future.add_done_callback(done.put)

    try:
        fill()
        while pending:
            try:
                future = done.get(timeout=LOOK_S)
            except queue.Empty:
                alone_s = _alone(connected, alone_s)
                continue
            alone_s = 0.0
            _, task = pending.pop(future.key)
            if future.status == "finished":
                on_done(task, future.result(), None)
            elif future.status == "error":
                on_done(task, None, future.exception())
            else:
                raise StudyStopped(_GONE)
            future.release()
            fill()
    finally:
        if pending:
            with contextlib.suppress(Exception):
                connected.cancel([future for future, _ in pending.values()], force=True)


_GONE = (
    "The connection to the scheduler was lost. What is done is kept: start the command again, and "
    "it goes on there."
)


def _alone(connected: Any, alone_s: float) -> float:
    """How long there has been no worker. Raises StudyStopped if that is too long."""
    if connected.status != "running":
        raise StudyStopped(_GONE)
    if connected.nthreads():
        return 0.0
    alone_s += LOOK_S
    if alone_s >= NOBODY_S:
        raise StudyStopped(
            "The scheduler has had no worker for two minutes. What is done is kept: start workers "
            "('dask worker ADDRESS') and then the command again, and it goes on there."
        )
    return alone_s


def lost_worker(error: BaseException) -> bool:
    """Whether a task failed because its workers died, as when their memory ran out."""
    return isinstance(error, _distributed().scheduler.KilledWorker)
