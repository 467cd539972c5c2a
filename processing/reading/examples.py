"""Pieces of lawn and of other ground that somebody drew, for reading the site's image by."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import geopandas
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray
from lawngis.errors import LawngisError, ParameterError, SiteError
from lawngis.geometry.frame import MeasuringFrame, horizontal_crs
from lawngis.ground.cover import height_above_ground
from lawngis.ground.imagery import Imagery
from lawngis.ground.learned import Example, LearnedLawn, example, learned_lawn
from lawngis.ground.raster import Grid

from ..files import formats, gpkg, rasters
from ..model.plan import Finding
from .image_window import image_within
from .read_options import ReadOptions
from .site_files import MIXED, SiteFiles
from .site_part import dem_unit_m, metres_per_unit

COLUMN = "cover"
"""Column that says what a piece is."""

WORDS = {"lawn": True, "not lawn": False}
"""What it says; underscores and hyphens count as spaces."""

STANDING_M = 0.5
"""Ground of a piece that stands higher teaches nothing where a surface model tells it [m]: it is no lawn anyway."""

AROUND_M = 15.0
"""How far around a piece the image is read: an index finds there where green begins [m]."""


def learned_from(
    files: SiteFiles, raster_info: Mapping[str, rasters.RasterInfo], options: ReadOptions
) -> LearnedLawn | None:
    """Return what the site's examples teach of its image; None where there are none.

    Raises
    ------
    SiteError
        When the file can't be read, says of a piece neither that it is lawn nor that it isn't, or there is no image.
    RasterError
        When the image doesn't reach a piece.
    ParameterError
        When the pieces are too few, or the package is missing that learns.
    """
    if files.examples is None:
        return None
    where = str(files.examples)
    if "imagery" not in files.rasters:
        raise SiteError("are examples of an image, and there is none", where=where, advice="Name one with --imagery.")
    info = raster_info["imagery"]
    crs = horizontal_crs(info.crs)
    reach = AROUND_M / metres_per_unit(crs)
    found: list[Example] = []
    pieces = _pieces(files.examples)
    for number, (piece, lawn) in enumerate(zip(pieces.geometry.to_crs(crs), pieces[COLUMN], strict=True), start=1):
        try:
            image = image_within(info, crs, options.bands, shapely.buffer(piece, reach).bounds)
            inside = _inside(image, piece)
            low = inside & ~_standing(image, files, raster_info, options)
            if low.any() or not inside.any():
                found.append(example(image, low, lawn=lawn))
        except LawngisError as error:
            raise error.within(where, f"feature {number}") from error
    try:
        return learned_lawn(found)
    except ParameterError as error:
        raise error.within(where) from error


def learned_finding(learned: LearnedLawn) -> Finding:
    """Return what must be said of how lawn was told by examples, or why it wasn't."""
    lawn, other = learned.pieces
    return Finding(
        "info",
        "examples",
        {
            "case": "taken" if learned.taken else "left",
            "lawns": lawn,
            "others": other,
            "right_percent": 100 * learned.right,
            "index_percent": 100 * learned.right_by_index,
            "worth_percent": 100 * learned.worth,
        },
    )


def _pieces(path: Path) -> geopandas.GeoDataFrame:
    """Return the pieces, with whether each is lawn in place of the word that says so."""
    where = str(path)
    fault = formats.file_fault(path, formats.VECTORS)
    if fault is not None:
        raise SiteError(fault[0], where=where, advice=fault[1])
    areas = [info for info in gpkg.layer_overview(path) if info.geometry_type in ("Polygon", "MultiPolygon", *MIXED)]
    if len(areas) != 1 or areas[0].crs is None:
        raise SiteError(
            f"holds {len(areas)} layers of areas" if len(areas) != 1 else "has no CRS",
            where=where,
            advice="Draw the examples in one layer of polygons that has a CRS.",
        )
    table = gpkg.read_layer(areas[0].path, areas[0].name)
    columns = [name for name in table.columns if str(name).casefold() == COLUMN]
    for number in range(len(table)):
        word = str(table[columns[0]].iloc[number]) if columns else ""
        shape = table.geometry.iloc[number]
        if _plain(word) not in WORDS or shape is None or not shape.area > 0:
            raise SiteError(
                f"column {COLUMN!r} says {word!r} there" if columns else f"has no column {COLUMN!r}",
                where=(where, f"feature {number + 1}"),
                advice=f"Each piece is an area whose {COLUMN} is {' or '.join(map(repr, WORDS))}.",
            )
    lawn = [WORDS[_plain(str(word))] for word in table[columns[0]]] if columns else []
    return geopandas.GeoDataFrame({COLUMN: lawn}, geometry=table.geometry.to_numpy(), crs=areas[0].crs)


def _plain(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").replace("-", " ").split())


def _standing(
    image: Imagery, files: SiteFiles, raster_info: Mapping[str, rasters.RasterInfo], options: ReadOptions
) -> BoolArray:
    """Return the cells of an image of which a surface model tells that they stand; none without one."""
    grid = image.red
    if not {"dem", "dsm"} <= files.rasters.keys():
        return np.zeros(grid.shape, dtype=bool)
    frame = MeasuringFrame.centred_on(shapely.box(*grid.bounds), grid.crs)
    outline = frame.coordinates_from(grid.crs, shapely.get_coordinates(shapely.box(*grid.bounds)))
    heights = []
    for name in ("dsm", "dem"):
        info = raster_info[name]
        crs = horizontal_crs(info.crs)
        bounds = shapely.MultiPoint(frame.coordinates_in(crs, outline)).bounds
        if not rasters.reaches(info, bounds):
            return np.zeros(grid.shape, dtype=bool)
        values, transform = rasters.read_window(files.rasters[name], bounds)
        heights.append(Grid(values * dem_unit_m(options, info), transform, crs))
    surface, ground = heights
    return np.asarray(height_above_ground(surface, ground, grid, frame) >= STANDING_M)  # NaN compares as low


def _inside(image: Imagery, piece: BaseGeometry) -> BoolArray:
    """Return the cells of an image whose centres lie in a piece, in the image's CRS."""
    x, y = image.red.cell_centres
    return np.asarray(shapely.contains_xy(piece, *np.meshgrid(x, y)))
