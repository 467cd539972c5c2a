"""The slope of a whole terrain model in a notebook."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import Any, get_args

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from lawngis.errors import ParameterError, PlanError

from ..files.atomic import write_whole
from ..files.rasters import raster_overview, read_rows
from ..reading.read_options import UNITS_M, ReadOptions
from ..whole_rasters.slope import Method, SlopeFiles, SlopeRecipe, Unit, write_slope
from .scratch_folder import ScratchFolder


def slope(
    dem: str | PathLike[str],
    *,
    unit: Unit = "percent",
    method: Method = "horn",
    dem_unit: str | None = None,
) -> SlopeRaster:
    """Return the slope of a terrain model, on its own grid, as ``lawngis slope`` computes it.

    Parameters
    ----------
    dem
        GeoTIFF, mosaic of them (``.vrt``), ASCII grid, or ``GPKG:file:table``.
    unit
        Of slope: ``"percent"`` or ``"degree"``.
    method
        Of the gradient: ``"horn"``, or ``"zevenbergen-thorne"`` for smooth ground.
    dem_unit
        Vertical unit: ``"m"``, ``"ft"`` or ``"us-ft"``; default: what the raster says.

    Raises
    ------
    RasterError, ParameterError, PlanError
        When the terrain model, a unit or the method can't be used, or the disk doesn't take the result.
    """
    ReadOptions(dem_unit=dem_unit)  # refuses units that nobody knows
    for name, value, known in (("unit", unit, get_args(Unit)), ("method", method, get_args(Method))):
        if value not in known:
            raise ParameterError(f"{name} = {value!r} is none of {', '.join(known)}")
    recipe = SlopeRecipe(unit=unit, method=method, dem_unit_m=None if dem_unit is None else UNITS_M[dem_unit])
    folder = ScratchFolder()
    file = folder.path / "slope.tif"
    outcome = write_slope(os.fspath(dem), SlopeFiles(file), recipe)
    return SlopeRaster(file, unit, tuple(outcome.notes), folder)


@dataclass(frozen=True, eq=False)
class SlopeRaster:
    """The slope of a terrain model; see :func:`slope`.

    Parameters
    ----------
    file
        Where it is, as a Cloud Optimized GeoTIFF.
    unit
        Of its values.
    notes
        What had to be assumed, in sentences.
    folder
        What keeps the file there.
    """

    file: Path
    unit: Unit
    notes: tuple[str, ...]
    folder: ScratchFolder | None = field(default=None, repr=False)

    @cached_property
    def values(self) -> NDArray[np.floating[Any]]:
        """Slope by row and column, NaN where there is none; all of it is read at once."""
        return read_rows(str(self.file), 0, raster_overview(str(self.file)).height)

    @property
    def crs(self) -> CRS:
        """CRS of the terrain model."""
        return raster_overview(str(self.file)).crs

    @property
    def transform(self) -> Affine:
        """From column and row to x and y."""
        return raster_overview(str(self.file)).transform

    def write(self, path: str | PathLike[str], *, overwrite: bool = False) -> Path:
        """Write it as a Cloud Optimized GeoTIFF and return the file.

        Parameters
        ----------
        path
            The file.
        overwrite
            Replace what is there.

        Raises
        ------
        PlanError
            When it can't be written, or would replace something.
        """
        target = Path(path)
        if target.exists() and not overwrite:
            raise PlanError("is there already", where=str(target), advice="Name another file, or say overwrite=True.")
        return write_whole(target, self.file.read_bytes())
