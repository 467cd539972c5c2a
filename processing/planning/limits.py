"""Limits of time and memory for one parcel, in the process that plans it.

Time is that of the processor, which doesn't run while others have it: on a machine with much to do no parcel fails for
that. By the clock it may take :data:`CLOCK_TIMES` as long. Each is limited twice. First an exception is raised in the
planning thread, which ends a parcel that loops for ever. When that doesn't help, because a call into a library never
returns, the system, or the interpreter's own watchdog, ends the process, whatever it hangs in. Memory is limited by the
system, so that an allocation beyond it fails where it is made.
"""

from __future__ import annotations

import ctypes
import faulthandler
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import cache
from math import ceil
from typing import IO

GRACE = 1.2
GRACE_S = 2.0
"""After this many times the limit, and so many seconds, a process that doesn't return is ended."""

LOOK_EVERY_S = 0.05
"""At most so often it is looked at the time that is left [s]."""

CLOCK_TIMES = 10
"""By the clock a parcel may take this many times as long as the processor may work on it."""

CACHE_MB = 64
"""GDAL's cache of raster blocks; by itself it takes a twentieth of the machine's memory for each process [MB]."""

MEMORY_SHARE = 0.9
MEMORY_MIN_MB = 1024
BYTES_PER_MB = 1 << 20


class OverTimeError(BaseException):
    """A parcel takes longer than it may. No plain exception: a step that catches those must not catch this one."""


class OverClockError(OverTimeError):
    """It takes longer by the clock."""


@dataclass(frozen=True)
class Limits:
    """What one parcel may take.

    Parameters
    ----------
    parcel_seconds
        Time of the processor [s].
    memory_mb
        Memory of the process that plans it, the program itself included [MB]; None sets no limit.
    """

    parcel_seconds: float = 600.0
    memory_mb: int | None = None

    def with_more_plans(self, more: int) -> Limits:
        """Return the limits where a parcel is planned so many times more, as by draws or choice: as often the time."""
        return replace(self, parcel_seconds=self.parcel_seconds * (1 + more))

    @property
    def clock_seconds(self) -> float:
        """Time by the clock [s]."""
        return CLOCK_TIMES * self.parcel_seconds


def time_words(limits: Limits, *, by_clock: bool = False) -> str:
    """Return why a parcel failed that took too long."""
    if by_clock:
        return f"it takes longer than the limit of {limits.clock_seconds:g} seconds by the clock"
    return f"it takes longer than the limit of {limits.parcel_seconds:g} seconds"


def memory_mb_each(workers: int) -> int | None:
    """Return an equal share of the machine's memory for each worker [MB]; None where the system doesn't say."""
    try:
        total = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / BYTES_PER_MB
    except (AttributeError, ValueError, OSError):
        return None
    return max(int(MEMORY_SHARE * total / workers), MEMORY_MIN_MB)


def limit_memory(memory_mb: int | None) -> None:
    """Limit this process's own data; does nothing on systems without such a limit."""
    if memory_mb is None:
        return
    try:
        import resource
    except ImportError:
        return
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    wanted = memory_mb * BYTES_PER_MB
    resource.setrlimit(resource.RLIMIT_DATA, (wanted if hard == resource.RLIM_INFINITY else min(wanted, hard), hard))


def limit_cache() -> None:
    """Keep GDAL's cache small in this process and those that it starts; takes effect before the first raster."""
    os.environ.setdefault("GDAL_CACHEMAX", str(CACHE_MB))


@contextmanager
def time_limit(limits: Limits, *, may_end_process: bool) -> Iterator[None]:
    """Raise :class:`OverTimeError` in this thread when the body takes too long.

    With `may_end_process`, the process is ended when that didn't help.
    """
    alarm = _Alarm(limits)
    with _process_ended(limits) if may_end_process else nullcontext(), alarm:
        yield


@contextmanager
def _process_ended(limits: Limits) -> Iterator[None]:
    """End this process, whatever it hangs in, some time after the limits."""
    faulthandler.dump_traceback_later(GRACE * limits.clock_seconds + GRACE_S, exit=True, file=_nowhere())
    before = _limit_processor(ceil(time.process_time() + GRACE * limits.parcel_seconds + GRACE_S))
    try:
        yield
    finally:
        faulthandler.cancel_dump_traceback_later()
        _limit_processor(before)


def _limit_processor(seconds: int | None) -> int | None:
    """Let the system end this process when it has used the processor so long; return the limit before.

    Systems that have no such limit leave it to the clock.
    """
    try:
        import resource
    except ImportError:
        return None
    before, hard = resource.getrlimit(resource.RLIMIT_CPU)
    if seconds is not None:
        wanted = seconds if hard == resource.RLIM_INFINITY or seconds < 0 else min(seconds, hard)
        resource.setrlimit(resource.RLIMIT_CPU, (wanted, hard))
    return before


class _Alarm:
    """Raises an exception in the thread that made it, unless it is left before."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._thread = threading.get_ident()
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._rung: type[OverTimeError] | None = None

    def __enter__(self) -> None:
        threading.Thread(target=self._watch, daemon=True).start()

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        with self._lock:
            self._over.set()
        if self._rung and not (kind and issubclass(kind, OverTimeError)):
            _await_exception()  # it is pending and must not be raised elsewhere
            raise self._rung

    def _watch(self) -> None:
        """Look at processor and clock when the one or the other may be over at the earliest."""
        used, begun = time.process_time(), time.monotonic()
        while not self._over.is_set():
            left = self._limits.parcel_seconds - (time.process_time() - used)
            left_by_clock = self._limits.clock_seconds - (time.monotonic() - begun)
            if left <= 0 or left_by_clock <= 0:
                self._ring(OverTimeError if left <= 0 else OverClockError)
                return
            self._over.wait(max(min(left, left_by_clock), LOOK_EVERY_S))

    def _ring(self, error: type[OverTimeError]) -> None:
        with self._lock:
            if not self._over.is_set():
                self._rung = error
                ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(self._thread), ctypes.py_object(error))


def _await_exception() -> None:
    """Wait for an exception that another thread has raised in this one."""
    try:
        for _ in range(1000):
            time.sleep(0.001)
    except OverTimeError:
        return


@cache
def _nowhere() -> IO[str]:
    return open(os.devnull, "w")  # noqa: PTH123 (the watchdog may write to it as long as the process lives)


def memory_words(limits: Limits) -> str:
    """Return why a parcel failed that asked for more memory than there is."""
    return "it needs more memory than " + (
        f"the {limits.memory_mb} MB of its process" if limits.memory_mb else "there is"
    )
