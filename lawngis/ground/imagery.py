"""An aerial image around a site: its bands, what tells green from the rest, and where to part the two.

Green is read off an index of two or three bands, cell by cell. Histograms of an index add up, so one threshold serves
an image of any size; it is looked for in the valley between bare and green ground.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter1d

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError, RasterError
from lawngis.ground.raster import Grid

INDEX_BINS = 256
"""Bins of an index between -1 and 1; 8-bit counts hold no more."""

VALLEY_SMOOTHING = 0.025
"""Standard deviation of the smoothing of a histogram before valleys are looked for [1]."""

DEPTH_MIN = 0.4
"""A valley is one when it is this share of the lower hump beside it deep [1]; common practice, no source."""

SEPARABILITY_MIN = 0.75
"""Share of an index' variance that a split must explain; an even spread gives 0.75, one Gaussian hump 2/π = 0.64."""

HUMP_SHARE_MIN = 0.01
"""A hump holds at least this share of the cells [1]: specks of paving in a meadow are none."""


class IndexRange(NamedTuple):
    """Bounds within which a threshold of an index makes sense, and the default where the data has no clear valley."""

    low: float
    high: float
    default: float


NDVI_RANGE = IndexRange(0.10, 0.40, 0.30)
"""0.30 and more is taken as green in towns; below 0.1 there is bare soil.

References: urban rules of Remote Sensing 2020, 12(17), 2725 (NDVI 0.3); the bounds are common practice, no source.
"""

VISIBLE_RANGE = IndexRange(0.02, 0.15, 0.06)
"""Of the visible index; common practice, no source."""


@dataclass(frozen=True, eq=False)
class Imagery:
    """Bands of one image around a site, on the same cells.

    Parameters
    ----------
    red
        Red, in counts or reflectance, 0 or more.
    green, blue
        Needed when there is no near infrared; they also tell shade better.
    nir
        Near infrared; None when the image has none.

    Raises
    ------
    RasterError
        When bands lie on different cells, or neither near infrared nor green and blue are there.
    """

    red: Grid
    green: Grid | None = None
    blue: Grid | None = None
    nir: Grid | None = None

    def __post_init__(self) -> None:
        if self.nir is None and (self.green is None or self.blue is None):
            raise RasterError(
                "the image has neither near infrared nor all of red, green and blue",
                advice="Say which band is which.",
            )
        for band in self.bands[1:]:
            if band.shape != self.red.shape or band.transform != self.red.transform:
                raise RasterError("the image's bands lie on different cells", advice="Resample them to one grid.")

    @property
    def bands(self) -> list[Grid]:
        """The bands there are, red first."""
        return [band for band in (self.red, self.green, self.blue, self.nir) if band is not None]

    @property
    def brightness(self) -> FloatArray:
        """Mean of the bands, shape (rows, cols)."""
        return np.mean([band.values for band in self.bands], axis=0)

    def moved(self, d_cols: float, d_rows: float) -> Imagery:
        """Return the same picture laid so many columns to the right and rows down, for correcting a shift."""

        def there(grid: Grid | None) -> Grid | None:
            if grid is None:
                return None
            return Grid(grid.values, grid.transform @ Affine.translation(d_cols, d_rows), grid.crs)

        red = there(self.red)
        assert red is not None  # noqa: S101  a Grid in gives a Grid out
        return Imagery(red, there(self.green), there(self.blue), there(self.nir))


def cell_side_m(grid: Grid) -> float:
    """Return the side of a square as large as a grid's cells [m], to the micrometre.

    Parts of one raster differ by less. Were that not rounded off, widths of whole cells would count in one part as
    more, and in the next as less, than a limit that is a whole number of cells itself.
    """
    dx, dy = grid.cell_size_m
    return round(float(np.sqrt(dx.mean() * dy.mean())), 6)


def ndvi(red: ArrayLike, nir: ArrayLike) -> FloatArray:
    """Return the normalised difference vegetation index, -1 to 1; NaN where both bands are 0 or one is unknown.

    Notes
    -----
    (NIR - R) / (NIR + R).

    References
    ----------
    Rouse, Haas, Schell and Deering, 1974, Monitoring vegetation systems in the Great Plains with ERTS, NASA SP-351.

    Examples
    --------
    >>> ndvi([50.0, 100.0], [150.0, 100.0]).tolist()
    [0.5, 0.0]
    """
    r, n = np.asarray(red, dtype=np.float64), np.asarray(nir, dtype=np.float64)
    return _ratio(n - r, n + r)


def visible_index(red: ArrayLike, green: ArrayLike, blue: ArrayLike) -> FloatArray:
    """Return the green leaf index, -1 to 1, for images without near infrared.

    Green paint and artificial turf look like grass to it; shade and dry lawn don't.

    Notes
    -----
    (2 G - R - B) / (2 G + R + B).

    References
    ----------
    Louhaichi, Borman and Johnson, 2001, Spatially located platform and aerial photography for documentation of
    grazing impacts on wheat, Geocarto International 16(1), 65-70 (formula from memory).
    """
    r, g, b = (np.asarray(band, dtype=np.float64) for band in (red, green, blue))
    return _ratio(2 * g - r - b, 2 * g + r + b)


