"""An aerial image around a site: its bands, what tells green from the rest, and where to part the two.

Green is read off an index of two or three bands, cell by cell. Histograms of an index add up, so one threshold serves
an image of any size; it is looked for in the valley between bare and green ground. How far it may be off is told by
drawing the image's tiles anew. Images without near infrared have a threshold of their own: :mod:`~.greenness`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from affine import Affine
from numpy.typing import ArrayLike
from scipy.ndimage import gaussian_filter1d

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError, RasterError
from lawngis.ground.raster import Grid
from lawngis.ground.two_kinds import TwoKinds

INDEX_BINS = 256
"""Bins of an index between -1 and 1; 8-bit counts hold no more."""

VALLEY_SMOOTHING = 0.025
"""Standard deviation of the smoothing of a histogram before valleys are looked for [1]."""

DEPTH_MIN = 0.4
"""A valley is one when it is this share of the lower hump beside it deep [1]; common practice, no source."""

SEPARABILITY_MIN = 0.75
"""Share of an index' variance that a split must explain; an even spread gives 0.75, one Gaussian hump 2/π = 0.64."""

TWO_KINDS_MIN = 0.66
"""From this share on a split may part two kinds of ground, however near: just more than one Gaussian hump's 0.64."""

HUMP_SHARE_MIN = 0.01
"""A hump holds at least this share of the cells [1]: specks of paving in a meadow are none."""


BOOTSTRAP_DRAWS = 100
"""Draws of an image's tiles: the standard deviation of their thresholds is then itself known to 7 % (1/√(2·100))."""

BOOTSTRAP_TILE_M = 5.0
"""Least side of a tile [m]: larger than a garden's lawns and terraces, so that tiles are nearly independent."""

BOOTSTRAP_TILES_SIDE = 20
"""Most tiles along a side of an image: enough to draw from, whatever the image's size."""


class IndexRange(NamedTuple):
    """Bounds within which a threshold of an index makes sense, and the default where the data has no clear valley."""

    low: float
    high: float
    default: float

    @property
    def sd(self) -> float:
        """Standard deviation of a threshold of which nothing but these bounds is known [1].

        That of a uniform distribution between them, (high - low) / √12.

        References
        ----------
        JCGM 100:2008, Guide to the expression of uncertainty in measurement, 4.3.7.
        """
        return (self.high - self.low) / float(np.sqrt(12))


NDVI_RANGE = IndexRange(0.10, 0.40, 0.30)
"""0.30 and more is taken as green in towns; below 0.1 there is bare soil.

References: urban rules of Remote Sensing 2020, 12(17), 2725 (NDVI 0.3); the bounds are common practice, no source.
"""

VISIBLE_RANGE = IndexRange(0.02, 0.25, 0.06)
"""Of the green leaf index: counts of cameras are low in it, and such as follow the light high; common practice, no
source."""


class GreenIndex(StrEnum):
    """What greenness is read off."""

    NDVI = "ndvi"
    GREEN_LEAF = "green_leaf"
    EXCESS_GREEN = "excess_green"
    VARI = "vari"


