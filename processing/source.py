"""What the user brings, ready to be cut into parcels: each with the features and elevations around it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import geopandas
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import FeatureError, LayerError, ParameterError, RasterError, SiteError
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.ground.raster import Grid

from . import rasters
from .features import Features, check_layer, identified, read_features
from .layers import SITE_LAYERS
from .plans import Finding
from .site_files import SiteFiles
from .sites import DataAccuracy, Site

NEIGHBOURHOOD_M = 40.0
"""How far around a parcel features are read: what stands there shades, hides or supplies."""

DEM_MARGIN_M = 5.0
"""How far around a parcel elevation is read: slope needs neighbours, edges a look at what lies beyond."""

SEGMENT_M = 20.0
"""Longest straight piece of a rectangle's side before it is moved to another CRS, where it may be bent."""

OVERLAP_SHARE = 0.001
"""Parcels may overlap by this share of their area before it is said: maps never fit to the centimetre."""

NODATA_SHARE_MAX = 0.5
"""With more of a parcel unknown than this, a plan would be a guess."""

UNITS_M: Mapping[str, float] = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
"""Units of elevation by the names that ``--dem-unit`` takes [m]."""


@dataclass(frozen=True)
class ReadOptions:
    """How a site is read, beyond its files."""

    dem_unit: str | None = None
    accuracy: DataAccuracy = field(default_factory=DataAccuracy)

    def __post_init__(self) -> None:
        if self.dem_unit is not None and self.dem_unit not in UNITS_M:
            raise ParameterError(f"--dem-unit {self.dem_unit!r} is none of {', '.join(UNITS_M)}")


