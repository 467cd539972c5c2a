"""Documents of a plan: seconds a parcel for each kind, and a portfolio in one process and in several.

``pytest tests/bench/bench_deliver.py --benchmark-enable --override-ini=python_files='bench_*.py'``; the portfolio has
as many parcels as LAWNGIS_BENCH_PARCELS says (default 60) and runs as it would from the command line, memory measured.
"""

from __future__ import annotations

import importlib.util
import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytest.importorskip("fpdf", reason="documents need the extra lawngis[documents]")

from lawngis.processing.deliver.documents import KINDS, Wishes, deliver_documents

_spec = importlib.util.spec_from_file_location(
    "hand_made_plan", Path(__file__).parents[1] / "processing" / "deliver" / "conftest.py"
)
assert _spec is not None and _spec.loader is not None
_plans = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_plans)

PARCELS = int(os.environ.get("LAWNGIS_BENCH_PARCELS", "60"))


@pytest.mark.parametrize("parcel", ["P1", "../P2"])
@pytest.mark.parametrize("kind", [*KINDS, "all"])
def test_documents_of_one_parcel(benchmark, tmp_path, kind, parcel):
    path = _plans.write_plan(tmp_path / "plan.gpkg")
    wishes = Wishes(kinds=frozenset(KINDS if kind == "all" else {kind}))
    benchmark.group = f"deliver {parcel}"
    benchmark.pedantic(
        deliver_documents, (path, tmp_path / "docs", wishes), {"parcels": [parcel]}, rounds=3, warmup_rounds=1
    )


@pytest.fixture(scope="module")
def portfolio(tmp_path_factory):
    path = tmp_path_factory.mktemp("portfolio") / "plan.gpkg"
    return _plans.write_portfolio(path, PARCELS)


@pytest.mark.parametrize("workers", [1, 2])
def test_documents_of_a_portfolio(benchmark, portfolio, tmp_path, workers):
    """Wall time, processor time and the largest process, all workers counted."""
    code = "from lawngis.processing.cli.main import main; main()"
    command = [sys.executable, "-c", code, "deliver", str(portfolio), "--out", str(tmp_path), "--workers", str(workers)]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    began = time.perf_counter()
    benchmark.group = f"portfolio of {PARCELS}"
    benchmark.pedantic(subprocess.run, (command,), {"check": True, "stdout": subprocess.DEVNULL}, rounds=1)
    wall_s = time.perf_counter() - began
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    benchmark.extra_info.update(
        wall_s_a_parcel=wall_s / PARCELS, cpu_s_a_parcel=cpu_s / PARCELS, largest_process_mib=after.ru_maxrss / 1024
    )
    memory = f"{after.ru_maxrss / 1024:.0f} MiB"
    print(f"{PARCELS} parcels, {workers} workers: {wall_s:.1f} s wall, {cpu_s:.1f} s CPU, {memory}")
    assert len(list(tmp_path.glob("*/page.html"))) == PARCELS
