"""Seconds a parcel for each kind of document: ``pytest tests/bench/bench_deliver.py --benchmark-enable``."""

from __future__ import annotations

import importlib.util
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


@pytest.mark.parametrize("parcel", ["P1", "../P2"])
@pytest.mark.parametrize("kind", KINDS)
def test_documents_of_one_parcel(benchmark, tmp_path, kind, parcel):
    path = _plans.write_plan(tmp_path / "plan.gpkg")
    wishes = Wishes(kinds=frozenset({kind}))
    benchmark.group = f"deliver {parcel}"
    benchmark.pedantic(
        deliver_documents, (path, tmp_path / "docs", wishes), {"parcels": [parcel]}, rounds=3, warmup_rounds=1
    )
