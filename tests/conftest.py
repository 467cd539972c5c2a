"""Settings of all tests."""

import fcntl
import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# On a build machine the same examples are tried each time, so that a failure means the change and not the draw;
# everywhere else the draw goes on, and what it finds is kept as an example.
settings.register_profile("ci", derandomize=True, deadline=None, print_blob=True)
if os.environ.get("CI"):
    settings.load_profile("ci")

SAMPLE = Path(__file__).parents[1] / "sample_parcels"


@pytest.fixture(scope="session")
def sample_plan_folder(tmp_path_factory):
    """The folder of the sample's plan, made once by the real command for all processes of a test run.

    Nothing may be written there. ``printed.txt`` beside it holds what the command printed.
    """
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if os.environ.get("PYTEST_XDIST_WORKER") else base
    folder = shared / "sample_plan"
    with (shared / "sample_plan.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not (shared / "printed.txt").exists():
            before = _content(SAMPLE)
            command = [sys.executable, "-m", "lawngis.processing.cli.main", "plan", str(SAMPLE), "--out", str(folder)]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stdout + done.stderr
            assert _content(SAMPLE) == before, "planning changed its inputs"
            (shared / "printed.txt").write_text(done.stdout, encoding="utf-8")
    return folder


def _content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
