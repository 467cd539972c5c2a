"""Terrain and surface models of point clouds: points per second of CPU and peak memory, against reading alone.

Run by name: ``pytest tests/bench/bench_point_clouds.py --benchmark-enable --benchmark-group-by=group``. For one cloud
of any size, with and without classes: ``python tests/bench/bench_point_clouds.py 50000000``.
"""

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import laspy
import numpy as np
import pytest
from pyproj import CRS

DENSITY_M2 = 8.0
STRIP_POINTS = 500_000

MEASURED = """
import json, resource, sys
from pathlib import Path
from lawngis.processing.files.point_clouds import cloud_chunks, cloud_overview
from lawngis.processing.gathering.point_cloud import elevation_models
if sys.argv[1] == "read":
    points = sum(len(chunk.x) for chunk in cloud_chunks(cloud_overview(Path(sys.argv[2]))))
else:
    points = elevation_models([Path(sys.argv[2])], Path(sys.argv[3])).points_read
used = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"points": points, "seconds": used.ru_utime + used.ru_stime, "peak_mb": used.ru_maxrss / 1024}))
"""


def write_town(path, number, *, classes):
    """Hills with houses of 10 m every 40 m, in strips as an aircraft flies, a strip at a time."""
    random = np.random.default_rng(1)
    side_m = np.sqrt(number / DENSITY_M2)
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [500_000, 5_400_000, 0]
    header.add_crs(CRS.from_epsg(25832))
    strips = -(-number // STRIP_POINTS)
    with laspy.open(path, mode="w", header=header) as out:
        for strip in range(strips):
            count = min(STRIP_POINTS, number - strip * STRIP_POINTS)
            x = np.sort(random.uniform(0, side_m, count))
            y = random.uniform(strip, strip + 1, count) * side_m / strips
            house = (x % 40 < 10) & (y % 40 < 10)
            z = 100 + 0.05 * x + 3 * np.sin(x / 60) * np.cos(y / 80) + 6 * house + random.normal(0, 0.03, count)
            points = laspy.ScaleAwarePointRecord.zeros(count, header=header)
            points.x, points.y, points.z = 500_000 + x, 5_400_000 + y, z
            points.classification[:] = np.where(house, 6, 2) if classes else 0
            points.return_number[:], points.number_of_returns[:] = 1, 1
            out.write_points(points)
    return path


def measured(job, cloud, folder):
    done = subprocess.run(
        [sys.executable, "-c", MEASURED, job, cloud, folder], check=True, capture_output=True, text=True
    )
    return json.loads(done.stdout)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("bench")


@pytest.mark.parametrize("number", [500_000, 1_000_000, 2_000_000])
@pytest.mark.parametrize("job", ["read", "classes", "filter"])
def test_points_per_second(benchmark, folder, number, job):
    benchmark.group = f"{number:,} points"
    cloud = folder / f"{number}-{job == 'filter'}.laz"
    if not cloud.exists():
        write_town(cloud, number, classes=job != "filter")
    result = benchmark.pedantic(measured, (job, cloud, folder / "models"), rounds=3, warmup_rounds=1)
    benchmark.extra_info |= {"peak_mb": round(result["peak_mb"]), "points_s": round(number / result["seconds"])}


if __name__ == "__main__":
    with tempfile.TemporaryDirectory(dir=sys.argv[2] if len(sys.argv) > 2 else None) as place:
        for kind in ("classes", "filter"):
            start = time.perf_counter()
            town = write_town(Path(place) / f"{kind}.laz", int(sys.argv[1]), classes=kind == "classes")
            made = f"made in {time.perf_counter() - start:.0f} s, {town.stat().st_size >> 20} MB"
            for job in ("read", kind):
                said = measured(job, town, Path(place) / "models")
                rate = said["points"] / said["seconds"] / 1e6
                print(f"{kind}, {job}: {said['seconds']:.1f} s, {rate:.2f} million/s, {said['peak_mb']:.0f} MB; {made}")
            town.unlink()
