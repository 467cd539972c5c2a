"""Many parcels through the real command: parcels a second, scaling, growth in time and memory, cost of the engine.

Plots, buildings and streets of a quarter (`bubenec.gpkg`, carried by the package momepy; OpenStreetMap contributors,
ODbL) are laid out side by side as often as needed, on a terrain model in as many tiles. Each run is a process of its
own.

Run with ``python -m pytest tests/bench/bench_portfolio.py -o python_files='bench_*.py' -s``. LAWNGIS_BENCH_PARCELS says
how many parcels the large run has (default 600; 10000 takes most of an hour on two cores); the small one has a tenth.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import momepy
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
from rasterio.transform import from_origin

psutil = pytest.importorskip("psutil", reason="comes with the extra cluster")

LARGE = int(os.environ.get("LAWNGIS_BENCH_PARCELS", "600"))
SMALL = max(60, LARGE // 10)

GAP_M = 60.0
"""Between the copies, wider than what is read around a parcel."""

COMMAND = "import sys; from lawngis.processing.cli.main import main; sys.exit(main())"

PLAIN_LOOP = """
import sys
from pathlib import Path
from lawngis.mower import built_in_profile
from lawngis.processing.files.gpkg import raw_columns
from lawngis.processing.planning.interference import neighbour_findings
from lawngis.processing.planning.plan_writer import PlanWriter, merged
from lawngis.processing.planning.supervisor import parcel_results
from lawngis.processing.planning.ranking import ranking_row
from lawngis.processing.files.packing import packed_rows
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, installed_steps, step_layers

class Done:
    def __init__(self, result):
        self.result, self.ranking_row = result, ranking_row(result.rows)
    def columns(self):
        return {name: raw_columns(rows, name) for name, rows in self.result.rows.items() if rows}
    def wires(self):
        return packed_rows({"wire_path": self.result.rows["wire_path"]})

source = SiteSource(site_files(Path(sys.argv[1])))
mower = built_in_profile()
order = [name for chunk in source.chunks(source.parcel_ids, 16) for name in chunk]
done = {result.parcel_id: Done(result) for result in parcel_results(source, Settings(mower), parcel_ids=order)}
found = neighbour_findings(
    {name: one.result.reaches for name, one in done.items()}, lambda name: done[name].wires(),
    antenna_height_m=mower.antenna_height_m, crs=source.crs,
)
PlanWriter(step_layers(installed_steps()), source.crs).write(Path(sys.argv[2]), merged(done, found), list)
"""
"""The same plan by one process: parcel after parcel, all in memory, no tasks, no shards, no limits but the parcel's."""


@dataclass(frozen=True)
class Measured:
    """A run: its wall and processor time [s], and the most memory of the first process and of any other [MB]."""

    parcels: int
    wall_s: float
    cpu_s: float
    first_mb: float
    worker_mb: float

    def __str__(self) -> str:
        return (
            f"{self.parcels} parcels in {self.wall_s:.1f} s, {self.parcels / self.wall_s:.2f} a second, "
            f"{1e3 * self.cpu_s / self.parcels:.0f} ms of processor each; "
            f"first process {self.first_mb:.0f} MB, worker {self.worker_mb:.0f} MB"
        )


