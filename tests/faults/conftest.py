"""Real processes on a small site of many parcels, and steps that misbehave when told to."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path
from types import SimpleNamespace

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
from affine import Affine
from shapely import box

sys.path.insert(0, str(Path(__file__).parent))  # for mutated

X0, Y0 = 500_000.0, 5_500_000.0
CRS = "EPSG:25832"
SIDE = 6

COMMAND = "import sys; from lawngis.processing.cli.main import main; sys.exit(main())"

MISCHIEF = """
import ctypes, os, signal, time
from lawngis.processing.steps.lawn import STEP as REAL

def misbehave(site, plan, mower, parameters):
    deed = os.environ.get("MISCHIEF_" + site.parcel_id, "")
    once = os.environ.get("MISCHIEF_ONCE")
    if deed and once:
        try:
            os.close(os.open(f"{once}-{site.parcel_id}", os.O_CREAT | os.O_EXCL))
        except FileExistsError:
            deed = ""
    if deed == "die":
        os.kill(os.getpid(), signal.SIGKILL)
    elif deed == "loop":
        while True:
            pass
    elif deed == "hang":  # within a library that holds the interpreter and never comes back
        ctypes.PyDLL(None).sleep(3600)
    elif deed == "eat":
        hoard = [bytearray(64 << 20) for _ in range(10_000)]
    elif deed == "slow":
        time.sleep(0.4)
    return REAL.compute(site, plan, mower, parameters)

import dataclasses
import lawngis.processing.steps.lawn as module
module.STEP = dataclasses.replace(REAL, compute=misbehave)
"""
"""Takes the place of the step `lawn` in every process that starts with it on its path."""


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site of 36 parcels, too small for a mower, as that is quick to find out."""
    folder = tmp_path_factory.mktemp("site")
    parcels = [
        box(X0 + 25 * column, Y0 + 20 * row, X0 + 25 * column + 2, Y0 + 20 * row + 2)
        for row in range(SIDE)
        for column in range(SIDE)
    ]
    names = [f"P{number:02d}" for number in range(len(parcels))]
    frame = geopandas.GeoDataFrame({"parcel_id": names}, geometry=parcels, crs=CRS)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(frame, folder / "site.gpkg", layer="parcels", driver="GPKG")
        beds = geopandas.GeoDataFrame({"kind": ["flowers"]}, geometry=[box(X0 + 1, Y0 + 1, X0 + 3, Y0 + 3)], crs=CRS)
        pyogrio.write_dataframe(beds, folder / "site.gpkg", layer="beds", append=True)
    columns, rows = 400, 340
    values = np.broadcast_to(100 + 0.01 * np.arange(columns), (rows, columns)).astype("float32")
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=CRS,
        transform=Affine(0.5, 0, X0 - 20, 0, -0.5, Y0 + 145),
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.set_band_unit(1, "m")
    return folder


@pytest.fixture
def faults(tmp_path: Path, site: Path) -> SimpleNamespace:
    """Start runs whose steps misbehave, and look at what is left of them."""
    code = tmp_path / "code"
    code.mkdir()
    (code / "mischief.py").write_text(MISCHIEF)
    (code / "sitecustomize.py").write_text("import os\nif os.environ.get('MISCHIEF'): import mischief\n")
    out = tmp_path / "out"

    def environment(**deeds: str) -> dict[str, str]:
        told = {f"MISCHIEF_{name}": deed for name, deed in deeds.items()}
        path = os.pathsep.join(filter(None, [str(code), os.environ.get("PYTHONPATH")]))
        return {**os.environ, **told, "MISCHIEF": "1", "PYTHONPATH": path}

    def start(*words: object, source: Path = site, **deeds: str) -> subprocess.Popen[str]:
        command = [sys.executable, "-c", COMMAND, "plan", str(source), "--out", str(out), *map(str, words)]
        return subprocess.Popen(
            command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(**deeds)
        )

    def run(*words: object, **options: object) -> SimpleNamespace:
        running = start(*words, **options)
        said, err = running.communicate(timeout=120)
        return SimpleNamespace(code=running.returncode, out=said, err=err)

    def log() -> list[dict[str, object]]:
        return [json.loads(line) for line in (out / "plan.log.jsonl").read_text().splitlines()]

    def wait_for_kept(parcels: int) -> None:
        deadline = time.monotonic() + 60
        path = out / "plan.log.jsonl"
        while time.monotonic() < deadline:
            if path.exists() and len(path.read_text().splitlines()) >= parcels:
                return
            time.sleep(0.05)
        raise AssertionError("nothing came in a minute")

    def summary() -> geopandas.GeoDataFrame:
        return pyogrio.read_dataframe(out / "plan.gpkg", layer="summary").set_index("parcel_id")

    return SimpleNamespace(
        start=start, run=run, log=log, wait_for_kept=wait_for_kept, summary=summary, out=out, tmp=tmp_path,
        environment=environment, parcels=SIDE * SIDE, kill=lambda running: os.kill(running.pid, signal.SIGKILL),
    )  # fmt: skip
