"""The walks beside the sample: every command in them is run, and gives the words, figures and pictures shown."""

import os
import re
import shlex
import shutil
import tempfile
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.image import imread

from lawngis.processing.cli.main import main

matplotlib.use("agg")

WALKS = Path(__file__).parents[1] / "sample_parcels" / "walks"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FIGURE = re.compile(r"(?<![\w.,-])\d[\d,]*(?:\.\d+)?(?![\w])")
PICTURE = re.compile(r"!\[[^\]]+\]\(([\w.]+)\)")
DIFFERENCE_MAX = 4.0
"""Of pictures, on average, as letters differ a little between versions of what draws them [of 255]."""


def told(block: str, kind: str, names: dict[str, object]) -> str:
    """What a block of commands, or of Python, prints."""
    words = StringIO()
    with redirect_stdout(words):
        if kind == "python":
            exec(compile(block, "walk", "exec"), names)
        else:
            for line in block.replace("\\\n", " ").splitlines():
                program, *rest = shlex.split(line, comments=True)
                assert program == "lawngis", line
                assert main(rest) == 0, line
    return words.getvalue()


def plain(text: str) -> str:
    """Words as they are shown: without blanks at the ends of lines."""
    return "\n".join(line.rstrip() for line in text.strip().splitlines())


@pytest.mark.slow
@pytest.mark.parametrize("walk", ["estimator", "estate_manager", "analyst"])
def test_a_walk_tells_what_its_commands_tell(walk, tmp_path, monkeypatch, recwarn):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    text = (WALKS / f"{walk}.md").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    said = shown = ""
    last = ""
    for kind, block in BLOCK.findall(text):
        if kind == "text":
            assert plain(last) == plain(block)
            shown, last = shown + block, ""
            continue
        assert not plain(last), "what a command prints is shown below it"
        last = told(block, kind, names)
        said += last + block
    assert not plain(last)
    prose = re.sub(r"`[^`]*`|\]\([^)]*\)", "", BLOCK.sub("", text))
    known = set(FIGURE.findall(said))
    assert [figure for figure in FIGURE.findall(prose) if figure not in known] == []
    pictures = PICTURE.findall(text)
    assert pictures
    for name in pictures:
        made, there = (255 * imread(folder / name) for folder in (tmp_path, WALKS))
        assert made.shape == there.shape
        assert np.abs(made - there).mean() < DIFFERENCE_MAX


def test_the_walks_are_small_enough_to_come_along():
    assert sum(file.stat().st_size for file in WALKS.rglob("*") if file.is_file()) < 600_000


def write_again(walk: str, folder: Path) -> None:
    """Write what the commands of a walk tell now into it, and its pictures beside it."""
    os.chdir(folder)
    text = (WALKS / f"{walk}.md").read_text(encoding="utf-8")
    names: dict[str, object] = {}
    last = ""

    def shown(block: re.Match[str]) -> str:
        nonlocal last
        if block[1] == "text":
            return f"```text\n{plain(last)}\n```"
        last = told(block[2], block[1], names)
        return block[0]

    (WALKS / f"{walk}.md").write_text(BLOCK.sub(shown, text), encoding="utf-8")
    for name in PICTURE.findall(text):
        shutil.copy(folder / name, WALKS / name)


if __name__ == "__main__":
    os.environ["COLUMNS"] = "100"
    for each in WALKS.glob("*.md"):
        with tempfile.TemporaryDirectory() as scratch:
            write_again(each.stem, Path(scratch))
