"""Workers: this process, processes beside it, or a cluster, all as standard executors.

Whoever uses them submits tasks and gets futures (PEP 3148). What differs is told here: how many tasks to have under
way, what a dead worker looks like, how to start again after one, and how to stop.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from time import monotonic
from typing import Any, TypeVar

from lawngis.errors import LawngisError, ParameterError

from .limits import Limits, limit_cache, limit_memory

T = TypeVar("T")

TASKS_EACH = 2
"""Tasks under way for each worker: one at work, one waiting, so that none ever stands idle."""

ENDING_S = 2.0
"""So long a process that was told to end is waited for."""

DEATH_UNHEARD_S = 10.0
"""A dead worker that the pool hasn't noticed for so long died while it sent a result."""

LOOK_S = 1.0
"""So often it is looked whether somebody is still at work [s]."""

CLUSTER_PATIENCE_S = 60.0
"""So long a cluster may be without workers before that is taken as its end."""


GO_ON = "Finished parcels are kept: the same command with --resume goes on, on a cluster or without."


class WorkforceLostError(LawngisError, ConnectionError):
    """The workers are gone for good: the cluster can't be reached, or nobody is left in it."""


class InProcess:
    """The process that asks: each task is done at once."""

    tasks_max = 1

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Do a task and return its future, which is done."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args))
        except Exception as error:  # as any executor: whoever asks for the result hears of it
            future.set_exception(error)
        return future

    def died(self, error: BaseException) -> bool:
        """Tell whether an error means that a worker died."""
        del error
        return False

    def check(self) -> None:
        """Raise when nobody is left to do the work."""

    def stop(self, *, now: bool) -> None:
        """Let go."""
        del now


class Processes:
    """Processes on this machine.

    Each is a fresh interpreter: GDAL's open files and threads don't survive a fork.

    Parameters
    ----------
    workers
        How many.
    limits
        For each.
    """

    def __init__(self, workers: int, limits: Limits) -> None:
        self.tasks_max = TASKS_EACH * workers
        self._workers = workers
        self._limits = limits
        self._alone: Processes | None = None
        self._dead_since: float | None = None
        self.executor: Executor = self._pool()

    def _pool(self) -> ProcessPoolExecutor:
        limit_cache()  # they inherit it
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(
            self._workers, mp_context=context, initializer=_at_work, initargs=(self._limits.memory_mb,)
        )

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Submit a task; processes that it starts are deaf to Ctrl-C from their first moment."""
        with _interrupts_held_back():
            return self.executor.submit(fn, *args)

    def died(self, error: BaseException) -> bool:
        """Tell whether an error means that a worker died."""
        return isinstance(error, BrokenExecutor)

    def alone(self) -> Processes:
        """Return a worker for one task at a time, in a process apart: when that dies, nobody doubts why."""
        if self._alone is None:
            self._alone = Processes(1, self._limits)
            self._alone.tasks_max = 1
        return self._alone

    def renewed(self) -> None:
        """Start again after a worker's death, which takes the whole pool with it."""
        self.executor.shutdown(wait=False, cancel_futures=True)
        self._dead_since = None
        self.executor = self._pool()

    def check(self) -> None:
        """Break up a pool in which a worker died while it sent a result: the pool waits for the rest of it for ever."""
        if self._alone is not None:
            self._alone.check()
        processes, pipe = self._parts()
        if all(process.is_alive() for process in processes):
            self._dead_since = None
            return
        self._dead_since = self._dead_since or monotonic()
        if monotonic() - self._dead_since > DEATH_UNHEARD_S:
            _end(processes, pipe)

    def _parts(self) -> tuple[list[BaseProcess], Connection | None]:
        """Return the pool's processes and the end of the pipe through which they send results."""
        processes = list((getattr(self.executor, "_processes", None) or {}).values())
        return processes, getattr(getattr(self.executor, "_result_queue", None), "_writer", None)

    def stop(self, *, now: bool) -> None:
        """Let the workers go, `now` without waiting for what they are at."""
        if self._alone is not None:
            self._alone.stop(now=now)
        processes, pipe = self._parts()
        self.executor.shutdown(wait=not now, cancel_futures=True)
        if now:
            _end(processes, pipe)


