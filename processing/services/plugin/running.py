"""A command of lawngis as a process of its own environment: progress in, cancelling out."""

from __future__ import annotations

import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from typing import Any

_OF_THE_GIS = ("PYTHON", "GDAL_", "PROJ_", "QGIS", "QT_")
"""Variables that lead to libraries of the GIS, which are others than ours."""

LOOK_EVERY_S = 0.2
END_WITHIN_S = 10.0
"""A process that was asked to end is ended after this time."""


def run(
    words: Sequence[str],
    told: Callable[[Mapping[str, Any]], None],
    canceled: Callable[[], bool],
    *,
    folder: str | None = None,
    limit: Callable[[int], None] | None = None,
) -> tuple[int | None, str]:
    """Run a command, tell its messages as they come, and return its exit code and what it printed.

    Parameters
    ----------
    words
        The program and its words.
    told
        Takes each message.
    canceled
        Whether a person wants it no more: then the process and all that it started end, and the code is None.
    folder
        In which it works.
    limit
        Takes the process's number, and limits what it may use.
    """
    environment = {name: value for name, value in os.environ.items() if not name.startswith(_OF_THE_GIS)}
    group: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        group = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}
    process = subprocess.Popen(
        words, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8",
        errors="replace", env=environment, cwd=folder, **group,
    )  # fmt: skip
    lines: queue.Queue[str] = queue.Queue()
    printed: list[str] = []
    readers = [
        threading.Thread(target=_read, args=(process.stderr, lines.put), daemon=True),
        threading.Thread(target=_read, args=(process.stdout, printed.append), daemon=True),
    ]
    with process:
        if limit is not None:
            limit(process.pid)
        for reader in readers:
            reader.start()
        while readers[0].is_alive() or not lines.empty():
            if canceled():
                _end(process)
                return None, ""
            try:
                told(message(lines.get(timeout=LOOK_EVERY_S)))
            except queue.Empty:
                continue
        readers[1].join()
    return process.returncode, "".join(printed)


def _read(stream: Iterable[str], take: Callable[[str], None]) -> None:
    for line in stream:
        take(line)


def message(line: str) -> Mapping[str, Any]:
    """Return a message; a line that is none becomes a note."""
    try:
        said = json.loads(line)
    except ValueError:
        said = None
    return said if isinstance(said, dict) and "kind" in said else {"kind": "note", "text": line.rstrip()}


def _end(process: subprocess.Popen[str]) -> None:
    """End a process with all that it started: at first by asking, as finished parcels are kept then."""
    if sys.platform == "win32":
        subprocess.run(["taskkill", "/T", "/F", "/PID", str(process.pid)], check=False)
        return
    with suppress(ProcessLookupError, subprocess.TimeoutExpired):
        os.killpg(process.pid, signal.SIGTERM)
        process.wait(END_WITHIN_S)
    with suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)  # what it started may have outlived it
    process.wait()