INDEX_RANGES = {
    GreenIndex.NDVI: NDVI_RANGE,
    GreenIndex.GREEN_LEAF: VISIBLE_RANGE,
    GreenIndex.EXCESS_GREEN: IndexRange(*(4 * bound / (3 - bound) for bound in VISIBLE_RANGE)),
    GreenIndex.VARI: IndexRange(0.02, 0.40, 0.10),
}
"""Sensible thresholds of each index. Excess green E follows from the green leaf index L: E = 4 L / (3 - L)."""


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
    lawn_chance
        How likely each cell is lawn [0, 1], where examples taught it: see :mod:`lawngis.ground.learned`.
    examples_drawn
        Whether there are examples, even where greenness tells lawn as well as they do.

    Raises
    ------
    RasterError
        When bands lie on different cells, or neither near infrared nor green and blue are there.
    """

    red: Grid
    green: Grid | None = None
    blue: Grid | None = None
    nir: Grid | None = None
    lawn_chance: Grid | None = None
    examples_drawn: bool = False

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
        green, blue, nir, chance = (there(band) for band in (self.green, self.blue, self.nir, self.lawn_chance))
        return Imagery(red, green, blue, nir, chance, self.examples_drawn)


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


def excess_green(red: ArrayLike, green: ArrayLike, blue: ArrayLike) -> FloatArray:
    """Return the excess green of chromatic coordinates, -1 to 2.

    Notes
    -----
    2 g - r - b, with r, g, b the shares of the bands in their sum. That is 3 g - 1, and the green leaf index
    (3 g - 1) / (g + 1): both rise with g alone, so they order ground alike and differ in where kinds of it crowd.

    References
    ----------
    Woebbecke, Meyer, Von Bargen and Mortensen, 1995, Color indices for weed identification under various soil,
    residue, and lighting conditions, Transactions of the ASAE 38(1), 259-269 (formula from memory).
    """
    r, g, b = (np.asarray(band, dtype=np.float64) for band in (red, green, blue))
    return _ratio(2 * g - r - b, r + g + b)


def vari(red: ArrayLike, green: ArrayLike, blue: ArrayLike) -> FloatArray:
    """Return the visible atmospherically resistant index, held within -1 and 1; NaN where G + R - B is not positive.

    Notes
    -----
    (G - R) / (G + R - B). Blue light of the sky makes all ground green to it that lies in the shade.

    References
    ----------
    Gitelson, Kaufman, Stark and Rundquist, 2002, Novel algorithms for remote estimation of vegetation fraction, Remote
    Sensing of Environment 80(1), 76-87 (formula from memory).
    """
    r, g, b = (np.asarray(band, dtype=np.float64) for band in (red, green, blue))
    return np.clip(_ratio(g - r, g + r - b), -1.0, 1.0)


def vegetation_index(imagery: Imagery, index: GreenIndex | None = None) -> FloatArray:
    """Return an index of an image, shape (rows, cols).

    Parameters
    ----------
    imagery
        The image.
    index
        Which; without it the NDVI, or the green leaf index when there is no near infrared.
    """
    if imagery.nir is not None and index in (None, GreenIndex.NDVI):
        return ndvi(imagery.red.values, imagery.nir.values)
    assert imagery.green is not None and imagery.blue is not None  # noqa: S101  Imagery checks it
    of_colour = {GreenIndex.EXCESS_GREEN: excess_green, GreenIndex.VARI: vari}
    formula = visible_index if index is None else of_colour.get(index, visible_index)
    return formula(imagery.red.values, imagery.green.values, imagery.blue.values)


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


def tile_histograms(index: ArrayLike, cell_m: float) -> FloatArray:
    """Return the histogram of each tile of an image, shape (n, 256), for :func:`threshold_of_tiles`.

    Parameters
    ----------
    index
        Between -1 and 1, shape (rows, cols); NaN is not counted, and tiles of nothing else are left out.
    cell_m
        Side of a cell [m].
    """
    values = np.asarray(index, dtype=np.float64)
    side = max(round(BOOTSTRAP_TILE_M / cell_m), -(-max(values.shape) // BOOTSTRAP_TILES_SIDE), 1)
    rows, cols = (range(0, size, side) for size in values.shape)
    tiles = [index_histogram(values[row : row + side, col : col + side]) for row in rows for col in cols]
    return np.array([tile for tile in tiles if tile.any()]).reshape(-1, INDEX_BINS)


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
        two humps; ``given``: by a parameter; ``mixture``: found where two kinds of ground part.
    sd
        Standard deviation of the value [1], where :func:`threshold_of_tiles` found it.
    index
        Of which index it is.
    kinds
        The two kinds of ground that a mixture parts.
    """

    value: float
    depth: float
    origin: str
    sd: float = 0.0
    index: GreenIndex = GreenIndex.NDVI
    kinds: TwoKinds | None = None


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
    smooth, centres = _smoothed(counts)
    lowest, depth = _valley(smooth, centres, bounds)
    if np.isfinite(lowest) and depth >= DEPTH_MIN:
        return Threshold(lowest, depth, "split")
    split, separability = _variance_split(smooth, centres)
    if separability >= SEPARABILITY_MIN:
        value = min(max(split, bounds.low), bounds.high)
        return Threshold(value, max(depth, 0.0), "split" if value == split else "bound")
    return Threshold(bounds.default, max(depth, 0.0), "default")


