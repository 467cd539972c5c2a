"""Workers: this process, processes beside it, or a cluster, all as standard executors.

Callers submit tasks and get futures (PEP 3148). What differs stands here: how many tasks to have pending, how a dead
worker shows, how to restart after one, and how to stop.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
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

TASKS_PER_WORKER = 2
"""Pending tasks for each worker: one at work, one queued, so that none is ever idle."""

TERMINATE_WAIT_S = 2.0
"""How long a terminated process is waited for [s]."""

DEATH_UNNOTICED_S = 10.0
"""A dead worker that the pool hasn't noticed for so long died while it sent a result [s]."""

POLL_S = 1.0
"""Interval at which it is checked whether workers are alive [s]."""

CLUSTER_EMPTY_MAX_S = 60.0
"""How long a cluster may be without workers before it counts as lost [s]."""


OF_TERMINAL = {signal.SIGINT, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])}
"""Signals that a terminal sends to all of its processes."""

RESUME_ADVICE = "Finished parcels are kept: the same command with --resume goes on, on a cluster or without."


class WorkersLostError(LawngisError, ConnectionError):
    """The workers are lost: the cluster can't be reached, or no worker is left in it."""


class InProcess:
    """The calling process itself as the only worker: each task is done at once."""

    tasks_max = 1

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Do a task and return its future, which is done."""
        future: Future[T] = Future()
        try:
            future.set_result(fn(*args))
        except Exception as error:  # as any executor: it is raised where the result is asked for
            future.set_exception(error)
        return future

    def died(self, error: BaseException) -> bool:
        """Return whether an error means that a worker died."""
        del error
        return False

    def check(self) -> None:
        """Do nothing: this process is alive."""

    def stop(self, *, now: bool) -> None:
        """Do nothing: there is nothing to stop."""
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
        self.tasks_max = TASKS_PER_WORKER * workers
        self._worker_count = workers
        self._limits = limits
        self._alone: Processes | None = None
        self._dead_since: float | None = None
        self.executor: Executor = self._pool()

    def _pool(self) -> ProcessPoolExecutor:
        limit_cache()  # they inherit it
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(
            self._worker_count, mp_context=context, initializer=_prepare_worker, initargs=(self._limits.memory_mb,)
        )

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Submit a task; processes that it starts ignore Ctrl-C from their first moment."""
        with _interrupts_blocked():
            return self.executor.submit(fn, *args)

    def died(self, error: BaseException) -> bool:
        """Return whether an error means that a worker died."""
        return isinstance(error, BrokenExecutor)

    def alone(self) -> Processes:
        """Return workers for one task at a time, in a process apart: when that dies, it was of its only task."""
        if self._alone is None:
            self._alone = Processes(1, self._limits)
            self._alone.tasks_max = 1
        return self._alone

    def restart(self) -> None:
        """Replace the pool after a worker's death, which breaks the whole pool."""
        self.executor.shutdown(wait=False, cancel_futures=True)
        self._dead_since = None
        self.executor = self._pool()

    def check(self) -> None:
        """Break up a pool in which a worker died while it sent a result: the pool waits for the rest of it for ever."""
        if self._alone is not None:
            self._alone.check()
        processes, pipe = self._processes_and_pipe()
        if all(process.is_alive() for process in processes):
            self._dead_since = None
            return
        self._dead_since = self._dead_since or monotonic()
        if monotonic() - self._dead_since > DEATH_UNNOTICED_S:
            _terminate(processes, pipe)

    def _processes_and_pipe(self) -> tuple[list[BaseProcess], Connection | None]:
        """Return the pool's processes and the end of the pipe through which they send results."""
        processes = list((getattr(self.executor, "_processes", None) or {}).values())
        return processes, getattr(getattr(self.executor, "_result_queue", None), "_writer", None)

    def stop(self, *, now: bool) -> None:
        """Stop the workers, `now` without waiting for their tasks."""
        if self._alone is not None:
            self._alone.stop(now=now)
        processes, pipe = self._processes_and_pipe()
        self.executor.shutdown(wait=not now, cancel_futures=True)
        if now:
            _terminate(processes, pipe)


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
        self._last_worker_at = monotonic()
        self.executor: Executor = self._client.get_executor(pure=False)
        self.tasks_max = TASKS_PER_WORKER * max(1, self._worker_count())

    def _worker_count(self) -> int:
        return len(self._client.scheduler_info(n_workers=-1).get("workers", {}))

    def submit(self, fn: Callable[..., T], /, *args: Any) -> Future[T]:
        """Submit a task."""
        return self.executor.submit(fn, *args)

    def died(self, error: BaseException) -> bool:
        """Return whether an error means that a worker died, and others after it with the same task."""
        from distributed import KilledWorker

        return isinstance(error, KilledWorker)

    def alone(self) -> Cluster:
        """Return the cluster itself: it knows of which task a worker died."""
        return self

    def restart(self) -> None:
        """Do nothing: the cluster restarts its workers itself."""

    def check(self) -> None:
        """Raise when the scheduler is gone, or no worker has been left for :data:`CLUSTER_EMPTY_MAX_S`.

        Raises
        ------
        WorkforceLostError
            Saying which.
        """
        if self._client.status != "running":
            raise WorkersLostError("the scheduler doesn't answer any more", where=self._address, advice=RESUME_ADVICE)
        workers = self._worker_count()
        if workers:
            self._last_worker_at = monotonic()
            self.tasks_max = TASKS_PER_WORKER * workers
        elif monotonic() - self._last_worker_at > CLUSTER_EMPTY_MAX_S:
            raise WorkersLostError("the cluster has no worker left", where=self._address, advice=RESUME_ADVICE)

    def stop(self, *, now: bool) -> None:
        """Disconnect from the cluster; `now` cancels what it hasn't done."""
        with suppress(Exception):  # a cluster that is gone can't be left in good order
            self.executor.shutdown(wait=not now, cancel_futures=True)
        with suppress(Exception):
            self._client.close(timeout=2)


