"""A thousand broken copies of the sample through `check`, two hundred through `plan`: none may crash or hang."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "faults"))

from mutated import outcomes


@pytest.mark.parametrize(("copies", "words"), [(1000, ("check",)), (200, ("plan", "--parcel", "P01"))])
def test_broken_copies(benchmark, tmp_path, copies, words):
    found = benchmark.pedantic(outcomes, (tmp_path, range(10_000, 10_000 + copies), *words), rounds=1)
    assert {seed: said for seed, said in found.items() if said not in ("0", "1", "2")} == {}
