"""Runs tasks on dask: on this computer's cores, or on any cluster by its scheduler's address."""

from __future__ import annotations

import concurrent.futures
import contextlib
import itertools
import logging
import os
import queue
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from tallymark.common.errors import StudyStopped, pip_install
from tallymark.study.recording_pair import StudyError

T = TypeVar("T")
OnDone = Callable[[Any, T | None, BaseException | None], None]
AHEAD = 3  # tasks a worker thread that wait at the scheduler, so that none is ever idle
TOGETHER_S, MOST_TOGETHER = 0.3, 16  # short tasks go to a worker as one of about that length
LOOK_S = 5.0
NOBODY_S = 120.0  # how long to wait for a worker where none is connected
RETRIES = 2  # how often a task may lose its worker before the recording is blamed


def _distributed() -> Any:
    try:
        import distributed
    except ImportError as error:
        raise StudyError(
            f"The check of a study needs dask. Install what it needs: {pip_install('study')}"
        ) from error
    return distributed


_SETTINGS = {
    "distributed.scheduler.allowed-failures": RETRIES,
    "distributed.comm.timeouts.connect": "10s",
    "distributed.admin.tick.limit": "1h",
    # What goes on all the time beside the tasks takes the processor from them.
    "distributed.admin.tick.interval": "500ms",
    "distributed.admin.system-monitor.interval": "10s",
    "distributed.scheduler.active-memory-manager.start": False,
    "distributed.scheduler.work-stealing-interval": "1s",
    "distributed.worker.memory.monitor-interval": "500ms",
    "distributed.worker.profile.enabled": False,  # it samples a hundred times a second
    # By what dask sets, each array of a check is given back to the system and taken anew, page by
    # page, which made a check in a worker a third slower. These are the most to which the C library
    # of Linux raises its limits by itself, in a program for which nothing is set.
    "distributed.nanny.pre-spawn-environ.MALLOC_MMAP_THRESHOLD_": 32 << 20,
    "distributed.nanny.pre-spawn-environ.MALLOC_TRIM_THRESHOLD_": 64 << 20,
}


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

    with dask.config.set(_SETTINGS):
        logging.getLogger("distributed").setLevel(logging.CRITICAL)  # on_done tells
        if scheduler is None:
            with (
                distributed.LocalCluster(
                    n_workers=workers or os.cpu_count() or 1,
                    threads_per_worker=1,
                    dashboard_address="127.0.0.1:0",
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
    connected: Any, function: Callable[[Any], T], tasks: Iterable[Any], on_done: OnDone[T]
) -> None:
    """Do tasks on a cluster, a few ahead of what its workers can do at a time.

    A task costs the cluster some 5 ms, so short ones go together; those of a group that failed are
    done again one by one. A task whose worker is lost is done again by another. One that loses
    several is tried once more alone, as it may only have waited where another one killed the
    worker; then it is told as failed.

    Args:
        on_done: called in this thread with (task, result or None, error or None), once a task.

    Raises:
        StudyStopped: the scheduler is gone, or it has had no worker for two minutes.
    """
    suspects: list[Any] = []

    def done(task: Any, result: T | None, error: BaseException | None) -> None:
        if error is not None and lost_worker(error):
            suspects.append(task)
        else:
            on_done(task, result, error)

    _run(connected, function, iter(tasks), done, None)
    for task in suspects:
        _run(connected, function, iter([task]), on_done, 1)


def _run(
    connected: Any,
    function: Callable[[Any], T],
    waiting: Iterator[Any],
    on_done: OnDone[T],
    at_a_time: int | None,
) -> None:
    done: queue.Queue[Any] = queue.Queue()
    pending: dict[Any, Any] = {}
    again: deque[Any] = deque()
    together = 1
    alone_s = 0.0

    def fill() -> None:
        threads = sum(connected.nthreads().values()) or 1
        while len(pending) < (at_a_time or threads * (1 + AHEAD)):
            tasks = [again.popleft()] if again else list(itertools.islice(waiting, together))
            if not tasks:
                return
            future = connected.submit(_several, function, tasks, pure=False)
            pending[future.key] = (future, tasks)
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
            if future.status in ("pending", "lost"):  # its worker died with the result
                future.add_done_callback(done.put)
                continue
            if future.status not in ("finished", "error"):
                raise StudyStopped(_GONE)
            _, tasks = pending.pop(future.key)
            found, error = _gathered(future)
            future.release()
            if error is not None and len(tasks) > 1:
                again.extend(tasks)
            elif error is not None:
                on_done(tasks[0], None, error)
            else:
                results, took_s = found
                if at_a_time is None:
                    together = min(max(int(TOGETHER_S * len(tasks) / took_s), 1), MOST_TOGETHER)
                for task, result in zip(tasks, results, strict=True):
                    on_done(task, result, None)
            fill()
    finally:
        if pending:
            with contextlib.suppress(Exception):
                connected.cancel([future for future, _ in pending.values()], force=True)


def _several(function: Callable[[Any], T], tasks: list[Any]) -> tuple[list[T], float]:
    """On a worker: the results, and the seconds that they took."""
    began = time.perf_counter()
    return [function(task) for task in tasks], max(time.perf_counter() - began, 1e-6)


def _gathered(future: Any) -> tuple[Any, BaseException | None]:
    """The result of a task, or its error; a result that its worker took along is made again."""
    try:
        return future.result(), None
    except concurrent.futures.CancelledError as error:
        raise StudyStopped(_GONE) from error
    except Exception as error:
        return None, error


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
