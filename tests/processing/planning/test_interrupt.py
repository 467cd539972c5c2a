"""A run that is ended from outside, and what it leaves behind: with real processes."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from lawngis.errors import PlanError
from lawngis.processing.files.locking import LOCK_NAME, alone_in

CODE = "import sys; from lawngis.processing.cli.main import main; sys.exit(main())"
LINUX = pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="workers are found by /proc")
PATIENCE_S = 60.0


HEARD = "import signal; signal.signal(signal.SIGHUP, signal.SIG_DFL); "
"""Said first: tests that outlive their own terminal would hand that on."""


def started(*words, before=HEARD, **options):
    command = [sys.executable, "-c", before + CODE, *map(str, words)]
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(command, text=True, start_new_session=True, **streams)


def alive_in(session):
    """Processes of a session that have not ended, as (pid, command)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            words = stat.read_text().rpartition(")")[2].split()
            if int(words[3]) == session and words[0] != "Z":
                found.append((int(stat.parent.name), (stat.parent / "cmdline").read_bytes().replace(b"\0", b" ")))
        except OSError:
            continue
    return found


def workers_in(session):
    return [pid for pid, command in alive_in(session) if b"spawn_main" in command]


def gone(session):
    """Wait until no process of a session is left; return those that are."""
    until = time.monotonic() + PATIENCE_S
    while alive_in(session) and time.monotonic() < until:
        time.sleep(0.1)
    return alive_in(session)


@pytest.fixture
def running(build, tmp_path):
    """A run with two workers in the middle of its work."""
    outlines = [build.block(25 * (number % 8), 20 * (number // 8), 20, 15) for number in range(64)]
    site = build.site(tmp_path / "site", parcels=outlines, dem=False)
    processes = []

    def start(**options):
        process = started("plan", site, "--out", tmp_path / "out", "--workers", 2, **options)
        processes.append(process)
        until = time.monotonic() + PATIENCE_S
        while not [*(tmp_path / "out").glob(".plan-run-*/*.shard")] and time.monotonic() < until:
            time.sleep(0.05)
        assert len(workers_in(process.pid)) == 2
        return process

    yield start
    for process in processes:
        for pid, _ in alive_in(process.pid):
            os.kill(pid, signal.SIGKILL)
        process.communicate()


@LINUX
@pytest.mark.slow
def test_workers_end_when_the_first_process_is_killed(running):
    process = running()
    process.kill()
    assert gone(process.pid) == []


@LINUX
@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_signals_that_ask_it_to_end_are_answered_like_an_interrupt(running, tmp_path, number):
    process = running()
    process.send_signal(number)
    _, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 128 + number
    last = err.splitlines()[-1]
    assert re.fullmatch(
        r"lawngis: interrupted; \d+ of 64 parcels are kept: the same command with --resume goes on", last
    )
    assert "Traceback" not in err
    assert gone(process.pid) == []
    left = [path.name for path in (tmp_path / "out").iterdir()]
    assert "plan.gpkg" not in left and LOCK_NAME not in left
    assert any(name.startswith(".plan-run-") for name in left)


@LINUX
@pytest.mark.slow
def test_a_terminal_that_closes_ends_it_and_is_written_to_no_more(running, tmp_path):
    import fcntl
    import pty
    import termios

    terminal, its_end = pty.openpty()
    streams = dict.fromkeys(("stdin", "stdout", "stderr"), its_end)
    process = running(**streams, preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0))
    os.close(its_end)
    os.close(terminal)  # the system sends the signal, and writing fails from now on
    assert process.wait(PATIENCE_S) == 128 + signal.SIGHUP
    assert gone(process.pid) == []
    assert any(path.name.startswith(".plan-run-") for path in (tmp_path / "out").iterdir())
    assert LOCK_NAME not in [path.name for path in (tmp_path / "out").iterdir()]


@LINUX
@pytest.mark.slow
def test_one_that_is_to_outlive_its_terminal_does(running):
    process = running(before="import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN); ")
    os.killpg(process.pid, signal.SIGHUP)
    assert process.poll() is None
    assert len(workers_in(process.pid)) == 2


# --- one run at a time -----------------------------------------------------------------------------------


def test_a_second_run_in_a_folder_is_told_and_the_drafts_of_killed_ones_go(tmp_path):
    for name in (".plan-a1b2c3d4", ".slope_sd-a1b2c3_4", ".plan-rasters", ".plan-run-a1b2c3d4", ".plan-abc"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "plan.gpkg").write_text("half")
    with alone_in(tmp_path):
        assert {path.name for path in tmp_path.iterdir()} == {
            LOCK_NAME, ".plan-rasters", ".plan-run-a1b2c3d4", ".plan-abc",
        }  # fmt: skip
        with pytest.raises(PlanError, match="another run is planning into this folder"), alone_in(tmp_path):
            pass
        assert (tmp_path / LOCK_NAME).exists()
    assert not (tmp_path / LOCK_NAME).exists()
    with alone_in(tmp_path):
        pass


@pytest.mark.slow
def test_a_lock_ends_with_its_process(tmp_path, lawngis, site):
    code = (
        "import sys, time; from pathlib import Path; from lawngis.processing.files.locking import alone_in\n"
        "with alone_in(Path(sys.argv[1])):\n    print('locked', flush=True); time.sleep(600)\n"
    )
    out = tmp_path / "out"
    out.mkdir()
    with subprocess.Popen([sys.executable, "-c", code, out], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "locked\n"
        outcome = lawngis("plan", site, "--out", out)
        assert outcome.code == 2 and "another run is planning into this folder" in outcome.said
        assert [path.name for path in out.iterdir()] == [LOCK_NAME]
        other.kill()
    assert lawngis("plan", site, "--out", out).code == 0
    assert [path.name for path in out.iterdir()] == ["plan.gpkg"]
