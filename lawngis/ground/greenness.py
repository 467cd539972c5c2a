"""What is green in a photo of red, green and blue: which index tells it, from where on, and where shade hides it.

No number says from where on ground is green in such a photo: cameras brighten, air pales, and each does as it likes. So
the threshold is where two kinds of ground part in the photo itself; where it shows no two kinds, it is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lawngis.arrays import BoolArray, FloatArray
from lawngis.ground.imagery import (
    BOOTSTRAP_DRAWS,
    INDEX_BINS,
    INDEX_RANGES,
    GreenIndex,
    Imagery,
    IndexRange,
    Threshold,
    cell_side_m,
    index_histogram,
    threshold_of_tiles,
    tile_histograms,
    vegetation_index,
)
from lawngis.ground.two_kinds import TwoKinds, two_kinds

SHADE_SHARE = 0.7
"""Ground darker than this share of its kind's usual brightness is in shade; a crown's shade takes some 40 %."""

WARM_MOST = 0.08
"""Warmth from which ground may be dry grass at most [1]: dry grass and soil have 0.13 to 0.16, concrete and asphalt
0.05 by the reflectances of the bench's painted gardens, which are from memory."""

WARMER = 0.04
"""Ground this much warmer than the greyest may be dry grass [1]: parched lawns of a real garden are 0.05 to 0.07."""

GREYEST_PERCENT = 10
"""The greyest ground is that below so many percent of what isn't green: cameras make white what they like."""

VISIBLE_INDICES = (GreenIndex.GREEN_LEAF, GreenIndex.EXCESS_GREEN, GreenIndex.VARI)
"""Indices of colour, in the order in which they are taken where none does better."""

OVERLAP_ALIKE = 0.01
"""Indices whose kinds overlap by so little more than another's do as well [1]: mixed cells along edges are more."""

_CENTRES = (np.arange(INDEX_BINS) + 0.5) * 2 / INDEX_BINS - 1


def usual_brightness(imagery: Imagery, index: FloatArray, threshold: float) -> tuple[float, float]:
    """Return the median brightness of green and of bare ground, NaN for one that there is none of.

    In red, green and blue sunlit grass is the darkest ground there is, so bare ground is at least as bright: where most
    that isn't green lies in the shade, its own median would hide that.
    """
    brightness, green = imagery.brightness, index >= threshold
    medians = []
    for kind in (green, ~green & np.isfinite(index)):
        medians.append(float(np.nanmedian(brightness[kind])) if kind.any() else float("nan"))
    green_usual, bare_usual = medians
    return green_usual, bare_usual if imagery.nir is not None else float(np.fmax(green_usual, bare_usual))


def warmth(imagery: Imagery) -> FloatArray:
    """Return how much more red than blue there is, as a share of all light [-1 to 1]; shape (rows, cols).

    Paving is grey and near 0; dry grass and bare soil are warm, and nothing in their colour parts the two.
    """
    assert imagery.green is not None and imagery.blue is not None  # noqa: S101  Imagery checks it
    red, blue = imagery.red.values, imagery.blue.values
    return (red - blue) / np.maximum(red + imagery.green.values + blue, 1e-9)


def warm_from(imagery: Imagery, bare: BoolArray) -> float:
    """Return the warmth from which ground may be dry grass: a little more than the greyest in the photo has.

    Parameters
    ----------
    imagery
        With red, green and blue.
    bare
        Sunlit cells that aren't green, shape (rows, cols).
    """
    known = warmth(imagery)[bare]
    known = known[np.isfinite(known)]
    return min(WARM_MOST, float(np.percentile(known, GREYEST_PERCENT)) + WARMER) if known.size else WARM_MOST


def in_shade(brightness: FloatArray, green: BoolArray, usual: tuple[float, float]) -> BoolArray:
    """Return the cells that are much darker than their kind usually is.

    Parameters
    ----------
    brightness, green
        Mean of the bands, and whether a cell is green; shape (rows, cols).
    usual
        Brightness of sunlit ground that is green, and that is bare; with NaN none of it is in shade.
    """
    return np.asarray(brightness < SHADE_SHARE * np.where(green, *usual))  # NaN compares as not shaded


