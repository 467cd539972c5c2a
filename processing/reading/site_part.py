"""Some parcels of a site, each read with the features, elevations and image around it."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import geopandas
import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import FeatureError, LayerError, ParameterError, RasterError
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.ground.imagery import Imagery
from lawngis.ground.learned import LearnedLawn
from lawngis.ground.plausible import STEP_MAX_M, absurd_cells, greatest_step_m, impossible_cells
from lawngis.ground.raster import Grid, cells_without_data, centres_in, widened

from ..files import gpkg, rasters
from ..model.catalogue import Said
from ..model.plan import Finding
from ..model.site import Site
from ..model.site_layers import SITE_LAYERS
from .features import Features, drawable, label, read_features
from .image_window import image_within
from .read_options import UNITS_M, ReadOptions
from .simplification import simplified
from .site_files import LayerPlace, SiteFiles
from .surroundings import NEIGHBOURHOOD_M, Surroundings

DEM_MARGIN_M = 5.0
"""How far around a parcel elevation is read: slope needs neighbours, edges a look at what lies beyond."""

IMAGERY_MARGIN_M = 15.0
"""How far around a parcel the image is read: its colours need both sides of an edge, and outlines to be laid on."""

OVERLAP_SHARE = 0.001
"""Parcels may overlap by this share of their area before it is a finding: maps never fit to the centimetre."""

LEVEL_CELL_M = 0.5
"""Cells on which rasters of a plan lie where no terrain model gives any [m]."""

COVER_TOLERANCE = 1e-6
"""Share of a parcel that may stick out of a raster: the noise of two map projections."""

METRES_PER_DEGREE = 111_000.0

SITE_WIDE_LAYERS = ("parcels", "overrides")
"""Layers that are not cut out around each parcel."""


@dataclass(eq=False)
class SitePart:
    """Some parcels of a site, ready to be read in this process or another.

    Features are read through a spatial filter around these parcels, elevations through windows.

    Parameters
    ----------
    files, options, raster_info
        The site.
    parcels
        The parcels, and after them those that touch them.
    parcel_ids
        Names of the parcels that can be read.
    parcel_rows
        Row in the file of each parcel, from 1.
    common
        Findings that every parcel of the site has.
    repaired_rows
        Rows, from 0, by feature number, of features that are repaired, by layer.
    learned
        What examples of lawn taught, where there are any.
    """

    files: SiteFiles
    options: ReadOptions
    raster_info: Mapping[str, rasters.RasterInfo]
    parcels: Features
    parcel_ids: tuple[str, ...]
    parcel_rows: tuple[int, ...]
    common: tuple[Finding, ...]
    repaired_rows: Mapping[str, Mapping[int, int]]
    learned: LearnedLawn | None = None

    def __post_init__(self) -> None:
        self._layers: dict[str, Features] = {}
        self._around: dict[str, Surroundings] = {}
        self._rows = {name: row for row, name in enumerate(self.parcel_ids)}

    def __getstate__(self) -> dict[str, Any]:
        """Return what is sent to another process: files are read there anew, with handles of its own."""
        return {field.name: getattr(self, field.name) for field in fields(self)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__dict__.update(state)
        self.__post_init__()

    @cached_property
    def crs(self) -> CRS:
        """CRS of the parcels, to which results go back."""
        return site_crs(self.files)

    def outline(self, parcel_id: str) -> BaseGeometry | None:
        """Return a parcel's outline as the file has it, or None when it has none that can be drawn."""
        return drawable(self.parcels, self._rows[parcel_id])

    def label(self, parcel_id: str) -> str:
        """Return what people call a parcel; empty when the file doesn't say."""
        return label(self.parcels, self._rows[parcel_id])

    def site(self, parcel_id: str) -> Site:
        """Return one parcel with what lies around it.

        Raises
        ------
        FeatureError
            When the parcel's outline can't be used.
        RasterError
            When the terrain model can't be read.
        """
        row = self._rows[parcel_id]
        where = (str(self.files.layers["parcels"]), f"parcel {parcel_id}")
        problem = self.parcels.broken.get(row)
        if problem:
            raise FeatureError(gpkg.problem_words(problem), where=where, advice="Redraw the parcel, or delete it.")
        try:
            around = self._surroundings(parcel_id)
        except ParameterError as error:
            raise error.within(*where) from error
        parcel, frame = around.parcel, around.frame
        dem, dem_findings = self._dem_near(around, where)
        dsm, dsm_findings = self._dsm_near(around)
        imagery, imagery_findings = self._imagery_near(around)
        layers, layer_findings = self._layers_near(around)
        repairs = [Finding("caution", "parcel-repaired", _repair_values(problem))
                   for problem in [self.parcels.repaired.get(row)] if problem]  # fmt: skip
        return Site(
            parcel_id=parcel_id,
            label=self.label(parcel_id),
            parcel=parcel,
            frame=frame,
            layers=layers,
            dem=dem,
            dsm=dsm,
            imagery=imagery,
            dem_around=self._dem_around(around, dem) if dsm is None else None,
            accuracy=self.options.accuracy,
            complete=self.files.completeness.on(self.parcels.shapes[row], self.crs),
            findings=(
                *repairs,
                *around.findings,
                *self._overlap_findings(row),
                *self.common,
                *layer_findings,
                *dem_findings,
                *dsm_findings,
                *imagery_findings,
            ),
        )

    def _surroundings(self, parcel_id: str) -> Surroundings:
        if parcel_id not in self._around:
            outline = self.parcels.shapes[self._rows[parcel_id]]
            self._around[parcel_id] = Surroundings.of(outline, self.crs, self.options.accuracy)
        return self._around[parcel_id]

    @cached_property
    def _crs_of(self) -> dict[str, CRS]:
        """CRS by layer or raster; the site's own object where it is the same, as moving it then costs nothing."""
        vector = {name: place.info.crs for name, place in self.files.layers.items()}
        declared = vector | {name: info.crs for name, info in self.raster_info.items()}
        known = {name: horizontal_crs(crs) for name, crs in declared.items() if crs is not None}
        return {name: self.crs if crs == self.crs else crs for name, crs in known.items()}

    def _features(self, name: str) -> Features:
        """Return a layer's features around the parcels of this part; read at the first call."""
        if name not in self._layers:
            place = self.files.layers[name]
            self._layers[name] = read_features(SITE_LAYERS[name], place, bbox=self._bounds_in(self._crs_of[name]))
        return self._layers[name]

    def _bounds_in(self, crs: CRS) -> tuple[float, float, float, float]:
        boxes = []
        for parcel_id, row in self._rows.items():
            if row in self.parcels.broken:
                continue
            with suppress(ParameterError):  # raised when the parcel itself is read
                boxes.append(self._surroundings(parcel_id).outline_in(crs, NEIGHBOURHOOD_M).bounds)
        corners = np.array(boxes)
        corners = corners[np.isfinite(corners).all(axis=1)]
        (left, bottom), (right, top) = corners[:, :2].min(axis=0), corners[:, 2:].max(axis=0)
        return float(left), float(bottom), float(right), float(top)

    def _layers_near(self, around: Surroundings) -> tuple[dict[str, geopandas.GeoDataFrame], list[Finding]]:
        near: dict[str, geopandas.GeoDataFrame] = {}
        findings: list[Finding] = []
        for name in self.files.layers:
            if name in SITE_WIDE_LAYERS:
                continue
            features, crs = self._features(name), self._crs_of[name]
            outline = around.outline_in(crs, NEIGHBOURHOOD_M)
            rows = features.meeting(outline)
            moved, told = simplified(name, around.frame.to_frame(features.shapes[rows], crs), self.options.accuracy)
            near[name] = features.moved(rows, moved, around.frame.crs)
            findings += told + [
                Finding(
                    "caution",
                    "feature-repaired",
                    {"layer": name, "row": self._row_in_file(name, row), **_repair_values(problem)},
                )
                for row in rows
                if (problem := features.repaired.get(int(row)))
            ]
        return near, findings

    def _row_in_file(self, name: str, row: int) -> int:
        return self.repaired_rows[name][self._features(name).numbers[row]] + 1

    def _overlap_findings(self, row: int) -> list[Finding]:
        """Say with which other parcels one shares more ground than two mapped edges may by their accuracy."""
        table = self.parcels.table
        shapes = self.parcels.shapes
        outline = shapes[row]
        others = self.parcels.meeting(outline)
        others = others[others != row]
        shared_m2 = shapely.area(shapely.intersection(outline, shapes[others]))
        shared = others[shared_m2 > OVERLAP_SHARE * outline.area]
        in_order = sorted(shared, key=lambda other: self.parcel_rows[other])
        if not in_order:
            return []
        names = [str(table["parcel_id"].iloc[other]) for other in in_order]
        return [Finding("caution", "parcels-overlap", {"parcels": len(names), "parcel_ids": names})]

    def _dem_near(self, around: Surroundings, where: tuple[str, ...]) -> tuple[Grid, list[Finding]]:
        """Return the ground's elevation, NaN where nothing tells it, and what is said of that."""
        if "dem" not in self.files.rasters:  # said once for the whole site
            return self._level_cells(around), []
        bounds = around.outline_in(self._crs_of["dem"], DEM_MARGIN_M).bounds
        try:
            found = self._elevations(bounds)
        except RasterError as error:
            raise error.within(*where) from error
        if found is None:
            return self._level_cells(around), [Finding("caution", "terrain-missing-here")]
        possible, doubts = _possible(found, around.frame)
        grid = possible if _covers(possible, around.parcel, around.frame) else widened(possible, bounds)
        known, gaps = _with_gaps_said(grid, around.parcel, around.frame)
        return known, doubts + gaps

    def _dem_around(self, around: Surroundings, dem: Grid) -> Grid:
        """Return the ground on which shade and sight stand; it is level where no terrain model tells how it lies."""
        if not np.isfinite(dem.values).any():
            level = self._level_cells(around, NEIGHBOURHOOD_M)
            return level.with_values(np.zeros(level.shape))
        found = self._elevations(around.outline_in(self._crs_of["dem"], NEIGHBOURHOOD_M).bounds)
        return dem if found is None else _possible(found, around.frame)[0]

    def _elevations(self, bounds: rasters.Bounds) -> Grid | None:
        """Return the terrain model within some bounds; None where it has nothing."""
        if not rasters.reaches(self.raster_info["dem"], bounds):
            return None
        values, transform = rasters.read_window(self.files.rasters["dem"], bounds)
        return Grid(values * self._dem_unit_m, transform, self._crs_of["dem"])

    def _level_cells(self, around: Surroundings, margin_m: float = DEM_MARGIN_M) -> Grid:
        cells = level_cells(self.crs, np.array([around.outline_in(self.crs, margin_m).bounds]))
        return cells_without_data(cells.transform, self.crs, around.outline_in(self.crs, margin_m).bounds)

    @property
    def _dem_unit_m(self) -> float:
        return dem_unit_m(self.options, self.raster_info["dem"])

    def _dsm_near(self, around: Surroundings) -> tuple[Grid | None, list[Finding]]:
        if "dsm" not in self.files.rasters:
            return None, []
        crs = self._crs_of["dsm"]
        try:
            values, transform = rasters.read_window(
                self.files.rasters["dsm"], around.outline_in(crs, NEIGHBOURHOOD_M).bounds
            )
        except RasterError as error:
            why = {"reason": error.what, "advice": error.advice}
            return None, [Finding("caution", "dsm-missing-here", why)]
        unit = self.raster_info["dsm"].vertical_unit_m or self._dem_unit_m
        return _possible(Grid(values * unit, transform, crs), around.frame, patches=False)[0], []

    def _imagery_near(self, around: Surroundings) -> tuple[Imagery | None, list[Finding]]:
        if "imagery" not in self.files.rasters:
            return None, []
        crs = self._crs_of["imagery"]
        bounds = around.outline_in(crs, IMAGERY_MARGIN_M).bounds
        try:
            image = image_within(self.raster_info["imagery"], crs, self.options.bands, bounds)
        except RasterError as error:
            why = {"reason": error.what, "advice": error.advice}
            return None, [Finding("caution", "imagery-missing-here", why)]
        known = np.isfinite(np.sum([band.values for band in image.bands], axis=0)).any()
        if known and self.learned is not None:
            image = self.learned.on(image)
        return (image, []) if known else (None, [Finding("caution", "imagery-missing-here", {"case": "no_data"})])


