"""Runs tasks on dask: on this computer's cores, or on any cluster by its scheduler's address."""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import os
import queue
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeVar

from tallymark.common.errors import StudyStopped, pip_install
from tallymark.study.group_size import MOST, GroupSize
from tallymark.study.recording_pair import StudyError

T = TypeVar("T")
OnDone = Callable[[Any, T | None, BaseException | None], None]
AHEAD = 2  # groups of tasks a worker thread that wait, so that none is ever idle
LOOK_S = 5.0
COUNT_S = 1.0  # how old the number of workers may be: asking for it is a question to the scheduler
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

    What goes to a worker at a time costs the cluster some 5 ms, so short tasks go as a group; those
    of a group that failed are done again one by one. A group whose worker is lost is done again by
    another; results come once, with the whole group. A task that loses several workers is tried
    once more alone, as it may only have waited where another one killed the worker; then it is told
    as failed.

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

    _run(connected, function, deque(tasks), done, MOST)
    for task in suspects:
        _run(connected, function, deque([task]), on_done, 1)


def _run(
    connected: Any,
    function: Callable[[Any], T],
    waiting: deque[Any],
    on_done: OnDone[T],
    most: int,
) -> None:
    done: queue.Queue[Any] = queue.Queue()
    pending: dict[Any, Any] = {}
    again: deque[Any] = deque()
    size = GroupSize(most)
    threads = _Threads(connected)

    def fill() -> None:
        number = threads.count()
        while (again or waiting) and len(pending) < number * (1 + AHEAD):
            tasks = [again.popleft()] if again else [
                waiting.popleft() for _ in range(size.next(len(waiting), number))]
            future = connected.submit(_several, function, tasks, pure=False)
            pending[future.key] = (future, tasks)
            future.add_done_callback(done.put)

    alone_s = 0.0
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
            found, error = _gathered(connected, future)
            future.release()
            if error is not None and len(tasks) > 1:
                again.extend(tasks)
            elif error is not None:
                on_done(tasks[0], None, error)
            else:
                results, *took_s = found
                size.learn(len(tasks), *took_s)
                for task, result in zip(tasks, results, strict=True):
                    on_done(task, result, None)
            fill()
    finally:
        if pending:
            with contextlib.suppress(Exception):
                connected.cancel([future for future, _ in pending.values()], force=True)


class _Threads:
    """How many tasks the workers can do at a time, at least 1, as counted lately."""

    def __init__(self, connected: Any) -> None:
        self._connected, self._number, self._counted_s = connected, 0, -COUNT_S

    def count(self) -> int:
        """Their number."""
        now = time.monotonic()
        if now - self._counted_s >= COUNT_S or not self._number:
            self._number = sum(self._connected.nthreads().values())
            self._counted_s = now
        return self._number or 1


def _several(function: Callable[[Any], T], tasks: list[Any]) -> tuple[list[T], float, float]:
    """On a worker: the results, and the seconds that they took, of the processor and by the
    clock."""
    began, used = time.perf_counter(), time.thread_time()
    results = [function(task) for task in tasks]
    return results, time.thread_time() - used, time.perf_counter() - began


def _gathered(connected: Any, future: Any) -> tuple[Any, BaseException | None]:
    """The result of a task, or its error; a result that its worker took along is made again.

    Raises StudyStopped if there is nobody for two minutes who could make it.
    """
    alone_s = 0.0
    while True:
        try:
            return future.result(timeout=LOOK_S), None
        except concurrent.futures.CancelledError as error:
            raise StudyStopped(_GONE) from error
        except (TimeoutError, asyncio.TimeoutError) as error:
            if future.status == "error":  # it is the task's own
                return None, error
            alone_s = _alone(connected, alone_s)
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