def threshold_of_tiles(histograms: ArrayLike, bounds: IndexRange = NDVI_RANGE) -> Threshold:
    """Return the threshold of all tiles of an image together, with its standard deviation.

    The tiles are drawn anew with replacement, and each draw has a threshold of its own. One that was not found, but is
    the usual value or a bound, adds the doubt of everything that is sensible, and reaches down to where the data would
    part: counts that nobody calibrated, and grass in a dry summer, lie below what is usual.

    Parameters
    ----------
    histograms
        Of :func:`tile_histograms`, shape (n, 256). With heights take those of low ground alone: what stands is parted
        from lawn by height, and the greenness of crowns and roofs says nothing of the lawn's.
    bounds
        As for :func:`vegetation_threshold`.

    Raises
    ------
    ParameterError
        When nothing was counted.

    Notes
    -----
    By the law of total variance: variance of the drawn thresholds, n / (n - 1) times because n tiles are few, and the
    mean of what each leaves open: a bin's width where it was found, else the whole range, or more where the split with
    the largest variance between its sides lies farther below and may part two kinds of ground. A single tile tells
    nothing of how others differ, so it leaves the whole range open.

    References
    ----------
    Künsch, 1989, The jackknife and the bootstrap for general stationary observations, Annals of Statistics 17(3),
    1217-1241: whole blocks are drawn because neighbouring cells are alike. Fixed blocks in the plane: Hall, 1985,
    Resampling a coverage pattern, Stochastic Processes and their Applications 20(2), 231-246 (from memory).
    """
    tiles = np.asarray(histograms, dtype=np.float64).reshape(-1, INDEX_BINS)
    found = vegetation_threshold(tiles.sum(axis=0), bounds)
    count = len(tiles)
    if count < 2:
        return replace(found, sd=bounds.sd)
    times = np.random.default_rng(0).multinomial(count, np.full(count, 1 / count), size=BOOTSTRAP_DRAWS)
    drawn = [vegetation_threshold(histogram, bounds) for histogram in times @ tiles]
    between = float(np.var([threshold.value for threshold in drawn])) * count / (count - 1)
    left = [_left_open(threshold, counts, bounds) for threshold, counts in zip(drawn, times @ tiles, strict=True)]
    within = float(np.mean(np.square(left)))
    return replace(found, sd=float(np.sqrt(between + within)))


def _left_open(threshold: Threshold, counts: FloatArray, bounds: IndexRange) -> float:
    """Return the standard deviation that a threshold has whatever else is drawn [1]."""
    if threshold.origin == "split":
        return 2 / INDEX_BINS / float(np.sqrt(12))
    split, separability = _variance_split(*_smoothed(counts))
    return max(bounds.sd, threshold.value - split if separability >= TWO_KINDS_MIN else 0.0)


def _smoothed(counts: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the share of cells in each bin, smoothed, and the bins' centres."""
    centres = (np.arange(INDEX_BINS) + 0.5) * 2 / INDEX_BINS - 1
    share = counts / counts.sum()
    return gaussian_filter1d(share, VALLEY_SMOOTHING * INDEX_BINS / 2, mode="constant"), centres


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