class SiteSource:
    """A site that is ready to be cut into parcels.

    Parameters
    ----------
    files
        Where its layers and rasters are.
    options
        How to read them.

    Raises
    ------
    SiteError, LayerError, RasterError
        On opening, for what makes the whole site unusable.
    """

    def __init__(self, files: SiteFiles, options: ReadOptions | None = None) -> None:
        self.files = files
        self.options = options or ReadOptions()
        if "parcels" not in files.layers:
            raise SiteError("there is no layer parcels", where=str(files.path), advice=_parcels_advice(files))
        if "dem" not in files.rasters:
            raise SiteError("there is no terrain model", where=str(files.path), advice=_dem_advice(files))
        for name, place in files.layers.items():
            check_layer(SITE_LAYERS[name], place)
        self.raster_info = {name: rasters.raster_overview(file) for name, file in files.rasters.items()}
        self._layers: dict[str, Features] = {}
        self._parcels = identified(self._features("parcels"), files.layers["parcels"])
        self._common = self._common_findings()

    @cached_property
    def crs(self) -> CRS:
        """CRS of the parcels, to which results go back."""
        crs = self.files.layers["parcels"].info.crs
        if crs is None:
            raise LayerError(
                "has no CRS", where=str(self.files.layers["parcels"]), advice="Assign the right one in a GIS."
            )
        return horizontal_crs(crs)

    @property
    def dem_info(self) -> rasters.RasterInfo:
        """What is known of the terrain model without its values."""
        return self.raster_info["dem"]

    @property
    def parcel_ids(self) -> list[str]:
        """Names of the parcels, in the order of the file."""
        return list(self._parcels.table["parcel_id"])

    @cached_property
    def _rows(self) -> dict[str, int]:
        return {name: row for row, name in enumerate(self._parcels.table["parcel_id"])}

    def outline(self, parcel_id: str) -> BaseGeometry | None:
        """Return a parcel's outline as the file has it, or None when it has none that can be drawn."""
        geometry = self._parcels.table.geometry.iloc[self._rows[parcel_id]]
        return geometry if geometry is not None and not geometry.is_empty and geometry.is_valid else None

    def label(self, parcel_id: str) -> str:
        """Return what people call a parcel; empty when the file doesn't say."""
        value = self._parcels.table["label"].iloc[self._rows[parcel_id]]
        return "" if pd.isna(value) else str(value)

    def site(self, parcel_id: str) -> Site:
        """Return one parcel with what lies around it.

        Raises
        ------
        FeatureError
            When the parcel's outline can't be used.
        RasterError
            When the terrain model doesn't cover it.
        """
        row = self._rows[parcel_id]
        outline = self._parcels.table.geometry.iloc[row]
        where = (str(self.files.layers["parcels"]), f"parcel {parcel_id}")
        problem = self._parcels.broken.get(row)
        if problem:
            raise FeatureError(problem, where=where, advice="Redraw the parcel, or delete it.")
        try:
            frame = MeasuringFrame.centred_on(outline, self.crs)
        except ParameterError as error:
            raise error.within(*where) from error
        parcel = frame.to_frame([outline])[0]
        dem, dem_findings = self._dem_near(parcel, frame, where)
        dsm, dsm_findings = self._dsm_near(parcel, frame)
        layers, layer_findings = self._layers_near(parcel, frame)
        repairs = [Finding("caution", "parcel-repaired", f"the parcel {text}", "Check its outline.")
                   for text in [self._parcels.repaired.get(row)] if text]  # fmt: skip
        return Site(
            parcel_id=parcel_id,
            label=self.label(parcel_id),
            parcel=parcel,
            frame=frame,
            layers=layers,
            dem=dem,
            dsm=dsm,
            dem_around=self._dem_around(parcel, frame) if dsm is None else None,
            accuracy=self.options.accuracy,
            findings=(
                *repairs,
                *self._overlap_findings(row),
                *self._common,
                *layer_findings,
                *dem_findings,
                *dsm_findings,
            ),
        )

    @cached_property
    def _crs_of(self) -> dict[str, CRS]:
        """CRS by layer or raster; the site's own object where it is the same, as moving it then costs nothing."""
        vector = {name: place.info.crs for name, place in self.files.layers.items()}
        found = vector | {name: info.crs for name, info in self.raster_info.items()}
        known = {name: horizontal_crs(crs) for name, crs in found.items() if crs is not None}
        return {name: self.crs if crs == self.crs else crs for name, crs in known.items()}

    def _features(self, name: str) -> Features:
        if name not in self._layers:
            self._layers[name] = read_features(SITE_LAYERS[name], self.files.layers[name])
        return self._layers[name]

    def _layers_near(
        self, parcel: BaseGeometry, frame: MeasuringFrame
    ) -> tuple[dict[str, geopandas.GeoDataFrame], list[Finding]]:
        near: dict[str, geopandas.GeoDataFrame] = {}
        findings: list[Finding] = []
        places = _Surroundings(parcel, frame, NEIGHBOURHOOD_M)
        for name in self.files.layers:
            if name in ("parcels", "overrides"):
                continue
            features, crs = self._features(name), self._crs_of[name]
            rows = np.sort(features.table.sindex.query(places.outline_in(crs), predicate="intersects"))
            moved = frame.to_frame(features.table.geometry.to_numpy()[rows], crs)
            columns = features.attributes.take(rows).reset_index(drop=True)
            columns["geometry"] = geopandas.GeoSeries(moved, crs=frame.crs)
            near[name] = geopandas.GeoDataFrame(columns, geometry="geometry")
            findings += [
                Finding("caution", "feature-repaired", f"{name}, row {features.row_in_file(row)}: {text}")
                for row in rows
                if (text := features.repaired.get(int(row)))
            ]
        return near, findings

    def _overlap_findings(self, row: int) -> list[Finding]:
        """Say with which other parcels one shares more ground than two mapped edges may by their accuracy."""
        table = self._parcels.table
        outline = table.geometry.iloc[row]
        others = [other for other in table.sindex.query(outline, predicate="intersects") if other != row]
        limit = OVERLAP_SHARE * outline.area
        shared = [other for other in sorted(others) if outline.intersection(table.geometry.iloc[other]).area > limit]
        names = ", ".join(str(table["parcel_id"].iloc[other]) for other in shared)
        if not shared:
            return []
        return [
            Finding(
                "caution",
                "parcels-overlap",
                f"the parcel overlaps parcel {names}: shared ground is planned for each",
                "Check the boundary.",
            )
        ]

    def _dem_near(
        self, parcel: BaseGeometry, frame: MeasuringFrame, where: tuple[str, ...]
    ) -> tuple[Grid, list[Finding]]:
        path, crs = self.files.rasters["dem"], self._crs_of["dem"]
        bounds = _Surroundings(parcel, frame, DEM_MARGIN_M).outline_in(crs).bounds
        try:
            values, transform = rasters.read_window(path, bounds)
        except RasterError as error:
            raise error.within(*where) from error
        grid = Grid(values * self._dem_unit_m, transform, crs)
        _check_cover(grid, parcel, frame, (*where, path))
        return grid, _nodata_findings(grid, parcel, frame, (*where, path))

    def _dem_around(self, parcel: BaseGeometry, frame: MeasuringFrame) -> Grid:
        crs = self._crs_of["dem"]
        bounds = _Surroundings(parcel, frame, NEIGHBOURHOOD_M).outline_in(crs).bounds
        values, transform = rasters.read_window(self.files.rasters["dem"], bounds)
        return Grid(values * self._dem_unit_m, transform, crs)

    @property
    def _dem_unit_m(self) -> float:
        if self.options.dem_unit is not None:
            return UNITS_M[self.options.dem_unit]
        if self.dem_info.vertical_unit_m is not None:
            return self.dem_info.vertical_unit_m
        return _horizontal_unit_m(self.dem_info.crs)

    def _dsm_near(self, parcel: BaseGeometry, frame: MeasuringFrame) -> tuple[Grid | None, list[Finding]]:
        if "dsm" not in self.files.rasters:
            return None, []
        crs = self._crs_of["dsm"]
        bounds = _Surroundings(parcel, frame, NEIGHBOURHOOD_M).outline_in(crs).bounds
        try:
            values, transform = rasters.read_window(self.files.rasters["dsm"], bounds)
        except RasterError as error:
            text = f"the surface model can't be used here: {error.what}"
            return None, [Finding("caution", "dsm-missing-here", text, error.advice)]
        unit = self.raster_info["dsm"].vertical_unit_m or self._dem_unit_m
        return Grid(values * unit, transform, crs), []

    def _common_findings(self) -> list[Finding]:
        findings = [
            Finding(
                "info",
                f"no-{spec.name}",
                f"the site has no layer {spec.name}, so the plan cannot know {spec.unknown_without}",
                f"Add a layer {spec.name}, or name it with --layer.",
            )
            for spec in self.files.absent
        ]
        if self._parcels.made_up_ids:
            findings.append(
                Finding(
                    "info",
                    "parcel-id-made",
                    "parcels have no parcel_id: names were made from the row numbers",
                )
            )
        for name in self.files.layers:
            if name not in ("parcels", "overrides"):
                findings += self._features(name).findings(name)
        if self.options.dem_unit is None and self.dem_info.vertical_unit_m is None:
            unit = "metres" if self.dem_info.crs.is_geographic else self.dem_info.crs.axis_info[0].unit_name
            findings.append(
                Finding(
                    "info",
                    "dem-unit-assumed",
                    f"the terrain model doesn't say its vertical unit: {unit} was assumed",
                    "Give --dem-unit if that is wrong: slopes scale with it.",
                )
            )
        return findings


