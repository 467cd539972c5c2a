"""An image of any size, with the surface and terrain model and the layers that lie on it, read part by part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import geopandas
import numpy as np
import shapely
from affine import Affine
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import RasterError, SiteError
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.ground.cover import height_above_ground
from lawngis.ground.imagery import Imagery
from lawngis.ground.learned import LearnedLawn
from lawngis.ground.raster import Grid, ground_cell_size_m
from lawngis.ground.seams import blocks
from lawngis.ground.shift import Shift, laid_right

from ..files import rasters
from ..model.site_layers import SITE_LAYERS
from ..reading.examples import learned_from
from ..reading.features import check_layer, read_features
from ..reading.read_options import UNITS_M, ReadOptions, band_numbers
from ..reading.site_files import SiteFiles

Cells = tuple[slice, slice]

REFERENCE_LAYERS = ("lawns", "buildings", "hard_surfaces", "water", "trees")
"""Layers with which the image is compared."""

SAMPLE_CELLS = 1_000_000
"""Of the whole image, every so many-th row and column is looked at beforehand, until there are this many cells."""

READ_CELLS = 1024
"""Side of the parts in which the image is looked through beforehand [cells]."""

MARGIN_M = 2.0
"""How far beyond an image's part surface and terrain are read, for values between cells [m]."""

SIDE_M = 20.0
"""Longest straight piece of a part's side before it is moved to another CRS, where it may be bent [m]."""


