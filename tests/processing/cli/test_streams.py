"""What a reader sees: letters that the terminal has, and our words alone."""

from __future__ import annotations

import io
import os
import subprocess
import sys

import pytest

from lawngis.processing.cli.streams import our_words

LINE = "import sys; from lawngis.processing.cli.main import main; sys.exit(main())"


@pytest.mark.parametrize(
    ("encoding", "printed"),
    [
        ("ascii", b"Garten -> 12 m2 ?\n"),
        ("cp1252", b"G\xe4rten -> 12 m\xb2 ?\n"),
        ("utf-8", "Gärten → 12 m² 庭\n".encode()),
    ],
)
def test_letters_that_a_stream_lacks_are_replaced(monkeypatch, encoding, printed):
    stream = io.TextIOWrapper(io.BytesIO(), encoding=encoding, newline="\n")
    monkeypatch.setattr(sys, "stdout", stream)
    with our_words():
        print("Gärten → 12 m² 庭")
    stream.flush()
    assert stream.buffer.getvalue() == printed


def test_what_libraries_write_by_themselves_is_not_seen():
    code = (
        "import os, sys; from lawngis.processing.cli.streams import our_words\n"
        "with our_words():\n    os.write(2, b'ERROR 1: raw\\n'); print('ours', file=sys.stderr)\n"
        "print('after', file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == "ours\nafter\n"


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_terminal_of_few_letters_gets_the_plan(site, tmp_path, encoding):
    done = subprocess.run(
        [sys.executable, "-c", LINE, "plan", site, "--out", tmp_path / "out"],
        capture_output=True, env={**os.environ, "PYTHONIOENCODING": encoding}, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert b"1 planned; plan: " in done.stdout and b"Traceback" not in done.stderr


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="such a limit is set otherwise elsewhere")
@pytest.mark.parametrize("limit_kb", [16, 150, 400])
def test_a_disk_that_takes_no_more_is_said_in_one_line(site, tmp_path, limit_kb):
    import resource

    limit = limit_kb * 1024
    done = subprocess.run(
        [sys.executable, "-c", LINE, "plan", site, "--out", tmp_path / "out"],
        capture_output=True, text=True, check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )  # fmt: skip
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith("lawngis: ") and "could not be written" in line
    assert not any(word in line for word in ("ERROR", "sqlite", "CREATE", "malformed", "b'"))
    assert "plan.gpkg" not in [path.name for path in (tmp_path / "out").iterdir()]
