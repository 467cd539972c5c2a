"""A finished plan as the checker sees it: one parcel at a time, in ground metres, with its wire taken apart.

Nothing here comes from lawngis: the plan is read with pyogrio, and the local plane is built with pyproj.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from rasterio.warp import transform_bounds
from rasterio.windows import Window
from shapely import LineString
from shapely.geometry.base import BaseGeometry

Array = NDArray[np.float64]

LEADS = ("lead_out", "lead_back")


@dataclass(frozen=True)
class Violation:
    """One place where a plan breaks the contract; rule 0 is the shape of the file, a word a rule of the trade."""

    rule: int | str
    parcel_id: str | None
    where: str
    text: str

    def __str__(self) -> str:
        return f"rule {self.rule}, {self.parcel_id or 'file'}, {self.where}: {self.text}"


@dataclass(frozen=True)
class Run:
    """One piece of the wire, in frame metres."""

    seq: int
    kind: str
    xy: Array
    edge_class: str | None
    setback_m: float
    from_m: float
    to_m: float
    island_id: str | None

    @property
    def is_lead(self) -> bool:
        return self.kind in LEADS

    @cached_property
    def line(self) -> LineString:
        return LineString(self.xy)

    @property
    def place(self) -> str:
        return f"run {self.seq} ({self.kind})"


@dataclass(frozen=True)
class LeadPair:
    """The way out to an island (or a detached zone) and the way back."""

    out: Run
    back: Run


@dataclass(frozen=True)
class TakenApart:
    """A loop without its leads: closed rings (the first is the outer one), and the leads that joined them."""

    rings: tuple[tuple[Run, ...], ...]
    pairs: tuple[LeadPair, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True)
class Loop:
    """One wire_path with its runs in laying order and the zones that it serves."""

    loop_id: str
    row: pd.Series
    xy: Array
    runs: tuple[Run, ...]
    zones: tuple[BaseGeometry, ...]
    zone_ids: tuple[str, ...]

    @cached_property
    def taken_apart(self) -> TakenApart:
        return take_apart(self.runs)

    @cached_property
    def line(self) -> LineString:
        return LineString(self.xy)

    def of_kind(self, *kinds: str) -> list[Run]:
        return [run for run in self.runs if run.kind in kinds]


@dataclass(frozen=True)
class Terrain:
    """Cells of the terrain model around a parcel: places in the plane [m], shape (rows, cols, 2), and heights [m]."""

    xy: Array
    z: Array


@dataclass(frozen=True)
class ParcelView:
    """All rows of one parcel, geometry in a plane of ground metres centred on it."""

    parcel_id: str
    layers: dict[str, pd.DataFrame]
    site: dict[str, geopandas.GeoDataFrame]
    terrain: Terrain | None = None

    def rows(self, layer: str) -> pd.DataFrame:
        return self.layers[layer]

    def shapes(self, layer: str, **wanted: Any) -> list[BaseGeometry]:
        """Geometries of the rows whose columns have the wanted values."""
        rows = self.layers[layer]
        for column, value in wanted.items():
            rows = rows[rows[column] == value]
        return [shape for shape in rows.geometry if shape is not None]

    @property
    def status(self) -> str:
        return str(self.rows("summary")["status"].iloc[0])

    @cached_property
    def loops(self) -> tuple[Loop, ...]:
        return tuple(_loop(self, row) for _, row in self.rows("wire_path").iterrows())


def _loop(view: ParcelView, row: pd.Series) -> Loop:
    runs = view.rows("wire_runs")
    zones = view.rows("zones")
    own = zones[zones["loop_id"] == row["loop_id"]]
    return Loop(
        loop_id=row["loop_id"],
        row=row,
        xy=shapely.get_coordinates(row["geometry"]),
        runs=tuple(_run(r) for _, r in runs[runs["loop_id"] == row["loop_id"]].sort_values("seq").iterrows()),
        zones=tuple(own.geometry),
        zone_ids=tuple(own["zone_id"]),
    )


def _run(row: pd.Series) -> Run:
    return Run(
        seq=int(row["seq"]),
        kind=row["run_kind"],
        xy=shapely.get_coordinates(row["geometry"]),
        edge_class=text_or_none(row["edge_class"]),
        setback_m=float(row["setback_m"]) if pd.notna(row["setback_m"]) else float("nan"),
        from_m=float(row["from_m"]),
        to_m=float(row["to_m"]),
        island_id=text_or_none(row["island_id"]),
    )


def text_or_none(value: Any) -> str | None:
    """A cell of a text column, with every kind of empty as None."""
    return None if pd.isna(value) or value == "" else str(value)


def take_apart(runs: tuple[Run, ...]) -> TakenApart:
    """Cut the leads out: what lies between a lead_out and its lead_back is a ring of its own."""
    rings: list[list[Run]] = [[]]
    open_leads: list[tuple[Run, list[Run]]] = []
    pairs: list[LeadPair] = []
    problems: list[str] = []
    for run in runs:
        if run.kind == "lead_out":
            rings.append([])
            open_leads.append((run, rings[-1]))
        elif run.kind == "lead_back" and open_leads:
            pairs.append(LeadPair(open_leads.pop()[0], run))
        elif run.kind == "lead_back":
            problems.append(f"{run.place} comes back from nowhere")
        else:
            (open_leads[-1][1] if open_leads else rings[0]).append(run)
    problems += [f"{run.place} never comes back" for run, _ in open_leads]
    return TakenApart(tuple(tuple(ring) for ring in rings), tuple(pairs), tuple(problems))


def read_layers(path: Path) -> dict[str, pd.DataFrame]:
    """Every vector layer and attribute table of a GeoPackage, by its name in lower case."""
    names = [str(name) for name, _ in pyogrio.list_layers(path)]
    return {name.lower(): pyogrio.read_dataframe(path, layer=name) for name in names}


def site_files(site: Path) -> list[Path]:
    """The GeoPackages of a site."""
    return sorted(site.glob("*.gpkg")) if site.is_dir() else [site]


def read_site(site: Path) -> dict[str, geopandas.GeoDataFrame]:
    """Layers of the site that have geometry."""
    tables: dict[str, geopandas.GeoDataFrame] = {}
    for path in site_files(site):
        tables |= {n: t for n, t in read_layers(path).items() if isinstance(t, geopandas.GeoDataFrame)}
    return tables


@lru_cache(maxsize=64)
def ground_plane(crs: CRS, middle: tuple[float, float]) -> Transformer:
    """Transformer into a transverse Mercator of scale 1 about a point, on the datum of `crs`."""
    flat = crs.to_2d() if len(crs.axis_info) > 2 else crs
    datum = flat.geodetic_crs
    to_degrees = Transformer.from_crs(flat, datum, always_xy=True)
    longitude, latitude = to_degrees.transform(*middle)
    plane = ProjectedCRS(
        TransverseMercatorConversion(
            latitude_natural_origin=latitude, longitude_natural_origin=longitude, scale_factor_natural_origin=1.0
        ),
        geodetic_crs=datum,
    )
    return Transformer.from_crs(flat, plane, always_xy=True)


def moved(table: pd.DataFrame, transformer: Transformer) -> pd.DataFrame:
    """A table with its geometry brought into the plane, without a CRS; attribute tables as they are."""
    if not isinstance(table, geopandas.GeoDataFrame):
        return table

    def flat(xy: Array) -> Array:
        return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))

    shapes = shapely.transform(shapely.force_2d(table.geometry.to_numpy()), flat)
    return geopandas.GeoDataFrame(
        table.drop(columns=table.geometry.name), geometry=geopandas.GeoSeries(shapes, index=table.index)
    )


def read_terrain(dem: Path, window: tuple[float, float, float, float], crs: CRS, plane: Transformer) -> Terrain | None:
    """The cells of a terrain model in a box of some CRS, brought into the plane; None where it has none."""
    with rasterio.open(dem) as file:
        box = transform_bounds(crs, file.crs, *window)
        part = file.window(*box).round_offsets().round_lengths().intersection(Window(0, 0, *file.shape[::-1]))
        z = file.read(1, window=part, masked=True).astype(float).filled(np.nan)
        columns, rows = np.meshgrid(np.arange(z.shape[1]) + 0.5, np.arange(z.shape[0]) + 0.5)
        x, y = file.window_transform(part) * (columns, rows)
        to_plan = Transformer.from_crs(file.crs, crs, always_xy=True)
    return Terrain(np.dstack(plane.transform(*to_plan.transform(x, y))), z) if min(z.shape) > 2 else None


def parcel_views(
    plan: dict[str, pd.DataFrame], site: dict[str, geopandas.GeoDataFrame], dem: Path | None = None
) -> Iterator[ParcelView]:
    """The parcels of a plan one after the other, but for failed ones that came without a usable outline."""
    crs = plan["summary"].crs
    outlined = ~(plan["summary"].geometry.isna() | plan["summary"].geometry.is_empty)
    for _, row in plan["summary"][outlined].iterrows():
        min_x, min_y, max_x, max_y = row.geometry.bounds
        transformer = ground_plane(crs, ((min_x + max_x) / 2, (min_y + max_y) / 2))
        own = {name: moved(t[t["parcel_id"] == row["parcel_id"]], transformer) for name, t in plan.items()}
        near = {name: moved(_near(t, row.geometry), transformer) for name, t in site.items() if t.crs == crs}
        box = row.geometry.buffer(5.0).bounds
        terrain = None if dem is None or not crs.is_projected else read_terrain(dem, box, crs, transformer)
        yield ParcelView(str(row["parcel_id"]), own, near, terrain)


def _near(table: geopandas.GeoDataFrame, parcel: BaseGeometry) -> geopandas.GeoDataFrame:
    min_x, min_y, max_x, max_y = parcel.bounds
    margin = max(max_x - min_x, max_y - min_y)
    return table.cx[min_x - margin : max_x + margin, min_y - margin : max_y + margin]


# Geometry of lines -------------------------------------------------------------------------------------------------


def without_repeats(xy: Array, closer_than_m: float) -> Array:
    """Vertices of a line without those that follow their predecessor closer than a length."""
    kept = [xy[0]]
    for point in xy[1:]:
        if np.hypot(*(point - kept[-1])) >= closer_than_m:
            kept.append(point)
    return np.asarray(kept)


def chainages(xy: Array) -> Array:
    """Distance along a line at each vertex [m]."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])