class Cluster:
    """Workers of a Dask cluster that is already there; needs the extra ``lawngis[cluster]``.

    Parameters
    ----------
    address
        Of its scheduler.
    """

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client  # type: ignore[import-not-found, unused-ignore]
        except ImportError as error:
            raise ParameterError(
                "--scheduler needs a package that is missing", advice="Install lawngis[cluster]."
            ) from error
        try:
            self._client = Client(address, timeout="10s", set_as_default=False)
        except (OSError, ValueError, ImportError) as error:
            raise ParameterError(
                f"--scheduler {address}: there is no scheduler that answers",
                advice="Check the address; `dask scheduler` prints it when it starts.",
            ) from error
        self._address = address
        self._seen = monotonic()
        self.executor: Executor = self._client.get_executor(pure=False)
        self.tasks_max = TASKS_EACH * max(1, self._workers())

    def _workers(self) -> int:
        return len(self._client.scheduler_info(n_workers=-1).get("workers", {}))

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Submit a task."""
        return self.executor.submit(fn, *args)

    def died(self, error: BaseException) -> bool:
        """Tell whether an error means that a worker died, and others after it with the same task."""
        from distributed import KilledWorker

        return isinstance(error, KilledWorker)

    def alone(self) -> Cluster:
        """Return the cluster itself: it knows which task a worker died of."""
        return self

    def renewed(self) -> None:
        """Nothing: the cluster starts its workers again."""

    def check(self) -> None:
        """Raise when the scheduler is gone, or no worker is left for a while.

        Raises
        ------
        WorkforceLostError
            Saying which.
        """
        if self._client.status != "running":
            raise WorkforceLostError("the scheduler doesn't answer any more", where=self._address, advice=GO_ON)
        workers = self._workers()
        if workers:
            self._seen = monotonic()
            self.tasks_max = TASKS_EACH * workers
        elif monotonic() - self._seen > CLUSTER_PATIENCE_S:
            raise WorkforceLostError("the cluster has no worker left", where=self._address, advice=GO_ON)

    def stop(self, *, now: bool) -> None:
        """Leave the cluster; `now` takes back what it hasn't done."""
        with suppress(Exception):  # a cluster that is gone can't be left in good order
            self.executor.shutdown(wait=not now, cancel_futures=True)
        with suppress(Exception):
            self._client.close(timeout=2)


def _end(processes: Sequence[BaseProcess], pipe: Connection | None) -> None:
    """End worker processes in the middle of what they do.

    One that was just sending a result leaves half of it in the pipe, and the thread that reads it would wait for the
    rest for ever, as this process holds the pipe's other end too: so that end is closed.
    """
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(ENDING_S)
    if pipe is not None:
        pipe.close()


Workforce = InProcess | Processes | Cluster


def results_of(workers: Workforce, fn: Callable[..., T], tasks: Iterable[Sequence[Any]]) -> Iterator[T]:
    """Yield the results of tasks, given by their arguments, in their order; few are under way at a time.

    Raises
    ------
    WorkforceLostError
        When nobody is left to do the work. A task's own error is raised as it is.
    """
    under_way: deque[Future[T]] = deque()
    for arguments in tasks:
        under_way.append(workers.submit(fn, *arguments))
        if len(under_way) > workers.tasks_max:
            yield _awaited(workers, under_way.popleft())
    while under_way:
        yield _awaited(workers, under_way.popleft())


def _awaited(workers: Workforce, future: Future[T]) -> T:
    while not future.done():
        done, _ = wait([future], timeout=LOOK_S)
        if not done:
            workers.check()
    return future.result()


def lost(error: BaseException) -> bool:
    """Tell whether a future was given up by a cluster that is gone."""
    return isinstance(error, CancelledError | ConnectionError)


@contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Start worker processes deaf to Ctrl-C, which reaches every process of a terminal: they inherit the mask.

    Only the process that talks to people answers. What comes meanwhile is answered afterwards.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _at_work(memory_mb: int | None) -> None:
    """Prepare a worker process."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    limit_memory(memory_mb)
