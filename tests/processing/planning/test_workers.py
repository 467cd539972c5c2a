"""Workers: the same tasks in process and in processes, and how a dead worker shows."""

from __future__ import annotations

import os
import signal
import sys
import time
from concurrent.futures import BrokenExecutor, CancelledError

import pytest

from lawngis.errors import ParameterError
from lawngis.processing.planning import workers
from lawngis.processing.planning.limits import Limits
from lawngis.processing.planning.workers import TASKS_PER_WORKER, Cluster, InProcess, Processes, workers_lost


def test_here_each_task_is_done_at_once():
    future = InProcess().submit(divmod, 7, 2)
    assert future.done()
    assert future.result() == (3, 1)


def test_here_what_goes_wrong_is_heard_by_who_asks():
    future = InProcess().submit(divmod, 7, 0)
    assert isinstance(future.exception(), ZeroDivisionError)
    assert not InProcess().died(future.exception())


def test_here_a_person_who_breaks_off_is_heard_at_once():
    def broken_off():
        raise KeyboardInterrupt("at the keyboard")

    with pytest.raises(KeyboardInterrupt, match="at the keyboard"):
        InProcess().submit(broken_off)


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_process_works_dies_and_is_renewed():
    """In turn, as starting one takes a second: it is another process, ignores Ctrl-C, is limited, can be replaced."""
    pool = Processes(1, Limits(memory_mb=1500))
    try:
        assert pool.tasks_max == TASKS_PER_WORKER
        worker = pool.submit(os.getpid).result(60)
        assert worker != os.getpid()
        assert pool.submit(signal.getsignal, signal.SIGINT).result(60) == signal.SIG_IGN
        os.kill(worker, signal.SIGINT)
        assert pool.submit(os.getpid).result(60) == worker
        assert isinstance(pool.submit(bytearray, 4 << 30).exception(60), MemoryError)
        assert pool.submit(os.getenv, "GDAL_CACHEMAX").result(60)

        death = pool.submit(os._exit, 1).exception(60)
        assert isinstance(death, BrokenExecutor)
        assert pool.died(death)
        assert not pool.died(ValueError())
        pool.restart()
        assert pool.submit(os.getpid).result(60) not in (worker, os.getpid())
        pool.check()
        assert pool.alone() is pool.alone() is not pool
        assert pool.alone().tasks_max == 1
    finally:
        pool.stop(now=True)
    with pytest.raises(RuntimeError, match="after shutdown"):
        pool.submit(os.getpid)


def test_this_process_still_hears_ctrl_c_after_starting_others():
    before = signal.getsignal(signal.SIGINT)
    pool = Processes(1, Limits())
    try:
        pool.submit(os.getpid).result(60)
        assert signal.getsignal(signal.SIGINT) is before
        if hasattr(signal, "pthread_sigmask"):
            assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    finally:
        pool.stop(now=False)


def test_futures_that_a_cluster_gave_up_are_lost():
    assert workers_lost(CancelledError())
    assert workers_lost(ConnectionResetError())
    assert not workers_lost(BrokenExecutor())
    assert not workers_lost(MemoryError())


def test_a_cluster_without_its_package_or_scheduler_is_said(monkeypatch):
    pytest.importorskip("distributed")
    with pytest.raises(ParameterError, match="no scheduler that answers"):
        Cluster("nowhere")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ParameterError, match=r"lawngis\[cluster\]"):
        Cluster("tcp://127.0.0.1:1")


def slowly_sent(pool: Processes) -> object:
    """Keep a worker sending results that are far larger than a pipe holds; return the thread that reads them."""
    futures = [pool.submit(bytes, 60_000_000) for _ in range(40)]
    futures[0].result(timeout=60)
    return pool.executor._executor_manager_thread


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
@pytest.mark.parametrize("pause_s", [0.0, 0.03, 0.07])
def test_stopped_while_results_are_sent_it_ends(pause_s):
    pool = Processes(1, Limits(60.0, None))
    reading = slowly_sent(pool)
    time.sleep(pause_s)
    pool.stop(now=True)
    reading.join(10)
    assert not reading.is_alive()


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_worker_killed_while_it_sends_is_noticed(monkeypatch):
    monkeypatch.setattr(workers, "DEATH_UNNOTICED_S", 0.5)
    pool = Processes(1, Limits(60.0, None))
    reading = slowly_sent(pool)
    os.kill(next(iter(pool.executor._processes)), signal.SIGKILL)
    begun = time.monotonic()
    while reading.is_alive() and time.monotonic() - begun < 20:
        pool.check()
        time.sleep(0.1)
    assert not reading.is_alive()
    pool.stop(now=True)
