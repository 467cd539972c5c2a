"""Workers: the same tasks in this process and in others, and what a dead worker looks like."""

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
from lawngis.processing.planning.workers import TASKS_EACH, Cluster, InProcess, Processes, lost


def test_in_process_each_task_is_done_at_once():
    future = InProcess().submit(divmod, 7, 2)
    assert future.done()
    assert future.result() == (3, 1)


def test_in_process_what_goes_wrong_is_heard_by_who_asks():
    future = InProcess().submit(divmod, 7, 0)
    assert isinstance(future.exception(), ZeroDivisionError)
    assert not InProcess().died(future.exception())


def test_in_process_a_person_who_breaks_off_is_heard_at_once():
    def broken_off():
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        InProcess().submit(broken_off)


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_process_works_dies_and_is_renewed():
    """In turn, as starting one takes a second: it is another process, deaf to Ctrl-C, limited, and replaceable."""
    crew = Processes(1, Limits(memory_mb=1500))
    try:
        assert crew.tasks_max == TASKS_EACH
        worker = crew.submit(os.getpid).result(60)
        assert worker != os.getpid()
        assert crew.submit(signal.getsignal, signal.SIGINT).result(60) == signal.SIG_IGN
        os.kill(worker, signal.SIGINT)
        assert crew.submit(os.getpid).result(60) == worker
        assert isinstance(crew.submit(bytearray, 4 << 30).exception(60), MemoryError)
        assert crew.submit(os.getenv, "GDAL_CACHEMAX").result(60)

        death = crew.submit(os._exit, 1).exception(60)
        assert isinstance(death, BrokenExecutor)
        assert crew.died(death)
        assert not crew.died(ValueError())
        crew.renewed()
        assert crew.submit(os.getpid).result(60) not in (worker, os.getpid())
        crew.check()
        assert crew.alone() is crew.alone() is not crew
        assert crew.alone().tasks_max == 1
    finally:
        crew.stop(now=True)
    with pytest.raises(RuntimeError):
        crew.submit(os.getpid)


def test_this_process_still_hears_ctrl_c_after_starting_others():
    before = signal.getsignal(signal.SIGINT)
    crew = Processes(1, Limits())
    try:
        crew.submit(os.getpid).result(60)
        assert signal.getsignal(signal.SIGINT) is before
        if hasattr(signal, "pthread_sigmask"):
            assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    finally:
        crew.stop(now=False)


def test_futures_that_a_cluster_gave_up_are_lost():
    assert lost(CancelledError())
    assert lost(ConnectionResetError())
    assert not lost(BrokenExecutor())
    assert not lost(MemoryError())


def test_a_cluster_without_its_package_or_scheduler_is_said(monkeypatch):
    pytest.importorskip("distributed")
    with pytest.raises(ParameterError, match="no scheduler that answers"):
        Cluster("nowhere")
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ParameterError, match=r"lawngis\[cluster\]"):
        Cluster("tcp://127.0.0.1:1")


def much(count: int) -> bytes:
    return bytes(count)


def slowly_sent(crew: Processes) -> object:
    """Keep a worker sending results that are far larger than a pipe holds; return the thread that reads them."""
    futures = [crew.submit(much, 60_000_000) for _ in range(40)]
    futures[0].result(timeout=60)
    return crew.executor._executor_manager_thread


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
@pytest.mark.parametrize("pause_s", [0.0, 0.03, 0.07])
def test_stopped_while_results_are_sent_it_ends(pause_s):
    crew = Processes(1, Limits(60.0, None))
    reading = slowly_sent(crew)
    time.sleep(pause_s)
    crew.stop(now=True)
    reading.join(10)
    assert not reading.is_alive()


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_worker_killed_while_it_sends_is_noticed(monkeypatch):
    monkeypatch.setattr(workers, "DEATH_UNHEARD_S", 0.5)
    crew = Processes(1, Limits(60.0, None))
    reading = slowly_sent(crew)
    os.kill(next(iter(crew.executor._processes)), signal.SIGKILL)
    begun = time.monotonic()
    while reading.is_alive() and time.monotonic() - begun < 20:
        crew.check()
        time.sleep(0.1)
    assert not reading.is_alive()
    crew.stop(now=True)
