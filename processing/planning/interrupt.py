"""How a run is broken off, by a person or by the system, and what it says then."""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from types import FrameType

ENDING = ("SIGTERM", "SIGHUP")
"""Signals that ask a process to end, beside Ctrl-C; not every system has them."""


@contextmanager
def broken_off_by_signals() -> Iterator[None]:
    """Answer signals that ask this process to end as Ctrl-C is answered: finished work stays.

    One that is ignored stays so: a program that was started to outlive its terminal does.
    """
    numbers = [getattr(signal, name) for name in ENDING if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        numbers = []
    terminals = [stream.fileno() for stream in (sys.stdout, sys.stderr) if stream.isatty()]  # gone, it says no more

    def interrupt(number: int, frame: FrameType | None) -> None:
        """Raise what Ctrl-C raises; a terminal that is gone is written to no more."""
        del frame
        if number == getattr(signal, "SIGHUP", None):
            write_nowhere(terminals)
        raise EndedError(number)

    before = {number: signal.getsignal(number) for number in numbers}
    before = {number: handler for number, handler in before.items() if handler is signal.SIG_DFL}
    for number in before:
        signal.signal(number, interrupt)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class EndedError(KeyboardInterrupt):
    """A signal asks this process to end."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def nobody_reads(error: OSError) -> bool:
    """Return whether an error means that whoever read what this program prints is gone: a terminal, or a pipe's end."""
    return error.errno in (errno.EIO, errno.EPIPE) and error.filename is None


def write_nowhere(files: Iterable[int] | None = None) -> None:
    """Print no more: what Python would still write when it ends would be another error; default: to both streams."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    for file in (sys.stdout.fileno(), sys.stderr.fileno()) if files is None else files:
        os.dup2(nowhere, file)


class InterruptedRunError(Exception):
    """A person broke the run off; `stored` of `total` parcels are finished and can be resumed."""

    def __init__(self, stored: int, total: int) -> None:
        super().__init__(stored, total)
        self.stored = stored
        self.total = total

    def __str__(self) -> str:
        if not self.stored:
            return "interrupted; nothing was written"
        return f"interrupted; {self.stored} of {self.total} parcels are kept: the same command with --resume goes on"


def exit_code(error: BaseException | None) -> int:
    """Return the exit code of what was broken off: 128 and the number of the signal, as shells count."""
    while error is not None:
        if isinstance(error, EndedError):
            return 128 + error.number
        error = error.__cause__ or error.__context__
    return 128 + signal.SIGINT
