"""Ground made for tests: a function of the site's metres on a grid in any CRS, and fields of errors."""

import numpy as np
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid

SITE = MeasuringFrame.centred_on(shapely.Point(11.5, 48.0), CRS(4326))


def site_grid(function, crs=None, cell=0.5, size=100, cell_y=None):
    """A grid in any CRS over the site's middle, with a function of the site's metres on its cells."""
    crs = SITE.crs if crs is None else CRS(crs)
    cell_y = cell_y or cell
    x, y = SITE.coordinates_in(crs, [[0.0, 0.0]])[0]
    corner = Affine(cell, 0, x - size / 2 * cell, 0, -cell_y, y + size / 2 * cell_y)
    grid = Grid(np.zeros((size, size)), corner, crs)
    xs, ys = (axis.ravel() for axis in np.meshgrid(*grid.cell_centres))
    place = SITE.coordinates_from(crs, np.column_stack([xs, ys]))
    return grid.with_values(np.broadcast_to(function(*place.T), xs.shape).reshape(grid.shape))


def error_field(random, shape, cell_m, correlation):
    """Return a random field with variance 1 and a correlation by distance.

    Circulant embedding (C.R. Dietrich and G.N. Newsam, 1997, SIAM J. Sci. Comput. 18(4), 1088-1107): the field is drawn
    on a torus twice as large, on which the correlation matrix is diagonal after a Fourier transform.
    """
    if correlation is None:
        return random.standard_normal(shape)
    down, across = (np.minimum(np.arange(2 * size), 2 * size - np.arange(2 * size)) * cell_m for size in shape)
    power = np.fft.fft2(correlation(np.hypot(down[:, None], across))).real
    noise = np.fft.fft2(random.standard_normal(power.shape))
    return np.fft.ifft2(np.sqrt(np.maximum(power, 0)) * noise).real[: shape[0], : shape[1]]
