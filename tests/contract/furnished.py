"""Real plots, furnished with invented gardens: everything that a site may hold, drawn by a seed for each plot.

Plots, buildings and streets: `bubenec.gpkg`, carried by the package momepy (OpenStreetMap contributors, ODbL), a
quarter of Prague in Web Mercator. Terraces, paths, drives, beds, ponds, trees, walls, hedges, ledges, posts and the
terrain are invented, as no open data has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas
import momepy
import numpy as np
import pandas as pd
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry
from shapely.ops import substring

STRETCH = 1.56
"""Web Mercator draws ground at this latitude so much larger."""

Rows = dict[str, list[dict[str, Any]]]


def bubenec(numbers: Sequence[int] | None = None) -> dict[str, geopandas.GeoDataFrame]:
    """Plots (all, or those of some rows), buildings and streets as layers of a site, gardens included."""
    source = momepy.datasets.get_path("bubenec")
    plots, buildings, streets = (
        geopandas.read_file(source, layer=name)[["geometry"]] for name in ("plots", "buildings", "streets")
    )
    chosen = list(range(len(plots))) if numbers is None else list(numbers)
    parcels = plots.iloc[chosen].assign(parcel_id=[f"plot-{number}" for number in chosen])
    houses = shapely.union_all(buildings.geometry)
    rows: Rows = {}
    for number, plot in zip(chosen, parcels.geometry, strict=True):
        for layer, found in garden(number, plot, plot.intersection(houses)).items():
            rows.setdefault(layer, []).extend(found)
    layers = {"parcels": parcels, "buildings": buildings, "streets": streets}
    return layers | {
        name: geopandas.GeoDataFrame(pd.DataFrame(found), geometry="geometry", crs=plots.crs)
        for name, found in rows.items()
    }


def garden(number: int, plot: Polygon, house: BaseGeometry) -> Rows:
    """What stands and lies on a plot; some plots have little, some have everything."""
    rng = np.random.default_rng(number)
    made = _Garden(rng, plot, house)
    for add, chance in (
        (made.terrace, 0.5),
        (made.path, 0.5),
        (made.drive, 0.3),
        (made.border, 0.5),
        (made.island_beds, 0.5),
        (made.pond, 0.25),
        (made.trees, 0.6),
        (made.wall_or_fence, 0.6),
        (made.hedge, 0.3),
        (made.kerb, 0.2),
        (made.ledge, 0.2),
        (made.posts, 0.3),
    ):
        if rng.random() < chance:
            add()
    return made.rows


class _Garden:
    def __init__(self, rng: np.random.Generator, plot: Polygon, house: BaseGeometry) -> None:
        self.rng, self.plot, self.house = rng, plot, house
        self.rows: Rows = {}

    def add(self, layer: str, geometry: BaseGeometry, **columns: Any) -> None:
        inside = geometry.intersection(self.plot)
        if not inside.is_empty:
            parts = [part for part in shapely.get_parts(inside) if part.geom_type == geometry.geom_type]
            self.rows.setdefault(layer, []).extend({**columns, "geometry": part} for part in parts)

    def metres(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high)) * STRETCH

    def place(self) -> Point:
        left, bottom, right, top = self.plot.bounds
        for _ in range(50):
            point = Point(self.rng.uniform(left, right), self.rng.uniform(bottom, top))
            if self.plot.contains(point):
                return point
        return self.plot.representative_point()

    def along_boundary(self) -> LineString:
        """A stretch of the plot's outline."""
        ring = LineString(shapely.get_exterior_ring(self.plot))
        start, length = self.rng.uniform(0, 0.6), self.rng.uniform(0.1, 0.4)
        return substring(ring, start, start + length, normalized=True)

    def terrace(self) -> None:
        if not self.house.is_empty:
            wall = self.house.boundary.intersection(self.place().buffer(self.metres(4, 10)))
            ground = wall.buffer(self.metres(1.5, 4), cap_style="flat").difference(self.house)
            level = str(self.rng.choice(["flush", "raised", "sunken", "unknown"]))
            self.add_areas("hard_surfaces", ground, use="terrace", level=level)

    def add_areas(self, layer: str, ground: BaseGeometry, **columns: Any) -> None:
        for part in shapely.get_parts(ground.buffer(0)):
            self.add(layer, part, **columns)

    def path(self) -> None:
        way = LineString([self.place(), self.place(), self.place()])
        level = str(self.rng.choice(["flush", "flush", "raised", "unknown"]))
        self.add_areas("hard_surfaces", way.buffer(self.metres(0.3, 0.7)), use="path", level=level)

    def drive(self) -> None:
        way = LineString([self.place(), shapely.get_exterior_ring(self.plot).interpolate(self.rng.uniform(0, 200))])
        self.add_areas("hard_surfaces", way.buffer(self.metres(1.2, 1.8)), use="drive", level="flush")

    def border(self) -> None:
        strip = self.along_boundary().buffer(self.metres(0.4, 2.0))
        self.add_areas("beds", strip, kind="shrubs")

    def island_beds(self) -> None:
        for _ in range(self.rng.integers(1, 5)):
            shape = self.place().buffer(self.metres(0.3, 2.0), quad_segs=int(self.rng.integers(1, 6)))
            self.add("beds", shape, kind="flowers")

    def pond(self) -> None:
        self.add("water", self.place().buffer(self.metres(0.8, 2.5)), kind="pond")

    def trees(self) -> None:
        for _ in range(self.rng.integers(1, 9)):
            trunk = float(self.rng.uniform(0.04, 0.6)) if self.rng.random() < 0.8 else None
            self.add("trees", self.place(), trunk_diameter_m=trunk, crown_diameter_m=None, height_m=None)

    def wall_or_fence(self) -> None:
        kind = str(self.rng.choice(["wall", "fence"]))
        self.add("barriers", self.along_boundary(), kind=kind, height_m=1.2)

    def hedge(self) -> None:
        self.add("barriers", LineString([self.place(), self.place()]), kind="hedge", height_m=1.5)

    def kerb(self) -> None:
        height = self.rng.choice([0.02, 0.1, np.nan])
        self.add("barriers", LineString([self.place(), self.place()]), kind="kerb", height_m=float(height))

    def ledge(self) -> None:
        self.add("barriers", LineString([self.place(), self.place()]), kind="drop", height_m=0.8)

    def posts(self) -> None:
        for _ in range(self.rng.integers(1, 4)):
            rigid = [True, False, None][int(self.rng.integers(3))]
            height = self.rng.choice([0.1, 1.0, np.nan])
            self.add("obstacles", self.place(), rigid=rigid, height_m=float(height))