def _repair_values(problem: Said) -> dict[str, Any]:
    """Return values of a finding on a geometry that was repaired; of one of the wrong type parts were taken."""
    code, _ = problem
    return {"problem": problem, **({"case": "parts"} if code == "geometry-type" else {})}


def site_crs(files: SiteFiles) -> CRS:
    """Return the horizontal CRS of a site's parcels, to which results go back.

    Raises
    ------
    LayerError
        When the layer has none.
    """
    return layer_crs(files.layers["parcels"])


def layer_crs(place: LayerPlace) -> CRS:
    """Return the horizontal CRS of a layer; errors are those of :func:`site_crs`."""
    if place.info.crs is None:
        raise LayerError("has no CRS", where=str(place), advice="Assign the right one in a GIS.")
    return horizontal_crs(place.info.crs)


def dem_unit_m(options: ReadOptions, dem: rasters.RasterInfo) -> float:
    """Return the length of a unit of elevation [m]: as somebody says, as the raster says, else the horizontal one."""
    if options.dem_unit is not None:
        return UNITS_M[options.dem_unit]
    return _horizontal_unit_m(dem.crs) if dem.vertical_unit_m is None else dem.vertical_unit_m


def _horizontal_unit_m(crs: CRS) -> float:
    return 1.0 if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def level_cells(crs: CRS, bounds: FloatArray) -> rasters.RasterInfo:
    """Return a raster, in no file, on whose cells what is computed lies where no terrain model gives any.

    Parameters
    ----------
    crs
        Of the parcels.
    bounds
        Of what it is to hold, shape (n, 4) in that CRS; those that aren't finite are left out.
    """
    size = LEVEL_CELL_M / metres_per_unit(crs)
    known = bounds[np.isfinite(bounds).all(axis=1)]
    known = known if len(known) else np.zeros((1, 4))
    left, bottom = np.floor(known[:, :2].min(axis=0) / size - DEM_MARGIN_M / LEVEL_CELL_M)
    right, top = np.ceil(known[:, 2:].max(axis=0) / size + DEM_MARGIN_M / LEVEL_CELL_M)
    return rasters.RasterInfo(
        source="",
        crs=crs,
        vertical_unit_m=None,
        transform=Affine(size, 0, left * size, 0, -size, top * size),
        width=int(right - left),
        height=int(top - bottom),
        bands=("",),
        dtype="float64",
        nodata=None,
    )