def deflections_deg(xy: Array) -> Array:
    """Unsigned change of direction at each inner vertex [degrees]."""
    step = np.diff(xy, axis=0)
    before, after = step[:-1], step[1:]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.abs(np.degrees(np.arctan2(cross, np.einsum("ij,ij->i", before, after))))


def at_chainage(xy: Array, chainage_m: Array) -> Array:
    """Points of a line at distances along it."""
    along = chainages(xy)
    return np.column_stack([np.interp(chainage_m, along, xy[:, i]) for i in (0, 1)])


def largest_gap_m(a: Array, b: Array) -> float:
    """How far two lines that ought to be the same get apart when both are walked at one pace [m]."""
    if not (chainages(a)[-1] and chainages(b)[-1]):
        return float(np.hypot(*(a[0] - b[0])))
    share = np.union1d(chainages(a) / chainages(a)[-1], chainages(b) / chainages(b)[-1])
    apart = at_chainage(a, share * chainages(a)[-1]) - at_chainage(b, share * chainages(b)[-1])
    return float(np.max(np.hypot(*apart.T)))


def winding_numbers(ring: Array, points: Array) -> NDArray[np.int_]:
    """How often a closed line goes anti-clockwise round each point: the sum of the angles seen from it, over 2 pi."""
    numbers = []
    for part in np.array_split(points, max(1, len(points) * len(ring) // 1_000_000)):
        to_vertex = ring[None, :, :] - part[:, None, :]
        a, b = to_vertex[:, :-1], to_vertex[:, 1:]
        cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
        numbers.append(np.arctan2(cross, np.sum(a * b, axis=-1)).sum(axis=1) / (2 * np.pi))
    return np.rint(np.concatenate(numbers)).astype(int)


def place(xy: Array) -> str:
    """A point of the plane in words, for messages."""
    return f"({xy[0]:.2f}, {xy[1]:.2f}) m from the parcel's middle"
