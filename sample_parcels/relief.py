"""The ground: gently rolling, with a knoll behind P08 and P12, a stepped garden in P09, and survey noise."""

import numpy as np
import shapely
from gardens import DROP_HEIGHT_M, DROP_LINE
from numpy.typing import NDArray
from place import Frame, from_map, parcelled
from rasterio.transform import Affine
from scipy.ndimage import gaussian_filter

Grid = NDArray[np.float64]

DATUM_M = 214.0
KNOLL_CENTRE = (-3.4, 118.2)
KNOLL_FOOT_RADIUS_M = 52.4
KNOLL_TOP_RADIUS_M = 33.0
KNOLL_SLOPE = 0.535
NOISE_SD_M = 0.01
NOISE_SCALE_M = 1.0


def cell_centres(transform: Affine, shape: tuple[int, int]) -> tuple[Grid, Grid]:
    """Return the site coordinates of the cell centres of a north-up raster, as two arrays (rows, columns)."""
    columns, rows = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    map_x, map_y = transform.c + columns * transform.a, transform.f + rows * transform.e
    site_xy = from_map(np.column_stack([map_x.ravel(), map_y.ravel()]))
    return site_xy[:, 0].reshape(shape), site_xy[:, 1].reshape(shape)


def rolling(x: Grid, y: Grid) -> Grid:
    """Return the ground without anything dug or heaped: 1 to 6 %, rising away from the south."""
    waves = 0.36 * np.sin(2 * np.pi * (x + 0.3 * y) / 118.0 + 0.7) + 0.16 * np.cos(2 * np.pi * (y - 0.25 * x) / 71.0)
    return DATUM_M + 0.024 * y + 0.008 * x + waves


def knoll(x: Grid, y: Grid) -> Grid:
    """Return the height that a round knoll adds: an even flank between a foot and a flat top, both rounded off."""
    inside = KNOLL_FOOT_RADIUS_M - np.hypot(x - KNOLL_CENTRE[0], y - KNOLL_CENTRE[1])
    reach = KNOLL_FOOT_RADIUS_M - KNOLL_TOP_RADIUS_M

    def ramp(d: Grid) -> Grid:
        rounding = 0.35
        return rounding * np.logaddexp(0.0, d / rounding)

    return KNOLL_SLOPE * (ramp(inside) - ramp(inside - reach))


def stepped(x: Grid, y: Grid, frame: Frame) -> Grid:
    """Return what the retaining wall's two terraces add: half the step above it, half taken away below.

    The step fades within 6 m from the wall, and along it towards both ends, so that no neighbour's ground moves.
    """
    local = frame.from_site(np.column_stack([x.ravel(), y.ravel()]))
    wall = shapely.get_coordinates(DROP_LINE)
    above = local[:, 1] - np.interp(local[:, 0], wall[:, 0], wall[:, 1])
    left = _fade(local[:, 0] + 0.4, 3.4)
    right = _fade(wall[-1, 0] + 0.4 - local[:, 0], 4.2)
    step = DROP_HEIGHT_M / 2 * left * right * np.exp(-np.abs(above) / 6.0) * np.sign(above)
    return step.reshape(x.shape)


def _fade(distance: NDArray[np.float64], over: float) -> NDArray[np.float64]:
    t = np.clip(distance / over, 0.0, 1.0)
    return t * t * (3 - 2 * t)


def survey_noise(shape: tuple[int, int], cell_m: float) -> Grid:
    """Return noise of 1 cm standard deviation whose correlation falls off over about a metre."""
    white = np.random.default_rng(20).standard_normal(shape)
    soft = gaussian_filter(white, NOISE_SCALE_M / cell_m / np.sqrt(2.0), mode="wrap")
    return NOISE_SD_M * soft / soft.std()


def ground(transform: Affine, shape: tuple[int, int]) -> Grid:
    """Return bare-ground elevation [m], rounded to centimetres."""
    x, y = cell_centres(transform, shape)
    height = rolling(x, y) + knoll(x, y) + stepped(x, y, parcelled()[0]["P09"].frame)
    return np.round(height + survey_noise(shape, transform.a), 2)