def measured(parcels: int, code: str, *words: object) -> Measured:
    """Run Python code in a fresh process and watch it and its children."""
    before = os.times()
    started = time.perf_counter()
    running = subprocess.Popen(
        [sys.executable, "-c", code, *map(str, words)],
        env={**os.environ, "OMP_NUM_THREADS": "1"},  # as the workers have it: a core each
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    peaks: dict[int, float] = {}
    watcher = threading.Thread(target=_watch, args=(running.pid, peaks), daemon=True)
    watcher.start()
    said, _ = running.communicate()
    wall_s = time.perf_counter() - started
    watcher.join()
    after = os.times()
    assert running.returncode in (0, 1), said[-2000:]
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    others = [peak for pid, peak in peaks.items() if pid != running.pid]
    return Measured(parcels, wall_s, cpu_s, peaks.get(running.pid, 0.0), max(others, default=0.0))


def _watch(pid: int, peaks: dict[int, float]) -> None:
    """Note the most memory that a process and its children hold, until it ends."""
    try:
        first = psutil.Process(pid)
        while first.is_running() and first.status() != psutil.STATUS_ZOMBIE:
            for process in (first, *first.children(recursive=True)):
                try:
                    held = process.memory_info().rss / 2**20
                except psutil.Error:
                    continue
                peaks[process.pid] = max(peaks.get(process.pid, 0.0), held)
            time.sleep(0.2)
    except psutil.Error:
        return


def build_site(folder: Path, parcels: int) -> Path:
    """A site of so many plots, in copies of the quarter side by side."""
    source = momepy.datasets.get_path("bubenec")
    layers = {name: gpd.read_file(source, layer=name) for name in ("plots", "buildings", "streets")}
    bounds = np.array([layers["plots"].total_bounds])[0]
    step = bounds[2:] - bounds[:2] + GAP_M
    copies = -(-parcels // len(layers["plots"]))
    columns = int(np.ceil(np.sqrt(copies)))
    folder.mkdir(parents=True)
    (folder / "dem").mkdir()
    moved: dict[str, list[gpd.GeoDataFrame]] = {name: [] for name in layers}
    for copy in range(copies):
        dx, dy = (copy % columns) * step[0], (copy // columns) * step[1]
        for name, table in layers.items():
            own = table[["geometry"]].assign(geometry=table.geometry.translate(dx, dy))
            if name == "plots":
                own["parcel_id"] = [f"c{copy:03d}-{row:03d}" for row in range(len(own))]
            moved[name].append(own)
        corner = bounds[0] + dx, bounds[3] + dy
        _put_dem(folder / "dem" / f"c{copy:03d}.tif", corner, step, layers["plots"].crs, copy)
    for name, tables in moved.items():
        whole = gpd.GeoDataFrame(pd.concat(tables, ignore_index=True), crs=layers["plots"].crs)
        whole = whole.iloc[:parcels] if name == "plots" else whole
        layer = "parcels" if name == "plots" else name
        pyogrio.write_dataframe(whole, folder / "site.gpkg", layer=layer, append=(folder / "site.gpkg").exists())
    return folder


def _put_dem(path: Path, corner: tuple[float, float], step: np.ndarray, crs: object, seed: int) -> None:
    """Gentle hills with 2 cm of noise, cells of a metre on one grid over all tiles."""
    left, top = np.floor(corner[0] - GAP_M / 2), np.ceil(corner[1] + GAP_M / 2)
    columns, rows = (np.ceil(step) + 2).astype(int)
    x, y = np.meshgrid(left + np.arange(columns), top - np.arange(rows))
    noise = np.random.default_rng(seed).normal(0, 0.02, x.shape)
    height = 200 + 2.0 * np.sin(x / 60) + 1.5 * np.cos(y / 45) + noise
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", nodata=-9999, crs=crs.to_wkt(),
        transform=from_origin(left, top, 1.0, 1.0), tiled=True, compress="deflate",
    ) as dataset:  # fmt: skip
        dataset.write(height.astype("float32"), 1)
        dataset.set_band_unit(1, "m")


class Runs:
    """Runs of the command, each made once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._done: dict[tuple[int, int], Measured] = {}

    def site(self, parcels: int) -> Path:
        folder = self._folder / f"site-{parcels}"
        return folder if folder.exists() else build_site(folder, parcels)

    def planned(self, parcels: int, workers: int) -> Measured:
        if (parcels, workers) not in self._done:
            out = self._folder / f"out-{parcels}-{workers}"
            words = ("plan", self.site(parcels), "--out", out, "--workers", workers)
            self._done[parcels, workers] = measured(parcels, COMMAND, *words)
            log = [json.loads(line) for line in (out / "plan.log.jsonl").read_text().splitlines()]
            assert len(log) == parcels == len(pyogrio.read_dataframe(out / "plan.gpkg", layer="summary"))
            print(f"\n{workers} workers: {self._done[parcels, workers]}")
        return self._done[parcels, workers]

    def looped(self, parcels: int) -> Measured:
        found = measured(parcels, PLAIN_LOOP, self.site(parcels), self._folder / f"loop-{parcels}.gpkg")
        print(f"\nplain loop: {found}")
        return found


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Runs:
    return Runs(tmp_path_factory.mktemp("portfolio"))


def test_two_workers_are_nearly_twice_as_fast(runs):
    one, two = runs.planned(SMALL, 1), runs.planned(SMALL, 2)
    print(f"\nscaling from 1 to 2 workers: {one.wall_s / two.wall_s:.2f}")
    assert one.wall_s / two.wall_s >= 1.8


def test_ten_times_the_parcels_take_ten_times_as_long_and_no_more_memory(runs):
    small, large = runs.planned(SMALL, 2), runs.planned(LARGE, 2)
    times = large.parcels / small.parcels
    growth = large.wall_s / small.wall_s / times
    processor = large.cpu_s / small.cpu_s / times
    print(f"\n{times:.0f} times the parcels: {growth:.2f} of the time each, {processor:.2f} of the processor's")
    print(f"memory: worker {large.worker_mb / small.worker_mb:.2f}, first {large.first_mb / small.first_mb:.2f} times")
    assert growth <= 1.1
    assert large.worker_mb / small.worker_mb <= 1.2
    assert large.first_mb / small.first_mb <= 1.2


def test_the_engine_costs_little_over_a_plain_loop(runs):
    loop, engine = runs.looped(SMALL), runs.planned(SMALL, 1)
    over = engine.wall_s / loop.wall_s - 1
    processor = engine.cpu_s / loop.cpu_s - 1
    print(f"\nengine over plain loop: {100 * over:.1f} % of time, {100 * processor:.1f} % of processor")
    assert over <= 0.10
