"""What a parcel may take: time of the processor, and much more by the clock."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from lawngis.processing.planning.limits import (
    CLOCK_TIMES,
    Limits,
    OverClockError,
    OverTimeError,
    time_limit,
    time_words,
)


def busy(seconds):
    """Use the processor for so long, however long that takes."""
    until = time.process_time() + seconds
    while time.process_time() < until:
        pass


def test_waiting_takes_no_time_and_working_does():
    with time_limit(Limits(0.3), may_end_process=False):
        time.sleep(0.6)  # twice the limit by the clock
    with pytest.raises(OverTimeError) as caught, time_limit(Limits(0.3), may_end_process=False):  # noqa: PT011
        busy(30)
    assert not isinstance(caught.value, OverClockError)


def test_by_the_clock_it_ends_as_well():
    with pytest.raises(OverClockError), time_limit(Limits(0.05), may_end_process=False):  # noqa: PT011
        for _ in range(3000):
            time.sleep(0.01)
    assert (
        time_words(Limits(2), by_clock=True)
        == f"it takes longer than the limit of {2 * CLOCK_TIMES} seconds by the clock"
    )


def test_what_is_done_in_time_leaves_no_limit_behind():
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_CPU)
    for _ in range(3):
        with time_limit(Limits(60), may_end_process=True):
            soft, _ = resource.getrlimit(resource.RLIMIT_CPU)
            assert soft > time.process_time()
    assert resource.getrlimit(resource.RLIMIT_CPU) == before


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="other systems leave it to the clock")
def test_a_process_that_hangs_at_work_within_a_library_is_ended_by_the_system():
    code = (
        "from lawngis.processing.planning import limits\n"
        "from lawngis.processing.planning.limits import Limits, time_limit\n"
        "limits.CLOCK_TIMES = 1000\n"
        "with time_limit(Limits(0.2), may_end_process=True):\n"
        "    sum(range(10**13))\n"  # no exception gets in
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, timeout=300)
    assert done.returncode < 0
