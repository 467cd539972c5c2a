"""Hands that do the work: the same tasks here and in processes, and what a dead worker looks like."""

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
from lawngis.processing.planning.workers import TASKS_EACH, Cluster, Here, Processes, lost, submitted


def test_here_each_task_is_done_at_once():
    hands = Here()
    future = submitted(hands, divmod, 7, 2)
    assert future.done()
    assert future.result() == (3, 1)
    assert (hands.tasks_max, hands.isolated, hands.alone() is hands) == (1, False, True)


def test_here_what_goes_wrong_is_heard_by_who_asks():
    future = submitted(Here(), divmod, 7, 0)
    assert isinstance(future.exception(), ZeroDivisionError)
    assert not Here().died(future.exception())


def test_here_a_person_who_breaks_off_is_heard_at_once():
    def broken_off():
        raise KeyboardInterrupt("at the keyboard")

    with pytest.raises(KeyboardInterrupt, match="at the keyboard"):
        submitted(Here(), broken_off)


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_process_works_dies_and_is_renewed():
    """In turn, as starting one takes a second: it is another process, deaf to Ctrl-C, limited, and replaceable."""
    hands = Processes(1, Limits(memory_mb=1500))
    try:
        assert hands.tasks_max == TASKS_EACH
        worker = submitted(hands, os.getpid).result(60)
        assert worker != os.getpid()
        assert submitted(hands, signal.getsignal, signal.SIGINT).result(60) == signal.SIG_IGN
        os.kill(worker, signal.SIGINT)
        assert submitted(hands, os.getpid).result(60) == worker
        assert isinstance(submitted(hands, bytearray, 4 << 30).exception(60), MemoryError)
        assert submitted(hands, os.getenv, "GDAL_CACHEMAX").result(60)

        death = submitted(hands, os._exit, 1).exception(60)
        assert isinstance(death, BrokenExecutor)
        assert hands.died(death)
        assert not hands.died(ValueError())
        hands.renewed()
        assert submitted(hands, os.getpid).result(60) not in (worker, os.getpid())
        hands.check()
        assert hands.alone() is hands.alone() is not hands
        assert hands.alone().tasks_max == 1
    finally:
        hands.stop(now=True)
    with pytest.raises(RuntimeError, match="after shutdown"):
        submitted(hands, os.getpid)


def test_this_process_still_hears_ctrl_c_after_starting_others():
    before = signal.getsignal(signal.SIGINT)
    hands = Processes(1, Limits())
    try:
        submitted(hands, os.getpid).result(60)
        assert signal.getsignal(signal.SIGINT) is before
        if hasattr(signal, "pthread_sigmask"):
            assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])
    finally:
        hands.stop(now=False)


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


def slowly_sent(hands: Processes) -> object:
    """Keep a worker sending results that are far larger than a pipe holds; return the thread that reads them."""
    futures = [hands.submit(much, 60_000_000) for _ in range(40)]
    futures[0].result(timeout=60)
    return hands.executor._executor_manager_thread


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
@pytest.mark.parametrize("pause_s", [0.0, 0.03, 0.07])
def test_stopped_while_results_are_sent_it_ends(pause_s):
    hands = Processes(1, Limits(60.0, None))
    reading = slowly_sent(hands)
    time.sleep(pause_s)
    hands.stop(now=True)
    reading.join(10)
    assert not reading.is_alive()


@pytest.mark.skipif(os.name != "posix", reason="signals and limits differ elsewhere")
def test_a_worker_killed_while_it_sends_is_noticed(monkeypatch):
    monkeypatch.setattr(workers, "DEATH_UNHEARD_S", 0.5)
    hands = Processes(1, Limits(60.0, None))
    reading = slowly_sent(hands)
    os.kill(next(iter(hands.executor._processes)), signal.SIGKILL)
    begun = time.monotonic()
    while reading.is_alive() and time.monotonic() - begun < 20:
        hands.check()
        time.sleep(0.1)
    assert not reading.is_alive()
    hands.stop(now=True)
