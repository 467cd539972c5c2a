"""Small invented sites, built in seconds, on which everything can be broken."""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas
import numpy as np
import pyogrio
import pytest
import rasterio
from affine import Affine
from shapely import Point, box

from lawngis.processing.cli.main import main

CRS_WORD = "EPSG:25832"
X0, Y0 = 500_000.0, 5_500_000.0
WIDTH_M, DEPTH_M = 20.0, 15.0
OURS = ("plan.gpkg", "plan.log.jsonl", "portfolio.csv")
"""What a plan of several parcels writes."""


def at(x: float, y: float) -> Point:
    """A point that many metres from the first parcel's south-west corner."""
    return Point(X0 + x, Y0 + y)


def block(x: float, y: float, width: float, depth: float) -> Any:
    """A rectangle, its corner that many metres from the first parcel's south-west corner."""
    return box(X0 + x, Y0 + y, X0 + x + width, Y0 + y + depth)


def tiny_parcel() -> Any:
    return block(0, 0, WIDTH_M, DEPTH_M)


def put_layer(path: Path, name: str, geometries: Any, *, crs: Any = CRS_WORD, **columns: Any) -> Path:
    """Write one layer of the site, as a GIS would."""
    frame = geopandas.GeoDataFrame(columns, geometry=list(geometries), crs=crs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", append=path.exists())
    return path


def put_dem(
    path: Path,
    *,
    crs: Any = CRS_WORD,
    left: float = X0 - 10,
    top: float = Y0 + DEPTH_M + 10,
    width_m: float = 60.0,
    depth_m: float = 35.0,
    cell: float = 0.5,
    holes: Any = None,
    heights: Any = None,
) -> Path:
    """Write a plane that rises 2 % to the east; `holes(x, y)` says where nothing is known.

    `heights(x, y)` gives other heights, of places in metres from the first parcel's south-west corner.
    """
    columns, rows = round(width_m / cell), round(depth_m / cell)
    x = left + (np.arange(columns) + 0.5) * cell
    y = top - (np.arange(rows) + 0.5) * cell
    values = np.broadcast_to(100 + 0.02 * (x - left), (rows, columns)).astype("float32")
    if heights is not None:
        values = np.broadcast_to(100 + heights(x[None, :] - X0, y[:, None] - Y0), (rows, columns)).astype("float32")
    if holes is not None:
        values = np.where(holes(x[None, :], y[:, None]), np.float32(-9999), values)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", nodata=-9999, crs=crs,
        transform=Affine(cell, 0, left, 0, -cell, top),
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.set_band_unit(1, "m")
    return path


def tiny_site(folder: Path, *, parcels: Any = None, ids: Any = None, dem: bool = True, **parcel_columns: Any) -> Path:
    """A folder with one parcel of 20 x 15 m, or those given, and a terrain model."""
    folder.mkdir(parents=True, exist_ok=True)
    outlines = [tiny_parcel()] if parcels is None else list(parcels)
    names = [f"P{number}" for number in range(1, len(outlines) + 1)] if ids is None else ids
    put_layer(folder / "site.gpkg", "parcels", outlines, parcel_id=names, **parcel_columns)
    if dem:
        put_dem(folder / "dem.tif")
    return folder


def hashes(folder: Path) -> Mapping[str, str]:
    """Every file below a folder, hidden ones too, with its content's hash."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@dataclass(frozen=True)
class Outcome:
    """What a command gave back."""

    code: int
    out: str
    err: str

    @property
    def said(self) -> str:
        """The one line that was said to the person."""
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        return lines[0]


@pytest.fixture(scope="session")
def build() -> SimpleNamespace:
    """What small sites are made of."""
    return SimpleNamespace(
        at=at,
        block=block,
        parcel=tiny_parcel,
        layer=put_layer,
        dem=put_dem,
        site=tiny_site,
        hashes=hashes,
        crs=CRS_WORD,
    )


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A sound site of one parcel."""
    return tiny_site(tmp_path / "site")


@pytest.fixture
def lawngis(capsys: pytest.CaptureFixture[str]) -> Callable[..., Outcome]:
    """The command line, run in this process."""

    def run(*words: object) -> Outcome:
        capsys.readouterr()
        code = main([str(word) for word in words])
        caught = capsys.readouterr()
        assert "Traceback" not in caught.out + caught.err
        return Outcome(code, caught.out, caught.err)

    return run


@pytest.fixture
def refused(lawngis: Callable[..., Outcome], tmp_path: Path) -> Callable[..., str]:
    """Run a plan that must be refused in one line, with nothing written and nothing changed; return the line."""

    def run(site: Path, *words: object, out: Path | None = None) -> str:
        before = hashes(tmp_path)
        outcome = lawngis("plan", site, "--out", out or tmp_path / "out", *words)
        assert outcome.code == 2, outcome
        assert outcome.out == ""
        assert hashes(tmp_path) == before
        return outcome.said

    return run


@pytest.fixture
def planned(lawngis: Callable[..., Outcome], tmp_path: Path) -> Callable[..., tuple[Outcome, geopandas.GeoDataFrame]]:
    """Run a plan that must be written whole, with the inputs untouched; return what was said and the summary."""

    def run(site: Path, *words: object, out: Path | None = None) -> tuple[Outcome, geopandas.GeoDataFrame]:
        target = (out or tmp_path / "out") / "plan.gpkg"
        before = {name: value for name, value in hashes(tmp_path).items() if not name.endswith(OURS)}
        outcome = lawngis("plan", site, "--out", target.parent, *words)
        after = hashes(tmp_path)
        assert str(target.relative_to(tmp_path)) in after
        assert {name: value for name, value in after.items() if not name.endswith(OURS)} == before
        summary = pyogrio.read_dataframe(target, layer="summary").set_index("parcel_id")
        assert outcome.code == int((summary["status"] == "failed").any()), outcome
        return outcome, summary

    return run
