"""Plans read back for their documents: one parcel at a time, in its measuring frame, where a unit is a metre."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import isnan
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
from pyproj import CRS
from shapely import MultiPolygon, box
from shapely.geometry.base import BaseGeometry

from lawngis.errors import ParameterError, PlanError
from lawngis.geometry.frame import MeasuringFrame

from .. import gpkg
from ..fingerprints import sha256
from ..layers import PLAN_LAYERS
from ..plans import Row

CONTEXT_LAYERS = ("streets", "hard_surfaces", "buildings", "water", "barriers", "trees", "outlets", "sprinklers")
"""Layers of the site that show where one is, undermost first."""

CONTEXT_MARGIN_M = 4.0
"""As much of the surroundings is shown (common practice, no source)."""


@dataclass(frozen=True)
class ParcelPlan:
    """Plan of one parcel as its documents need it: rows by layer, geometries in the parcel's measuring frame.

    Parameters
    ----------
    parcel_id
        Its name.
    frame
        Measuring frame; y is true north.
    rows
        Layer name to rows; absent values are None, an empty geometry stays empty.
    context
        Layer of the site to geometries around the parcel.
    run_info
        How the plan was made: key to value.
    """

    parcel_id: str
    frame: MeasuringFrame
    rows: Mapping[str, Sequence[Row]]
    run_info: Mapping[str, str]
    context: Mapping[str, Sequence[BaseGeometry]] = field(default_factory=dict)

    @property
    def summary(self) -> Row:
        """The parcel's row."""
        return self.rows["summary"][0]

    @property
    def outline(self) -> BaseGeometry:
        """The parcel in its frame [m]."""
        return self.summary["geometry"]

    @property
    def title(self) -> str:
        """Name and, where it has one, label."""
        label = self.summary.get("label")
        return f"{self.parcel_id} · {label}" if label else self.parcel_id

    @property
    def failed(self) -> bool:
        """Whether nothing but the reason is known."""
        return bool(self.summary["status"] == "failed")

    @cached_property
    def bounds(self) -> tuple[float, float, float, float]:
        """Bounds of the parcel [m]."""
        return self.outline.bounds

    def select(self, layer: str, **where: Any) -> list[Row]:
        """Return the rows of a layer whose columns equal the values given."""
        return [row for row in self.rows.get(layer, ()) if all(row.get(key) == value for key, value in where.items())]


@dataclass(frozen=True)
class PlanFile:
    """A plan on disk, read once."""

    path: Path
    tables: Mapping[str, pd.DataFrame]
    crs: CRS
    run_info: Mapping[str, str]
    context: Mapping[str, geopandas.GeoDataFrame]

    @cached_property
    def parcel_ids(self) -> list[str]:
        """Names of all parcels, in the order of the file."""
        return [str(name) for name in self.tables["summary"]["parcel_id"]]

    @cached_property
    def _groups(self) -> Mapping[str, Any]:
        """Where each parcel's rows are: layer to parcel to positions."""
        return {
            name: table.groupby("parcel_id", sort=False).indices
            for name, table in self.tables.items()
            if "parcel_id" in table
        }

    def parcels(self, wanted: Sequence[str] = ()) -> Iterator[ParcelPlan]:
        """Yield the parcels wanted (default: all) one by one."""
        for parcel_id in wanted or self.parcel_ids:
            yield self.parcel(parcel_id)

    def parcel(self, parcel_id: str) -> ParcelPlan:
        """Return one parcel's plan.

        Raises
        ------
        ParameterError
            When there is no such parcel.
        """
        if parcel_id not in self.parcel_ids:
            there = ", ".join(self.parcel_ids[:8])
            raise ParameterError(
                f"there is no parcel {parcel_id!r}", where=str(self.path), advice=f"There are {there}."
            )
        outline = self._of("summary", parcel_id).geometry.iloc[0]
        around = MultiPolygon([box(0, 0, 1e-6, 1e-6)]) if outline is None or outline.is_empty else outline
        frame = MeasuringFrame.centred_on(around, self.crs)
        rows = {name: _in_frame(self._of(name, parcel_id), frame) for name in PLAN_LAYERS if name != "run_info"}
        outline_m = rows["summary"][0]["geometry"]
        shown = {} if outline_m.is_empty else self._context_around(outline_m, frame)
        return ParcelPlan(parcel_id, frame, rows, self.run_info, shown)

    def _of(self, layer: str, parcel_id: str) -> Any:
        table = self.tables[layer]
        return table.iloc[self._groups[layer].get(parcel_id, [])]

    def _context_around(self, outline: BaseGeometry, frame: MeasuringFrame) -> dict[str, list[BaseGeometry]]:
        wanted = box(*outline.buffer(CONTEXT_MARGIN_M).bounds)
        found: dict[str, list[BaseGeometry]] = {}
        for name, table in self.context.items():
            source = CRS.from_user_input(table.crs)
            reach = frame.to_source(np.array([wanted], dtype=object))[0]
            if source != self.crs:
                reach = geopandas.GeoSeries([reach], crs=self.crs).to_crs(source).iloc[0]
            near = table.geometry.iloc[table.sindex.query(reach)]
            near = near[near.is_valid & ~near.is_empty]
            cut = [shape.intersection(wanted) for shape in frame.to_frame(near.to_numpy(), source)]
            found[name] = [shape for shape in cut if not shape.is_empty]
        return found


def _absent(value: Any) -> bool:
    return value is None or value is pd.NA or (isinstance(value, float) and isnan(value))