class _Surroundings:
    """A rectangle around a parcel, in the frame and in whatever CRS somebody asks for."""

    def __init__(self, parcel: BaseGeometry, frame: MeasuringFrame, margin_m: float) -> None:
        self._frame = frame
        self._rectangle = shapely.segmentize(
            shapely.box(*parcel.bounds).buffer(margin_m, join_style="mitre"), SEGMENT_M
        )
        self._known: dict[int, Polygon] = {}

    def outline_in(self, crs: CRS) -> Polygon:
        """Return the rectangle's outline in a CRS, in which its sides may be bent."""
        if id(crs) not in self._known:
            self._known[id(crs)] = shapely.transform(self._rectangle, lambda xy: self._frame.coordinates_in(crs, xy))
        return self._known[id(crs)]


def _parcels_advice(files: SiteFiles) -> str:
    there = f" (here are: {', '.join(files.ignored)})" if files.ignored else ""
    return f"Add it, or name the layer that holds the parcels with --layer parcels=NAME{there}."


def _dem_advice(files: SiteFiles) -> str:
    beside = files.path.parent / "dem.tif"
    if files.path.is_file() and beside.exists():
        return f"Name it with --dem {beside}, or give the folder as SITE."
    return "Put dem.tif into the folder, or name it with --dem." if files.path.is_dir() else "Name it with --dem."


def _horizontal_unit_m(crs: CRS) -> float:
    return 1.0 if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _check_cover(grid: Grid, parcel: BaseGeometry, frame: MeasuringFrame, where: tuple[str, ...]) -> None:
    corners = shapely.get_coordinates(shapely.box(*grid.bounds))
    outline = Polygon(frame.coordinates_from(grid.crs, corners))
    outside = parcel.difference(outline).area / parcel.area
    if outside > 1e-6:
        raise RasterError(
            f"the terrain model doesn't cover {100 * outside:.0f} % of the parcel" if outside >= 0.005
            else "the terrain model ends inside the parcel",
            where=where,
            advice="Give a terrain model that reaches a few metres beyond it.",
        )  # fmt: skip


def _nodata_findings(grid: Grid, parcel: BaseGeometry, frame: MeasuringFrame, where: tuple[str, ...]) -> list[Finding]:
    unknown = np.isnan(grid.values)
    if not unknown.any():
        return []
    x, y = np.meshgrid(*grid.cell_centres)
    xy = frame.coordinates_from(grid.crs, np.column_stack([x.ravel(), y.ravel()]))
    inside = shapely.contains_xy(parcel, xy[:, 0], xy[:, 1])
    holes = inside & unknown.ravel()
    if not holes.any():
        return []
    share = holes.sum() / inside.sum()
    if share > NODATA_SHARE_MAX:
        raise RasterError(
            f"the terrain model has no data in {100 * share:.0f} % of the parcel",
            where=where,
            advice="Fill it, or give another one.",
        )
    return [
        Finding(
            "caution",
            "dem-nodata",
            f"the terrain model has {int(holes.sum())} cells without data in the parcel: slope is unknown there",
            "Measure the slope on site.",
            shapely.Point(xy[holes].mean(axis=0)),
        )
    ]