def write_site(folder: Path, layers: dict[str, geopandas.GeoDataFrame]) -> Path:
    """Write a site folder: `s.gpkg` and `dem.tif`."""
    folder.mkdir(parents=True)
    for name, table in layers.items():
        table.to_file(folder / "s.gpkg", layer=name)
    rolling_dem(folder / "dem.tif", layers["parcels"])
    return folder


def rolling_dem(path: Path, plots: geopandas.GeoDataFrame) -> None:
    """Hills with 2 cm of noise, correlated over some metres, 1 m cells of Web Mercator; some banks too steep to mow."""
    left, bottom, right, top = plots.total_bounds
    columns, rows = int(right - left) + 60, int(top - bottom) + 60
    x, y = np.meshgrid(np.arange(columns) + np.floor(left), np.arange(rows) - np.ceil(top))
    rng = np.random.default_rng(3)
    noise = sum(rng.normal(0, 0.01) * np.sin(x / scale + y / (2 * scale)) for scale in (2.5, 4.0, 7.0))
    hills = 1.2 * np.sin(x / 60) + 0.9 * np.cos(y / 45) + noise
    bank = 1.5 / (1 + np.exp(-np.sin(x / 90 + y / 160) * 40))
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=plots.crs.to_wkt(),
        transform=from_origin(left - 30, top + 30, 1.0, 1.0),
    ) as dataset:  # fmt: skip
        dataset.write((200 + hills + bank).astype("float32"), 1)