@dataclass(frozen=True, eq=False)
class WholeImage:
    """An image, opened but not read.

    Parameters
    ----------
    files, options
        Where it is, and how it is read.
    info
        What its rasters are, by name.
    bands
        Number of each band that is known, by its colour.
    layers
        CRS of the layers with which it is compared, by name.
    frame
        Measuring frame, centred on the image.
    learned
        What examples teach of it; None without any.
    image_shift, surface_shift
        How far image and surface model lie off the map, where they are to be laid right.
    """

    files: SiteFiles
    options: ReadOptions
    info: Mapping[str, rasters.RasterInfo]
    bands: Mapping[str, int]
    layers: Mapping[str, CRS]
    frame: MeasuringFrame
    learned: LearnedLawn | None = None
    image_shift: Shift | None = None
    surface_shift: Shift | None = None

    @classmethod
    def of(cls, files: SiteFiles, options: ReadOptions) -> WholeImage:
        """Open an image.

        Raises
        ------
        SiteError
            When there is no image, a surface model without a terrain model, or examples can't be used.
        RasterError
            When a raster can't be read, doesn't meet the image, or which band is which isn't known.
        LayerError
            When a layer has the wrong geometry or no CRS.
        """
        if "imagery" not in files.rasters:
            advice = "Put imagery.tif into the folder, or name it with --imagery."
            raise SiteError("there is no image", where=str(files.path), advice=advice)
        if "dsm" in files.rasters and "dem" not in files.rasters:
            raise SiteError(
                "there is a surface model but no terrain model, so nothing tells how high things stand",
                where=str(files.path),
                advice="Name it with --dem, or leave the surface model out.",
            )
        info = {name: rasters.raster_overview(file) for name, file in files.rasters.items()}
        image = info["imagery"]
        bands = band_numbers(options.bands, image.bands, image.source)
        if "nir" not in bands and not {"green", "blue"} <= set(bands):
            raise RasterError(
                "the image has neither near infrared nor all of red, green and blue",
                where=image.source,
                advice="Say which band is which with --bands, in their order: red,green,blue,nir.",
            )
        layers: dict[str, CRS] = {}
        for name in REFERENCE_LAYERS:
            if name in files.layers:
                check_layer(SITE_LAYERS[name], files.layers[name])
                layers[name] = horizontal_crs(CRS(files.layers[name].info.crs))
        frame = MeasuringFrame.centred_on(shapely.box(*image.bounds), image.crs)
        whole = cls(files, options, info, bands, layers, frame, learned_from(files, info, options))
        for name in ("dsm", "dem") if "dsm" in info else ():
            whole._refuse_elsewhere(name)
        return whole

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.info["imagery"].height, self.info["imagery"].width

    @cached_property
    def cell_m(self) -> float:
        """Side of a square as large as the image's cells [m]."""
        return _cell_side_m(self.info["imagery"])

    @cached_property
    def surface_cell_m(self) -> float:
        """The same of the surface model's cells; of the image's when there is none [m]."""
        return _cell_side_m(self.info.get("dsm", self.info["imagery"]))

    def laid_right(self, image_shift: Shift | None, surface_shift: Shift | None) -> WholeImage:
        """Return the same image, to be read with its rasters moved back by a shift each."""
        return replace(self, image_shift=image_shift, surface_shift=surface_shift)

    def imagery(self, cells: Cells) -> Imagery:
        """Return the image on some rows and columns."""
        info = self.info["imagery"]
        corners = [
            info.transform @ (part[1], part[0]) for part in zip(*((c.start, c.stop) for c in cells), strict=True)
        ]
        (x0, y0), (x1, y1) = corners
        bounds = min(x0, x1), min(y0, y1), max(x0, x1), max(y0, y1)
        grids = {
            name: Grid(*rasters.read_window(info.source, bounds, band=band, margin_cells=0), info.crs)
            for name, band in self.bands.items()
        }
        image = Imagery(grids["red"], grids.get("green"), grids.get("blue"), grids.get("nir"))
        shift = self.image_shift
        return image if shift is None else image.moved(-shift.cols, -shift.rows)

    def sample(self) -> tuple[Imagery, FloatArray | None]:
        """Return image and heights thinned to so many cells that they fit in memory, whatever the image's size.

        Heights above ground are on the cells of the thinned image, shape (rows, cols) [m]; None without a surface
        model.
        """
        rows, cols = self.shape
        step = max(1, int(np.ceil(np.sqrt(rows * cols / SAMPLE_CELLS))))
        names = [*self.bands, *(["height"] if "dsm" in self.info else [])]
        thin = {name: np.full((-(-rows // step), -(-cols // step)), np.nan) for name in names}
        for block in blocks(self.shape, size_cells=READ_CELLS, halo_cells=0):
            first = [-part.start % step for part in block.core]
            image = self.imagery(block.core)
            row, col = (-(-part.start // step) for part in block.core)
            height = self.heights(image.red)
            whole = {name: getattr(image, name).values for name in self.bands}
            for name, sampled in thin.items():
                values = (whole | ({} if height is None else {"height": height}))[name]
                values = values[first[0] :: step, first[1] :: step]
                sampled[row : row + values.shape[0], col : col + values.shape[1]] = values
        info = self.info["imagery"]
        place = info.transform @ Affine.scale(step)
        grids = {name: Grid(thin[name], place, info.crs) for name in self.bands}
        image = Imagery(grids["red"], grids.get("green"), grids.get("blue"), grids.get("nir"))
        return image, thin.get("height")

    def surface(self, like: Grid) -> Grid | None:
        """Return the surface model around a grid [m]; None where it has nothing."""
        shift = self.surface_shift
        grid = self._near("dsm", like, MARGIN_M if shift is None else MARGIN_M + shift.length_m)
        return grid if grid is None or shift is None else laid_right(grid, shift)

    def heights(self, like: Grid) -> FloatArray | None:
        """Return how high things stand above the ground on the cells of a grid [m]; None without a surface model."""
        if "dsm" not in self.info:
            return None
        surface, ground = self.surface(like), self._near("dem", like, MARGIN_M)
        if surface is None or ground is None:
            return np.full(like.shape, np.nan)
        return height_above_ground(surface, ground, like, self.frame)

    def features(self, layer: str, around: BaseGeometry) -> geopandas.GeoDataFrame:
        """Return a layer's features near a shape of the frame, in the frame, with the numbers they have in the file."""
        spec, place = SITE_LAYERS[layer], self.files.layers[layer]
        crs = self.layers[layer]
        near = read_features(spec, place, bbox=self._bounds_in(crs, around))
        moved = self.frame.to_frame(near.table.geometry.to_numpy(), crs)
        table = geopandas.GeoDataFrame(near.attributes.assign(number=list(near.numbers)), geometry=moved)
        return table.set_crs(self.frame.crs, allow_override=True)

    def outline(self, grid: Grid) -> BaseGeometry:
        """Return the outline of a grid in the frame."""
        corners = shapely.get_coordinates(shapely.box(*grid.bounds))
        return shapely.Polygon(self.frame.coordinates_from(grid.crs, corners))

    def _near(self, name: str, like: Grid, margin_m: float) -> Grid | None:
        info = self.info[name]
        bounds = self._bounds_in(info.crs, shapely.buffer(self.outline(like), margin_m, join_style="mitre"))
        if not shapely.box(*bounds).intersection(shapely.box(*info.bounds)).area > 0:
            return None
        values, transform = rasters.read_window(info.source, bounds)
        return Grid(values * self._unit_m(name), transform, info.crs)

    def _bounds_in(self, crs: CRS, shape: BaseGeometry) -> tuple[float, float, float, float]:
        sides = shapely.segmentize(shapely.box(*shape.bounds), SIDE_M)
        xy = self.frame.coordinates_in(crs, shapely.get_coordinates(sides))
        (left, bottom), (right, top) = xy.min(axis=0), xy.max(axis=0)
        return float(left), float(bottom), float(right), float(top)

    def _unit_m(self, name: str) -> float:
        """Return the length of a unit of elevation: as given, as the raster says, or that of its own plane."""
        if name == "dem" and self.options.dem_unit is not None:
            return UNITS_M[self.options.dem_unit]
        info = self.info[name]
        if info.vertical_unit_m is not None:
            return info.vertical_unit_m
        if name == "dsm":
            return self._unit_m("dem")
        return 1.0 if info.crs.is_geographic else float(info.crs.axis_info[0].unit_conversion_factor)

    def _refuse_elsewhere(self, name: str) -> None:
        image, info = self.info["imagery"], self.info[name]
        sides = shapely.box(*image.bounds)
        xy = self.frame.coordinates_from(image.crs, shapely.get_coordinates(sides))
        bounds = self._bounds_in(info.crs, shapely.Polygon(xy))
        meets = np.isfinite(bounds).all() and shapely.box(*bounds).intersection(shapely.box(*info.bounds)).area > 0
        if not meets:
            words = {"dsm": "the surface model", "dem": "the terrain model"}
            raise RasterError(
                f"{words[name]} lies elsewhere than the image",
                where=info.source,
                advice="Check the CRS of both, or take one that covers the image.",
            )


def _cell_side_m(info: rasters.RasterInfo) -> float:
    dx, dy = ground_cell_size_m(info.transform, info.crs, (info.height, info.width))
    return round(float(np.sqrt(dx.mean() * dy.mean())), 6)