def _in_frame(table: Any, frame: MeasuringFrame) -> list[Row]:
    columns = [name for name in table.columns if name != "geometry"]
    rows: list[dict[str, Any]] = [{} for _ in range(len(table))]
    for name in columns:
        for row, value in zip(rows, table[name].tolist(), strict=True):
            row[name] = None if _absent(value) else value
    if "geometry" in table:
        shapes = table.geometry.to_numpy()
        moved = frame.to_frame(shapes) if len(shapes) else shapes
        for row, shape in zip(rows, moved, strict=True):
            row["geometry"] = MultiPolygon() if shape is None else shape
    return list(rows)


_NEEDED = ("summary", "zones", "wire_path", "run_info")
"""Without these it is no plan; others may have come with a later version, and are then empty."""


def plan_file(path: Path, site: Path | None = None) -> PlanFile:
    """Return a plan and, as far as they can be had, the layers of its site that show where one is.

    Parameters
    ----------
    path
        ``plan.gpkg``, or the folder that it is in.
    site
        GeoPackage or folder of the site. Default: the inputs named in the plan, as long as they are unchanged.

    Raises
    ------
    SiteError, LayerError
        When a file can't be read.
    PlanError
        When it is no plan: a layer or column of the contract is missing.
    """
    path = path / "plan.gpkg" if path.is_dir() else path
    stored = {info.name: info for info in gpkg.layer_overview(path)}
    tables: dict[str, pd.DataFrame] = {}
    for name, spec in PLAN_LAYERS.items():
        if name not in stored:
            if name in _NEEDED:
                raise PlanError(f"is no plan: the layer {name} is missing", where=str(path), advice="Name a plan.gpkg.")
            tables[name] = pd.DataFrame({column.name: [] for column in spec.columns})
            continue
        absent = [column for column in spec.columns if column.name not in stored[name].columns]
        needed = [column.name for column in absent if not column.nullable]
        if needed:
            raise PlanError(
                f"the layer {name} has no column {needed[0]}",
                where=str(path),
                advice="Plan the site again with this version of lawngis.",
            )
        tables[name] = gpkg.read_layer(path, name) if spec.geometry else gpkg.read_table(path, name)
        for column in absent:  # a plan of an earlier version, or edited: that is then not known
            tables[name][column.name] = None
    crs = stored["summary"].crs
    if crs is None:
        raise PlanError("has no CRS", where=(str(path), "summary"))
    info = tables.pop("run_info")
    facts = {str(key): str(value) for key, value in zip(info["key"], info["value"], strict=True)}
    return PlanFile(path, tables, crs, facts, _context(facts, site))


def _context(facts: Mapping[str, str], site: Path | None) -> dict[str, geopandas.GeoDataFrame]:
    places = _named_by_person(site) if site else _named_in_plan(facts)
    found = {}
    for name, (file, layer) in places.items():
        table = gpkg.read_layer(file, layer, columns=())
        if table.crs is not None:
            found[name] = table
    return found


def _named_by_person(site: Path) -> dict[str, tuple[Path, str]]:
    files = sorted(site.glob("*.gpkg")) if site.is_dir() else [site]
    if not files:
        raise ParameterError(f"--site {site} has no GeoPackage")
    return {
        info.name.lower(): (file, info.name)
        for file in files
        for info in gpkg.layer_overview(file)
        if info.name.lower() in CONTEXT_LAYERS and info.geometry_type and info.crs
    }


_LAYER_FACT = re.compile(r"(?P<file>.+), layer (?P<layer>.+), \d+ features, ")


def _named_in_plan(facts: Mapping[str, str]) -> dict[str, tuple[Path, str]]:
    """Inputs by their hash: a file that has changed since then would show what the plan never saw."""
    prefix = "sha256 "
    files = {Path(key.removeprefix(prefix)).name: key for key in facts if key.startswith(prefix)}
    unchanged: dict[str, Path | None] = {}
    places = {}
    for name in CONTEXT_LAYERS:
        match = _LAYER_FACT.match(facts.get(f"layer {name}", ""))
        if match is None:
            continue
        file_name = Path(match["file"]).name
        if file_name not in unchanged:
            unchanged[file_name] = _if_unchanged(files.get(file_name), facts)
        file = unchanged[file_name]
        if file is not None:
            places[name] = (file, match["layer"])
    return places


def _if_unchanged(key: str | None, facts: Mapping[str, str]) -> Path | None:
    if key is None:
        return None
    path = Path(key.removeprefix("sha256 "))
    try:
        return path if path.is_file() and sha256(path) == facts[key] else None
    except OSError:
        return None


def data_sources(facts: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what the plan was made from, with its accuracy: name and words."""
    sources = [
        (key.partition(" ")[2], _without_folder(value))
        for key, value in facts.items()
        if key.startswith(("layer ", "raster "))
    ]
    for key, what in (("accuracy.position_sd_m", "mapped edges"), ("accuracy.dem_sd_m", "elevations")):
        if key in facts:
            sources.append((f"accuracy of {what}", f"standard deviation {float(facts[key]):g} m"))
    return sources


def _without_folder(value: str) -> str:
    """Folders of the machine that planned are nobody's business."""
    file, comma, rest = value.partition(", ")
    return re.split(r"[/\\\\]", file)[-1] + comma + rest


def made_by(facts: Mapping[str, str]) -> str:
    """Return version and time of the plan in words."""
    version = facts.get("lawngis version", "of unknown version")
    return f"lawngis {version}, planned {facts.get('finished', 'at an unknown time')[:16].replace('T', ' ')} UTC"
