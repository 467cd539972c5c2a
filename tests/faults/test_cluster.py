"""A real cluster: its scheduler and workers are processes, and are killed."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from contextlib import suppress

import pytest

pytest.importorskip("distributed")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(os.name != "posix", reason="signals differ elsewhere")]


def free_port():
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        return asked.getsockname()[1]


@pytest.fixture
def cluster(faults):
    """A scheduler and two workers, started as anybody would."""
    port, processes = free_port(), []

    def start(*words, **deeds):
        command = [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]]
        processes.append(
            subprocess.Popen(
                command,
                env=faults.environment(**deeds),
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
            )
        )
        return processes[-1]

    address = f"tcp://127.0.0.1:{port}"

    def up(**deeds):
        scheduler = start("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
        for _ in range(2):
            start("worker", address, "--nthreads", "1", "--no-dashboard", **deeds)
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            with socket.socket() as asked:
                if asked.connect_ex(("127.0.0.1", port)) == 0:
                    return scheduler
            time.sleep(0.1)
        raise AssertionError("no scheduler in half a minute")

    yield address, up
    for process in processes:  # with all that they started: a worker doesn't stop for a task that never ends
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(20)


def test_a_cluster_plans_and_a_parcel_that_kills_its_workers_fails(faults, cluster):
    address, up = cluster
    up(P03="die")
    ended = faults.run("--scheduler", address)
    assert ended.code == 1, ended.err
    summary = faults.summary()
    assert list(summary.index[summary["status"] == "failed"]) == ["P03"]
    assert "tried alone" in summary["verdict_text"]["P03"]
    assert len(summary) == faults.parcels


def test_without_its_scheduler_a_run_ends_and_goes_on_without_it(faults, cluster):
    address, up = cluster
    scheduler = up(P35="loop")
    running = faults.start("--scheduler", address, "--parcel-seconds", 20)
    faults.wait_for_kept(2)
    faults.kill(scheduler)
    _, err = running.communicate(timeout=60)
    assert running.returncode == 2, err
    assert "--resume" in err.splitlines()[-1]
    kept = len(faults.log())
    ended = faults.run("--workers", 2, "--resume")
    assert ended.code == 0, ended.err
    assert sum(bool(line["kept"]) for line in faults.log()[kept:]) >= kept


def test_a_scheduler_that_is_not_there_is_said(faults):
    ended = faults.run("--scheduler", f"tcp://127.0.0.1:{free_port()}")
    assert ended.code == 2
    assert "there is no scheduler that answers" in ended.err