def green_threshold(imagery: Imagery, low: BoolArray) -> Threshold:
    """Return the index from which ground counts as green, found in an image.

    Parameters
    ----------
    imagery
        The image, or a sample of it.
    low
        Cells to look at, shape (rows, cols): those near the ground, or all.
    """
    if imagery.nir is None:
        return visible_threshold(imagery, low)
    index = vegetation_index(imagery)
    return threshold_of_tiles(tile_histograms(np.where(low, index, np.nan), cell_side_m(imagery.red)))


def visible_threshold(imagery: Imagery, low: BoolArray) -> Threshold:
    """Return the index of colour that parts green from bare ground best in an image, and from where on it does.

    Parameters
    ----------
    imagery
        With red, green and blue.
    low
        Cells to look at, shape (rows, cols): those near the ground, or all.

    Raises
    ------
    ParameterError
        When the image has no data there.

    Notes
    -----
    Two normal distributions are fitted to the histogram of each index on sunlit ground, and the threshold is where
    both are as likely. The index with the least overlap of the two is taken, the first of those that do as well. Kinds
    that part outside what is sensible of green are others than green and bare, such as soil and paving. Shade is told
    by a first look at the green leaf index, and left out: it shifts colours, and the threshold with them.

    As in :func:`~lawngis.ground.imagery.threshold_of_tiles` tiles are drawn anew for the standard deviation, and a draw
    that shows no two kinds leaves all open that is sensible.

    References
    ----------
    Kittler and Illingworth, 1986, Minimum error thresholding, Pattern Recognition 19(1), 41-47.
    """
    first = vegetation_index(imagery, GreenIndex.GREEN_LEAF)
    counted = np.where(low, first, np.nan)
    parting = _parting(two_kinds(index_histogram(counted), _CENTRES)[0], INDEX_RANGES[GreenIndex.GREEN_LEAF])
    green_from = INDEX_RANGES[GreenIndex.GREEN_LEAF].default if parting is None else parting
    usual = usual_brightness(imagery, counted, green_from)
    sunlit = low & ~in_shade(imagery.brightness, first >= green_from, usual)
    found = [_threshold(imagery, index, sunlit if sunlit.any() else low) for index in VISIBLE_INDICES]
    return _best(found)


def _best(found: Sequence[Threshold]) -> Threshold:
    """Return the first of the thresholds that do as well as any; without any the first, of which nothing is known."""
    parted = [(threshold, threshold.kinds.overlap) for threshold in found if threshold.kinds is not None]
    if not parted:
        return found[0]
    least = min(overlap for _, overlap in parted)
    return next(threshold for threshold, overlap in parted if overlap <= least + OVERLAP_ALIKE)


def _threshold(imagery: Imagery, index: GreenIndex, cells: BoolArray) -> Threshold:
    values, bounds = vegetation_index(imagery, index), INDEX_RANGES[index]
    tiles = tile_histograms(np.where(cells, values, np.nan), cell_side_m(imagery.red))
    whole = two_kinds(tiles.sum(axis=0), _CENTRES)[0]
    value = _parting(whole, bounds)
    unknown = value is None or len(tiles) < 2
    sd = bounds.sd if unknown else _drawn_sd(tiles, bounds)
    if value is None:
        return Threshold(bounds.default, 0.0, "default", sd, index)
    return Threshold(value, 1 - whole.overlap, "mixture", sd, index, whole)


def _drawn_sd(tiles: FloatArray, bounds: IndexRange) -> float:
    """Return the standard deviation of a threshold, from draws of the tiles."""
    count = len(tiles)
    times = np.random.default_rng(0).multinomial(count, np.full(count, 1 / count), size=BOOTSTRAP_DRAWS)
    drawn = [_parting(kinds, bounds) for kinds in two_kinds(times @ tiles, _CENTRES)]
    between = float(np.var([bounds.default if value is None else value for value in drawn])) * count / (count - 1)
    bin_sd = 2 / INDEX_BINS / np.sqrt(12)
    within = float(np.mean([bounds.sd**2 if value is None else bin_sd**2 for value in drawn]))
    return float(np.sqrt(between + within))


def _parting(kinds: TwoKinds, bounds: IndexRange) -> float | None:
    """Return where two kinds of ground part; None where there are no two, or where no green begins."""
    value = kinds.crossing
    return value if kinds.clear and bounds.low <= value <= bounds.high else None
