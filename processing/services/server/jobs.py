"""Jobs of the server: so many at once, ended when they are deleted, few results kept, nobody called back."""

from __future__ import annotations

import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

from pygeoapi.process.base import ProcessorExecuteError
from pygeoapi.process.manager.tinydb_ import TinyDBManager

AT_ONCE = 2
"""Jobs that run at once; others wait."""

WAITING_MAX = 20
"""More jobs than this don't wait: the server says that it is busy."""

KEPT = 20
"""Finished jobs whose results are kept."""

END_WITHIN_S = 30.0


class _Job:
    """A job that isn't finished: whether it is to end, and whether it has."""

    def __init__(self) -> None:
        self.canceled = threading.Event()
        self.ended = threading.Event()


_open: dict[str, _Job] = {}
_room = threading.Semaphore(AT_ONCE)
_changing = threading.Lock()


def end_all() -> None:
    """End all jobs, and wait until they have."""
    jobs = list(_open.values())
    for job in jobs:
        job.canceled.set()
    for job in jobs:
        job.ended.wait(END_WITHIN_S)


class JobManager(TinyDBManager):
    """Keeps jobs in a file, as its class does, and ends a job that is deleted.

    It calls no address that a request names.
    """

    def __init__(self, manager_def: Any) -> None:
        super().__init__(manager_def)
        self.supports_subscribing = False
        self.processes.update(manager_def["all_processes"])

    def add_job(self, job_metadata: Any) -> Any:
        """Note a new job, and forget the oldest results."""
        with _changing:
            if len(_open) >= AT_ONCE + WAITING_MAX:
                busy = ProcessorExecuteError(user_msg=f"{len(_open)} jobs are waiting: try again later")
                busy.http_status_code = 503
                raise busy
            _open[job_metadata["identifier"]] = _Job()
        finished = [job["identifier"] for job in self.get_jobs()["jobs"] if job["identifier"] not in _open]
        for job_id in finished[: max(0, len(finished) - KEPT)]:
            self.delete_job(job_id)
        return super().add_job(job_metadata)

    def _execute_handler_sync(self, p: Any, job_id: str, *arguments: Any, **options: Any) -> Any:
        """Run a job when there is room for it."""
        job = _open[job_id]
        p.as_document = options.get("requested_response") == "document"
        p.canceled = job.canceled.is_set
        p.progress = lambda share, text: self.update_job(
            job_id, {"status": "running", "progress": round(99 * share), "message": text}
        )
        has_room = False
        while not (has_room or job.canceled.is_set()):
            has_room = _room.acquire(timeout=0.2)
        try:
            return super()._execute_handler_sync(p, job_id, *arguments, **options)
        finally:
            if has_room:
                _room.release()
            job.ended.set()
            with _changing:
                _open.pop(job_id, None)

    def delete_job(self, job_id: str) -> bool:
        """End a job if it runs, and remove all of it."""
        stored = self.get_job(job_id)
        job = _open.get(job_id)
        if job is not None:
            job.canceled.set()
            job.ended.wait(END_WITHIN_S)
            stored = self.get_job(job_id)
        if stored.get("location"):
            with suppress(FileNotFoundError):
                Path(stored["location"]).unlink()
            self.update_job(job_id, {"location": None})
        return bool(super().delete_job(job_id))