def metres_per_unit(crs: CRS) -> float:
    """Return about how many metres a unit of a CRS is long on the ground."""
    return METRES_PER_DEGREE if crs.is_geographic else float(crs.axis_info[0].unit_conversion_factor)


def _covers(grid: Grid, parcel: BaseGeometry, frame: MeasuringFrame) -> bool:
    corners = shapely.get_coordinates(shapely.box(*grid.bounds))
    outline = Polygon(frame.coordinates_from(grid.crs, corners))
    return bool(parcel.difference(outline).area <= COVER_TOLERANCE * parcel.area)


def _possible(grid: Grid, frame: MeasuringFrame, *, patches: bool = True) -> tuple[Grid, list[Finding]]:
    """Return elevations without those that can't be the ground's, and what is said of them and of what is doubtful.

    In a surface model things stand apart: only of bare ground can patches that do be told to be none.
    """
    dx, dy = grid.cell_size_m
    wrong = impossible_cells(grid.values, dx, dy) if patches else absurd_cells(grid.values)
    found: list[Finding] = []
    left = grid.with_values(np.where(wrong, np.nan, grid.values)) if wrong.any() else grid
    if wrong.any():
        values = grid.values[wrong]
        low, high = float(values.min()), float(values.max())
        told = {"cells": len(values), "lowest_m": low, "highest_m": high, "case": "one" if low == high else ""}
        place = centres_in(grid, frame)[wrong.ravel()].mean(axis=0)
        found.append(Finding("caution", "terrain-impossible", told, shapely.Point(place)))
    step_m = greatest_step_m(left.values, dx, dy)
    if step_m > STEP_MAX_M:
        found.append(Finding("caution", "terrain-step", {"step_m": step_m}))
    return left, found


def _with_gaps_said(grid: Grid, parcel: BaseGeometry, frame: MeasuringFrame) -> tuple[Grid, list[Finding]]:
    """Return elevations, and what is said where they have gaps in the parcel; with nothing in it they have nothing."""
    unknown = np.isnan(grid.values)
    if not unknown.any():
        return grid, []
    xy = centres_in(grid, frame)
    inside = shapely.contains_xy(parcel, xy[:, 0], xy[:, 1])
    holes = inside & unknown.ravel()
    if unknown.all() or (inside.any() and holes.sum() == inside.sum()):
        return grid.with_values(np.full(grid.shape, np.nan)), [
            Finding("caution", "terrain-missing-here", {"case": "gap"})
        ]
    if not holes.any():
        return grid, []
    share = holes.sum() / inside.sum()
    values = {"area_m2": share * parcel.area, "percent": 100 * share}
    return grid, [Finding("caution", "dem-nodata", values, shapely.Point(xy[holes].mean(axis=0)))]