def _terminate(processes: Sequence[BaseProcess], pipe: Connection | None) -> None:
    """Terminate worker processes in the middle of their tasks.

    One that was just sending a result leaves half of it in the pipe, and the thread that reads it would wait for the
    rest for ever, as this process holds the pipe's writing end too: so that end is closed.
    """
    for process in processes:
        process.terminate()
    for process in processes:
        process.join(TERMINATE_WAIT_S)
    if pipe is not None:
        pipe.close()


Workers = InProcess | Processes | Cluster


def results_of(workers: Workers, fn: Callable[..., T], tasks: Iterable[Sequence[Any]]) -> Iterator[T]:
    """Yield the results of tasks, given by their arguments, in their order; few are pending at a time.

    Raises
    ------
    WorkforceLostError
        When no worker is left. A task's own error is raised as it is.
    """
    pending: deque[Future[T]] = deque()
    for arguments in tasks:
        pending.append(workers.submit(fn, *arguments))
        if len(pending) > workers.tasks_max:
            yield _awaited(workers, pending.popleft())
    while pending:
        yield _awaited(workers, pending.popleft())


def _awaited(workers: Workers, future: Future[T]) -> T:
    while not future.done():
        done, _ = wait([future], timeout=POLL_S)
        if not done:
            workers.check()
    return future.result()


def workers_lost(error: BaseException) -> bool:
    """Return whether an error is that of a future given up by a cluster that is gone."""
    return isinstance(error, CancelledError | ConnectionError)


@contextmanager
def _interrupts_blocked() -> Iterator[None]:
    """Block what reaches every process of a terminal in worker processes: they inherit the signal mask.

    Only the main process handles Ctrl-C and the end of the terminal, a signal that comes meanwhile afterwards.
    """
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, OF_TERMINAL)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _prepare_worker(memory_mb: int | None) -> None:
    """Set signals, threads and the memory limit of a worker process."""
    for number in OF_TERMINAL:
        signal.signal(number, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    limit_memory(memory_mb)


def _end_with_parent() -> None:
    """End this worker at once when the process that started it is gone, however that ended."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
