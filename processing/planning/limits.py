"""Limits of time and memory for one parcel, in the process that plans it.

Time is limited twice. First an exception is raised in the planning thread, which ends a parcel that loops for ever.
When that doesn't help, because a call into a library never returns, the interpreter's own watchdog ends the process,
whatever it hangs in. Memory is limited by the system, so that an allocation beyond it fails where it is made.
"""

from __future__ import annotations

import ctypes
import faulthandler
import os
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from typing import IO

GRACE = 1.2
GRACE_S = 2.0
"""After this many times the limit, and so many seconds, a process that doesn't return is ended."""

CACHE_MB = 64
"""GDAL's cache of raster blocks; by itself it takes a twentieth of the machine's memory for each process [MB]."""

MEMORY_SHARE = 0.9
MEMORY_MIN_MB = 1024
BYTES_PER_MB = 1 << 20


class OverTimeError(BaseException):
    """A parcel takes longer than it may. No plain exception: a step that catches those must not catch this one."""


@dataclass(frozen=True)
class Limits:
    """What one parcel may take.

    Parameters
    ----------
    parcel_seconds
        Time [s].
    memory_mb
        Memory of the process that plans it, the program itself included [MB]; None sets no limit.
    """

    parcel_seconds: float = 600.0
    memory_mb: int | None = None

    def with_draws(self, draws: int) -> Limits:
        """Return the limits where a parcel is planned on so many versions of its data as well: as often the time."""
        return replace(self, parcel_seconds=self.parcel_seconds * (1 + draws))

    @property
    def last_seconds(self) -> float:
        """When the process is ended [s]."""
        return GRACE * self.parcel_seconds + GRACE_S


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
    alarm = _Alarm(limits.parcel_seconds)
    if may_end_process:
        faulthandler.dump_traceback_later(limits.last_seconds, exit=True, file=_nowhere())
    try:
        with alarm:
            yield
    finally:
        if may_end_process:
            faulthandler.cancel_dump_traceback_later()


class _Alarm:
    """Raises an exception in the thread that made it, unless it is cancelled before."""

    def __init__(self, seconds: float) -> None:
        self._thread = threading.get_ident()
        self._lock = threading.Lock()
        self._over = False
        self._rung = False
        self._timer = threading.Timer(seconds, self._ring)
        self._timer.daemon = True

    def __enter__(self) -> None:
        self._timer.start()

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        with self._lock:
            self._over = True
        self._timer.cancel()
        if self._rung and kind is not OverTimeError:
            _await_exception()  # it is pending and must not be raised elsewhere
            raise OverTimeError

    def _ring(self) -> None:
        with self._lock:
            if not self._over:
                self._rung = True
                ctypes.pythonapi.PyThreadState_SetAsyncExc(
                    ctypes.c_ulong(self._thread), ctypes.py_object(OverTimeError)
                )


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
