"""A window of the site's image, with the bands that tell green."""

from __future__ import annotations

from pyproj import CRS

from lawngis.ground.imagery import Imagery
from lawngis.ground.raster import Grid

from ..files import rasters
from .read_options import band_numbers


def image_within(
    info: rasters.RasterInfo, crs: CRS, bands: tuple[str, ...], bounds: tuple[float, float, float, float]
) -> Imagery:
    """Return the image within bounds of its own CRS.

    Parameters
    ----------
    info
        The image.
    crs
        Its CRS, without heights.
    bands
        Names of its bands, in order, where it doesn't say them itself.
    bounds
        West, south, east, north.

    Raises
    ------
    RasterError
        When it has nothing there, or not the bands that tell green.
    """
    number = band_numbers(bands, info.bands, info.source)
    grids = {name: Grid(*rasters.read_window(info.source, bounds, band=band), crs) for name, band in number.items()}
    return Imagery(grids["red"], grids.get("green"), grids.get("blue"), grids.get("nir"))
