"""Seconds per sample parcel, with the share of reading, each step and writing.

Run with ``python -m pytest tests/bench/bench_parcels.py --benchmark-enable -o python_files='bench_*.py' -s``.
"""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from lawngis.mower import built_in_profile
from lawngis.processing.files.gpkg import raw_columns
from lawngis.processing.planning.plan_writer import PlanWriter, run_info
from lawngis.processing.planning.supervisor import parcel_results
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, step_layers

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
PARCELS = [f"P{number:02d}" for number in range(1, 13)]
SETTINGS = Settings(built_in_profile())


@pytest.fixture(scope="module")
def source():
    site = SiteSource(site_files(SAMPLE))
    list(parcel_results(site, SETTINGS, parcel_ids=["P01"]))  # reads the layers and loads what is loaded on first use
    return site


@pytest.mark.benchmark(group="parcel")
@pytest.mark.parametrize("parcel_id", PARCELS)
def test_one_parcel(benchmark, source, parcel_id):
    result = benchmark.pedantic(
        lambda: next(parcel_results(source, SETTINGS, parcel_ids=[parcel_id])), rounds=3, iterations=1
    )
    assert not result.failure
    total = sum(result.seconds.values())
    shares = {part: round(seconds / total, 3) for part, seconds in result.seconds.items()}
    benchmark.extra_info.update(shares)
    print(f"\n{parcel_id} {total:.3f} s", *(f"{part} {share:.0%}" for part, share in shares.items()))


def columns(result):
    return {name: raw_columns(rows, name) for name, rows in result.rows.items() if rows}


@pytest.mark.benchmark(group="writing")
def test_writing_all_parcels(benchmark, source, tmp_path):
    results = list(parcel_results(source, SETTINGS, parcel_ids=PARCELS))
    now = datetime.now(UTC)
    facts = run_info(source, SETTINGS, now, now)
    file = PlanWriter(step_layers(installed_steps()), source.crs)
    benchmark.pedantic(
        lambda: file.write(tmp_path / "plan.gpkg", map(columns, results), lambda: facts),
        rounds=3,
        iterations=1,
        warmup_rounds=1,
    )
    planning = sum(sum(result.seconds.values()) for result in results)
    benchmark.extra_info["over planning"] = round(benchmark.stats["median"] / planning, 3)
    print(f"\nwriting {len(results)} parcels takes {benchmark.stats['median'] / planning:.1%} of planning them")