def vegetation_index(imagery: Imagery) -> FloatArray:
    """Return the NDVI of an image, or the visible index when it has no near infrared; shape (rows, cols)."""
    if imagery.nir is not None:
        return ndvi(imagery.red.values, imagery.nir.values)
    assert imagery.green is not None and imagery.blue is not None  # noqa: S101  Imagery checks it
    return visible_index(imagery.red.values, imagery.green.values, imagery.blue.values)


def index_histogram(index: ArrayLike) -> FloatArray:
    """Return how many cells have which index, shape (256,): histograms of blocks add up to the image's.

    Parameters
    ----------
    index
        Between -1 and 1, any shape; NaN is not counted.
    """
    values = np.asarray(index, dtype=np.float64)
    counts, _ = np.histogram(values[np.isfinite(values)], bins=INDEX_BINS, range=(-1.0, 1.0))
    return counts.astype(np.float64)


@dataclass(frozen=True)
class Threshold:
    """Index from which ground counts as green.

    Parameters
    ----------
    value
        The threshold [1].
    depth
        How deep the valley is between the two humps, as a share of the lower one [0, 1].
    origin
        ``split``: found; ``bound``: found, but moved to the nearest sensible value; ``default``: the data show no
        two humps; ``given``: by a parameter.
    """

    value: float
    depth: float
    origin: str


def vegetation_threshold(histogram: ArrayLike, bounds: IndexRange = NDVI_RANGE) -> Threshold:
    """Return the index in the valley between bare and green ground, within sensible bounds.

    Parameters
    ----------
    histogram
        Of :func:`index_histogram`.
    bounds
        Sensible thresholds, and the one to take where the data have no two humps (all grass, all paving).

    Raises
    ------
    ParameterError
        When nothing was counted.

    Notes
    -----
    The lowest place within the bounds, the middle of it where the valley is flat. Where there is none, the split
    with the largest variance between its sides, moved into the bounds. By itself that one fails where a meadow is
    paler than the lawns: the green side has two humps itself, and it parts them.

    References
    ----------
    Prewitt and Mendelsohn, 1966, The analysis of cell images, Annals of the New York Academy of Sciences 128,
    1035-1053: the minimum between two modes of a smoothed histogram. Otsu, 1979, A threshold selection method from
    gray-level histograms, IEEE Transactions on Systems, Man, and Cybernetics 9(1), 62-66: variance and separability.
    """
    counts = np.asarray(histogram, dtype=np.float64)
    if counts.shape != (INDEX_BINS,) or not counts.sum() > 0:
        raise ParameterError("the image has no data here", advice="Check that it covers the site.")
    centres = (np.arange(INDEX_BINS) + 0.5) * 2 / INDEX_BINS - 1
    smooth = gaussian_filter1d(counts / counts.sum(), VALLEY_SMOOTHING * INDEX_BINS / 2, mode="constant")
    lowest, depth = _valley(smooth, centres, bounds)
    if np.isfinite(lowest) and depth >= DEPTH_MIN:
        return Threshold(lowest, depth, "split")
    split, separability = _variance_split(smooth, centres)
    if separability >= SEPARABILITY_MIN:
        value = min(max(split, bounds.low), bounds.high)
        return Threshold(value, max(depth, 0.0), "split" if value == split else "bound")
    return Threshold(bounds.default, max(depth, 0.0), "default")


def _ratio(above: FloatArray, below: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(below > 0, above / np.where(below > 0, below, 1.0), np.nan)


def _valley(smooth: FloatArray, centres: FloatArray, bounds: IndexRange) -> tuple[float, float]:
    """Return the middle of a histogram's lowest place within bounds, and its depth; NaN where it lies at a bound."""
    sensible = np.flatnonzero((centres >= bounds.low) & (centres <= bounds.high))
    lowest = sensible[smooth[sensible].argmin()]
    below, above = smooth[:lowest], smooth[lowest + 1 :]
    hump = min(below.max(initial=0.0), above.max(initial=0.0))
    if min(below.sum(), above.sum()) < HUMP_SHARE_MIN or hump <= 0:
        return float("nan"), 0.0
    flat = sensible[smooth[sensible] <= smooth[lowest] + 0.02 * hump]
    at_bound = len(flat) == 1 and flat[0] in (sensible[0], sensible[-1])
    return float("nan") if at_bound else float(centres[flat].mean()), float(1 - smooth[lowest] / hump)


def _variance_split(share: FloatArray, centres: FloatArray) -> tuple[float, float]:
    """Return the split with the largest variance between its sides, and the share of the variance that this is."""
    mean = float(share @ centres)
    variance = float(share @ (centres - mean) ** 2)
    below, moment = np.cumsum(share)[:-1], np.cumsum(share * centres)[:-1]
    two_sided = (below > HUMP_SHARE_MIN) & (below < 1 - HUMP_SHARE_MIN)
    between = np.where(two_sided, (mean * below - moment) ** 2 / np.where(two_sided, below * (1 - below), 1.0), 0.0)
    best = np.flatnonzero(between >= between.max() * (1 - 1e-9))
    return float(centres[best].mean() + 1 / INDEX_BINS), float(between.max() / max(variance, 1e-12))
