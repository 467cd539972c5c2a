"""Rasters in and out: the only package that opens them.

A raster is named by a string: a file, or ``GPKG:file:table`` for a raster table inside a GeoPackage. Only windows or
rows are ever read, and what is written is whole or not there at all.
"""

from .fetching import fetch_window
from .opening import (
    Bounds,
    RasterInfo,
    close_rasters,
    raster_overview,
    raster_table,
    rasters_passing,
    reaches,
    source_files,
)
from .windows import read_rows, read_window, sample_values
from .writing import CogDrafts, CogTarget, write_mosaic

__all__ = [
    "Bounds",
    "CogDrafts",
    "CogTarget",
    "RasterInfo",
    "close_rasters",
    "fetch_window",
    "raster_overview",
    "raster_table",
    "rasters_passing",
    "reaches",
    "read_rows",
    "read_window",
    "sample_values",
    "source_files",
    "write_mosaic",
]
