"""Copies of the sample's GeoPackage with some bytes changed, each given to the real command line.

One process tries many, one after the other; when it dies or hangs, the next goes on after the copy that did it.
"""

from __future__ import annotations

import contextlib
import io
import json
import random
import select
import subprocess
import sys
import traceback
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "sample_parcels" / "neighbourhood.gpkg"
PATIENCE_S = 240.0
"""A copy that takes longer hangs, on however loaded a machine; an ordinary one takes a second."""


def mutated(whole: bytes, seed: int) -> bytes:
    """Return some bytes with one to forty changed: anywhere, in the schema, or next to one another."""
    chance = random.Random(seed)
    content = bytearray(whole)
    end = chance.choice([4096, 65_536, len(whole), len(whole)])
    start = chance.randrange(end)
    near = chance.random() < 0.3
    for _ in range(chance.choice([1, 1, 2, 5, 40])):
        place = min(start + chance.randrange(16), len(whole) - 1) if near else chance.randrange(end)
        new = chance.choice([0, 255, chance.randrange(256), content[place] ^ (1 << chance.randrange(8))])
        content[place] = new if new != content[place] else new ^ 1
    return bytes(content)


def outcomes(folder: Path, seeds: range, *words: str) -> dict[int, str]:
    """Return what came of each copy: the exit code, or what must not happen."""
    left, found = list(seeds), {}
    while left:
        command = [sys.executable, __file__, str(folder), json.dumps(left), *words]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL) as process:
            while left and select.select([process.stdout], [], [], PATIENCE_S)[0]:
                line = process.stdout.readline().decode().strip() if process.stdout else ""
                found[left.pop(0)] = line or f"died ({process.wait()})"
                if not line:
                    break
            else:
                process.kill()
                if left:
                    found[left.pop(0)] = "hung"
    return found


def _try_all(folder: Path, seeds: list[int], words: list[str]) -> None:
    from lawngis.processing.cli.main import main

    whole = SAMPLE.read_bytes()
    answers, sys.stdout = sys.stdout, io.StringIO()
    for seed in seeds:
        site = folder / str(seed) / "site.gpkg"
        site.parent.mkdir(parents=True, exist_ok=True)
        site.write_bytes(mutated(whole, seed))
        said = io.StringIO()
        place = [str(site)] if words[0] == "check" else [str(site), "--out", str(site.parent / "out")]
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            try:
                code = main([words[0], *place, *words[1:]])
                outcome = "Traceback in its words" if "Traceback" in said.getvalue() else str(code)
            except BaseException:
                outcome = " | ".join(traceback.format_exc().strip().splitlines()[-4:])
        print(outcome, file=answers, flush=True)


if __name__ == "__main__":
    _try_all(Path(sys.argv[1]), json.loads(sys.argv[2]), sys.argv[3:])
