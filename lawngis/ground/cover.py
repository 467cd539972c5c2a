"""What covers the ground, seen from the air: lawn, shrubs, trees, bare ground and what is built.

Green tells plants from the rest, height above ground tells lawn from shrubs and trees. Both are read cell by cell on
the image's own cells, so an image of any size can be worked through block by block with the same result; only then
are pieces of ground outlined, in metres of the measuring frame, and laid beside what a map says.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
import shapely
from affine import Affine
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import (
    binary_opening,
    distance_transform_edt,
    label,
    map_coordinates,
    median_filter,
    uniform_filter,
)
from scipy.special import ndtr
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import BoolArray, FloatArray
from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.polygons import closed, opened, polygon_parts, polygonal
from lawngis.ground.greenness import WARM_MOST, in_shade, warmth
from lawngis.ground.imagery import INDEX_RANGES, GreenIndex, Imagery, cell_side_m, vegetation_index
from lawngis.ground.outlines import clean_outline
from lawngis.ground.raster import Grid
from lawngis.ground.seams import Block, Piece, SeamJoiner, block_pieces, whole
from lawngis.ground.trees import hedge_cells
from lawngis.ground.two_kinds import TwoKinds

ClassArray = NDArray[np.uint8]

INDEX_SD = 0.06
"""Standard deviation of an index on one kind of ground [1]; common practice, no source."""

HEIGHT_SD_M = 0.15
"""Standard deviation of a height above ground [m]: two elevations of 0.10 m, the RMSEz of a good survey."""

TRUST_IN_SHADE = 0.75
TRUST_UNDER_CROWN = 0.5
TRUST_WITHOUT_NIR = 0.8
"""What a class is worth where it is inferred, beside one that was seen [1]; common practice, no source."""

UNTOLD = 0.5
"""Chance that ground is no lawn where its colour tells nothing [1]: of two possibilities one."""

LOW_WITHOUT_HEIGHT = 0.5
"""Chance that green ground is low where nothing tells how high it is [1]: low or not, of two possibilities one."""

DRY_SDS = 2.0
"""Low ground counts as just not green down to so many standard deviations below the threshold: 95 in 100."""

DOUBT_WIDTH_M = 0.6
"""Narrower ground that is just not green, or in shade, is the mixed cells along an edge [m]."""


class CoverClass(IntEnum):
    """What covers the ground.

    Built is whatever stands and isn't green: roofs, walls, cars, toys. Colour alone doesn't tell that: without near
    infrared a copper beech isn't green either, and it is STANDING. GREEN is green of unknown height: lawn, shrub or
    crown. DRY is low and just not green enough, or without near infrared of a colour that dry grass has: dry grass, or
    bare ground. SHADED is not green in a photo without near infrared, and too dark for its colour to tell anything.
    Hedges differ from other shrubs and trees by their shape alone: see :func:`with_hedges`.
    """

    UNKNOWN = 0
    BARE = 1
    LAWN = 2
    SHRUB = 3
    TREE = 4
    BUILT = 5
    HEDGE = 6
    GREEN = 7
    DRY = 8
    STANDING = 9
    SHADED = 10


def on_cells_of(grid: Grid, like: Grid, frame: MeasuringFrame) -> FloatArray:
    """Return a grid's values at the cell centres of another one, bilinear; NaN where it has none.

    Parameters
    ----------
    grid
        In any CRS.
    like
        Whose cells are asked for.
    frame
        Through which points go from one CRS to the other.
    """
    x, y = like.cell_centres
    if grid.crs == like.crs:
        inverse = ~grid.transform
        return _bilinear(grid.values, inverse.e * y + inverse.f - 0.5, inverse.a * x + inverse.c - 0.5)
    return np.asarray(map_coordinates(grid.values, _places(grid, like, frame), order=1, cval=np.nan))


LATTICE_CELLS = 16
"""Planes of maps are so nearly straight that only every so many-th cell's place is worked out in another one."""


def _places(grid: Grid, like: Grid, frame: MeasuringFrame) -> FloatArray:
    """Return row and column in a grid of the cell centres of another, shape (2, rows, cols)."""
    rows, cols = (np.unique(np.append(np.arange(0, size, LATTICE_CELLS), size - 1)) for size in like.shape)
    x, y = (centres[part] for centres, part in zip(like.cell_centres, (cols, rows), strict=True))
    xy = np.column_stack([np.tile(x, len(y)), np.repeat(y, len(x))])
    there = frame.coordinates_in(grid.crs, frame.coordinates_from(like.crs, xy))
    inverse = ~grid.transform
    exact = inverse.e * there[:, 1] + inverse.f - 0.5, inverse.a * there[:, 0] + inverse.c - 0.5
    fine = [
        np.interp(np.arange(size), part, np.arange(len(part)))
        for size, part in zip(like.shape, (rows, cols), strict=True)
    ]
    return np.stack([_bilinear(part.reshape(len(y), len(x)), *fine) for part in exact])


def height_above_ground(surface: Grid, ground: Grid, like: Grid, frame: MeasuringFrame) -> FloatArray:
    """Return how high things stand above the ground at the cells of a grid [m], never below 0.

    Parameters
    ----------
    surface, ground
        Elevation with and without what stands on it [m], of the same vertical datum.
    like
        Grid whose cells are asked for, such as the image's.
    frame
        The measuring frame.
    """
    difference = on_cells_of(surface, like, frame) - on_cells_of(ground, like, frame)
    return np.maximum(difference, 0.0)  # NaN stays NaN


@dataclass(frozen=True)
class CoverRules:
    """Rules by which cells are classified.

    Parameters
    ----------
    threshold, threshold_sd
        Index from which ground is green, and its standard deviation.
    shrub_min_m, tree_min_m
        Height above ground from which plants are shrubs, and trees [m].
    speck_m2
        Patches smaller than this belong to what surrounds them [m²]: the minimum mapping unit.
    surface_cell_m
        Cell of the surface model [m], over which the side of a house smears.
    crown_reach_m
        How far under a crown the ground is taken to be what it is beside it [m].
    index
        By which green is told.
    kinds
        The two kinds of ground that the threshold parts, where it was found so.
    colour_trust
        Chance that what has the colour of plants is one, and what has not is none [0, 1]; near infrared needs none.
    warm_from
        Warmth from which ground that isn't green may be dry grass [1]; of no meaning with near infrared.
    brightness_of_green, brightness_of_bare
        Usual brightness of sunlit ground, by which shade is recognised; with NaN none is. See :func:`usual_brightness`.

    References
    ----------
    Heights: urban rules of Remote Sensing 2020, 12(17), 2725: grass to 0.5 m, shrubs to 2 m, trees above.
    """

    threshold: float
    threshold_sd: float = 0.0
    shrub_min_m: float = 0.5
    tree_min_m: float = 2.0
    speck_m2: float = 1.0
    surface_cell_m: float = 0.5
    crown_reach_m: float = 6.0
    index: GreenIndex = GreenIndex.NDVI
    kinds: TwoKinds | None = None
    colour_trust: float = TRUST_WITHOUT_NIR
    warm_from: float = WARM_MOST
    brightness_of_green: float = float("nan")
    brightness_of_bare: float = float("nan")

    @property
    def near_infrared(self) -> bool:
        """Whether near infrared tells plants from what only has their colour."""
        return self.index is GreenIndex.NDVI

    @property
    def dry_min(self) -> float:
        """Index from which low ground is just not green: within doubt of the threshold, as far as is sensible."""
        least = INDEX_RANGES[self.index].low
        return max(self.threshold - DRY_SDS * self.threshold_sd, min(least, self.threshold - self.threshold_sd))

    def halo_m(self, cell_m: float) -> float:
        """Return how far around a block its cells must be known to give the result of the whole image [m]."""
        specks = min(self.speck_m2 / cell_m, 20.0)
        return self.crown_reach_m + 3 * self.surface_cell_m + 2 * specks + 2 * cell_m


@dataclass(frozen=True, eq=False)
class GroundCover:
    """What covers each cell, and how sure that is.

    Parameters
    ----------
    classes
        Of :class:`CoverClass`, shape (rows, cols).
    below
        What the ground is where a crown hides it: inferred from beside it; elsewhere the class itself.
    confidence
        That `below` is right, as a Grid on the image's cells [0, 1].
    in_shade
        Cells in the shade, where the class is less sure.
    greenness
        The index, smoothed; 0 where it is unknown.
    """

    classes: ClassArray
    below: ClassArray
    confidence: Grid
    in_shade: BoolArray
    greenness: FloatArray

    @property
    def lawn_like(self) -> BoolArray:
        """Cells that are lawn, or are taken for it until somebody looks."""
        open_lawn = np.isin(self.classes, (CoverClass.LAWN, CoverClass.GREEN))
        return np.asarray(open_lawn | (self.under_crown & (self.below == CoverClass.LAWN)))

    @property
    def under_crown(self) -> BoolArray:
        """Cells where a crown hides the ground."""
        return np.asarray(self.classes == CoverClass.TREE)


def ground_cover(imagery: Imagery, height_m: FloatArray | None, rules: CoverRules) -> GroundCover:
    """Return what covers the ground, cell by cell.

    Green and low is lawn, green and higher shrub or tree, the rest bare or built; patches too small to matter join
    what is around them, and the green seam that the smeared side of a house raises counts as lawn.

    Parameters
    ----------
    imagery
        The image.
    height_m
        Height above ground on its cells, shape (rows, cols) [m]; None when there is no surface model: what is green
        is then GREEN, and may be lawn, shrub or crown.
    rules
        Rules by which cells are classified.

    Notes
    -----
    The confidence of low ground is the chance that its index lies on this side of the threshold (two normal errors:
    the index' and the threshold's; of colour see :func:`_chance_by_colour`) times the chance that it is low: by its
    height, or one half without any.
    """
    index = _smoothed(vegetation_index(imagery, rules.index))
    known = np.isfinite(index)
    cell_m = cell_side_m(imagery.red)
    green = known & (np.nan_to_num(index) >= rules.threshold)
    height = np.zeros(index.shape) if height_m is None else height_m
    classes = _classes(green, known & np.isfinite(height), np.nan_to_num(height), rules)
    shade = in_shade(imagery.brightness, green, (rules.brightness_of_green, rules.brightness_of_bare))
    chance = None if imagery.lawn_chance is None else imagery.lawn_chance.values
    classes = _as_learned(classes, chance) if chance is not None else _with_dry(classes, index, imagery, cell_m, rules)
    if not rules.near_infrared:
        dark = _wide(shade & np.isin(classes, (CoverClass.BARE, CoverClass.DRY)), cell_m)
        classes = np.where(dark, np.uint8(CoverClass.SHADED), classes)
    if height_m is None and chance is None:
        classes[classes == CoverClass.LAWN] = CoverClass.GREEN
    elif height_m is not None:
        classes = _without_smear(classes, green, cell_m, rules)
    classes = _without_specks(classes, max(1, round(rules.speck_m2 / cell_m**2)))
    below = _below_crowns(classes, cell_m, rules.crown_reach_m)
    trust = 1.0 if rules.near_infrared else rules.colour_trust
    sure = _chance_by_index(index, rules) * (trust if height_m is not None else trust * LOW_WITHOUT_HEIGHT)
    if chance is not None:
        learned = np.isfinite(chance) & np.isin(classes, (CoverClass.LAWN, CoverClass.BARE))
        sure = np.where(learned, np.maximum(chance, 1 - chance), sure)
    sure = sure * _chance_low(height, rules) * np.where(shade, TRUST_IN_SHADE, 1.0)
    sure = np.where(classes == CoverClass.TREE, TRUST_UNDER_CROWN * trust, sure)
    if not rules.near_infrared:
        sure = np.where(np.isin(below, (CoverClass.SHADED, CoverClass.DRY)), np.minimum(sure, UNTOLD), sure)
    sure = np.where(below == CoverClass.UNKNOWN, 0.0, sure)
    return GroundCover(classes, below, imagery.red.with_values(sure), shade, np.nan_to_num(index))


def lawn_in_doubt(
    imagery: Imagery, height_m: FloatArray | None, rules: CoverRules, cover: GroundCover
) -> tuple[BoolArray, BoolArray]:
    """Return the cells that a threshold one standard deviation lower adds to the lawn, and one higher takes from it.

    Parameters
    ----------
    imagery, height_m, rules
        As for :func:`ground_cover`.
    cover
        What that gave.
    """
    low, high = (
        ground_cover(imagery, height_m, replace(rules, threshold=rules.threshold + sds * rules.threshold_sd)).lawn_like
        for sds in (-1, 1)
    )
    return low & ~cover.lawn_like, cover.lawn_like & ~high


def with_hedges(cover: GroundCover) -> GroundCover:
    """Return the same cover with the shrubs and crowns that belong to hedges classified as such."""
    standing = np.isin(cover.classes, (CoverClass.SHRUB, CoverClass.TREE))
    hedge = hedge_cells(standing, cell_m=cell_side_m(cover.confidence))
    return replace(cover, classes=np.where(hedge, np.uint8(CoverClass.HEDGE), cover.classes))


@dataclass(frozen=True, eq=False)
class CoverPiece:
    """A piece of ground of one cover.

    Parameters
    ----------
    cover
        What covers it. Crowns are TREE, whatever lies beneath.
    inferred
        Whether it is ground that a crown hides: LAWN there is a guess, and overlaps a TREE piece.
    polygon
        Outline [m of the frame].
    confidence
        Mean of its cells [0, 1].
    shaded_share
        Share of it that lies in the shade of the image [0, 1].
    greenness
        Mean index of its cells [1].
    parted
        Whether more of it lies beyond the sides of a sheet.
    """

    cover: CoverClass
    inferred: bool
    polygon: Polygon
    confidence: float
    shaded_share: float
    greenness: float
    parted: bool = False


def cover_pieces(
    covers: Iterable[tuple[GroundCover, Block]], frame: MeasuringFrame, *, tolerance_m: float, area_min_m2: float = 1.0
) -> list[CoverPiece]:
    """Return the pieces of ground of each cover, with clean outlines, from the blocks of an image.

    As :func:`pieces_in_turn`, all at once, and every piece whole.

    Returns
    -------
    list of CoverPiece
        By cover, largest first.
    """
    pieces = pieces_in_turn(covers, frame, tolerance_m=tolerance_m, area_min_m2=area_min_m2)
    return sorted(pieces, key=lambda piece: (piece.cover, piece.inferred, -piece.polygon.area))


def pieces_in_turn(
    covers: Iterable[tuple[GroundCover, Block]],
    frame: MeasuringFrame,
    *,
    tolerance_m: float,
    area_min_m2: float = 1.0,
    sheet_cells: int | None = None,
) -> Iterator[CoverPiece]:
    """Return the pieces of ground of each cover, with clean outlines, as the blocks of an image go by.

    Blocks are taken one after the other, and a piece is given out when no further block can add to it. Pieces that
    cross seams are joined before they are drawn clean, so that the seams leave no trace.

    Parameters
    ----------
    covers
        Cover of a block's `read` cells, and the block: row by row, as :func:`lawngis.ground.seams.blocks` gives
        them. A whole image is one block.
    frame
        The measuring frame.
    tolerance_m
        How far an outline may move [m]; one image cell does.
    area_min_m2
        Smaller pieces, and holes, are left out [m²].
    sheet_cells
        Pieces longer or wider than this are parted along lines so far apart, counted from the image's first corner
        [cells]; None keeps them whole, however much memory that takes.
    """
    drawing: _Drawing | None = None
    joiners: dict[tuple[CoverClass, bool], SeamJoiner] = {}
    for cover, block in covers:
        if drawing is None:
            drawing = _Drawing.of(cover.confidence, block, frame, tolerance_m, area_min_m2)
        values = np.stack([cover.confidence.values, cover.in_shade, cover.greenness]).astype(np.float64)
        for kind, mask in _masks(cover):
            if kind not in joiners:
                joiners[kind] = SeamJoiner(sheet_cells=sheet_cells, margin_cells=SHEET_MARGIN_CELLS)
            for piece in joiners[kind].add(block_pieces(mask, block, values), block.core):
                yield from drawing.drawn(kind, piece)
    for kind, joiner in joiners.items():
        assert drawing is not None  # noqa: S101  joiners come after it
        for piece in joiner.rest():
            yield from drawing.drawn(kind, piece)


def mask_pieces(
    mask: BoolArray,
    kind: CoverClass,
    cover: GroundCover,
    frame: MeasuringFrame,
    *,
    tolerance_m: float,
    area_min_m2: float = 1.0,
) -> list[CoverPiece]:
    """Return the pieces of ground of a mask of cells, such as hedges, with clean outlines, largest first.

    Parameters
    ----------
    mask
        On the cells of `cover`.
    kind
        What they are said to be.
    cover, frame, tolerance_m, area_min_m2
        As for :func:`cover_pieces`.
    """
    only = replace(cover, classes=np.where(mask, np.uint8(kind), np.uint8(CoverClass.UNKNOWN)))
    return [
        piece
        for piece in cover_pieces([(only, whole(mask.shape))], frame, tolerance_m=tolerance_m, area_min_m2=area_min_m2)
        if not piece.inferred
    ]


def ground_to_take(
    others: Sequence[BaseGeometry],
    lawn: Sequence[BaseGeometry],
    known: Sequence[BaseGeometry],
    *,
    gap_m: float = 0.5,
    width_min_m: float = 0.6,
    area_min_m2: float = 1.0,
) -> list[Polygon]:
    """Return the ground that an image shows as no lawn, fit to be taken from a parcel beside what maps show.

    Mapped features take precedence: an image's edge that runs along a mapped one is a little off it. So strips between
    the two narrower than `gap_m` are closed, and strips that stick out from the map less than `width_min_m` dropped.

    Parameters
    ----------
    others
        Pieces that the image shows as something else [m].
    lawn
        Pieces that it shows, or lets guess, as lawn [m]: they are kept where they overlap the others.
    known
        Ground that the map says is no lawn [m].
    gap_m, width_min_m
        Widest gap that is closed, narrowest ground that is taken [m]; about two cells of the image.
    area_min_m2
        Smallest ground that is taken [m²].

    Returns
    -------
    list of Polygon
        None of them covers ground that is known.
    """
    seen = shapely.difference(shapely.union_all(list(others)), shapely.union_all(list(lawn)))
    if seen.is_empty:
        return []
    mapped = shapely.union_all([shape for shape in known if shape.geom_type.endswith("Polygon")])
    near = shapely.intersection(mapped, seen.buffer(2 * gap_m))
    sealed = closed(polygonal(shapely.union(seen, near)), gap_m)
    grown = shapely.intersection(shapely.difference(sealed, mapped), seen.buffer(2 * gap_m))
    parts = polygon_parts(opened(polygonal(grown), width_min_m))
    return [part for part in parts if part.area >= area_min_m2 and part.intersects(seen)]


def confidence_within(
    shapes: Sequence[BaseGeometry], polygons: Sequence[BaseGeometry], confidence: ArrayLike, *, elsewhere: float = 0.5
) -> FloatArray:
    """Return how sure the cover is within shapes: the mean of the pieces there, weighted by area.

    For an edge give the band along it: a wall of the image's own making is as sure as both its sides.

    Parameters
    ----------
    shapes
        Polygons, shape (n,) [m].
    polygons, confidence
        Pieces of cover and how sure they are, shape (m,).
    elsewhere
        Worth of ground that no piece covers [0, 1].

    Returns
    -------
    numpy.ndarray
        Shape (n,) [0, 1].
    """
    wanted, pieces = np.asarray(shapes, dtype=object), np.asarray(polygons, dtype=object)
    sure = np.asarray(confidence, dtype=np.float64)
    shape, piece = shapely.STRtree(pieces).query(wanted, predicate="intersects")
    weight = shapely.area(shapely.intersection(wanted[shape], pieces[piece]))
    area = np.bincount(shape, weights=weight, minlength=len(wanted))
    total = np.bincount(shape, weights=weight * sure[piece], minlength=len(wanted))
    bare = np.maximum(shapely.area(wanted) - area, 0.0)
    return np.clip((total + elsewhere * bare) / np.maximum(area + bare, 1e-12), 0.0, 1.0)


# --- cells ----------------------------------------------------------------------------------------------


def _bilinear(values: FloatArray, row: FloatArray, col: FloatArray) -> FloatArray:
    (r0, r1, fr, inside_r), (c0, c1, fc, inside_c) = (
        _neighbours(place, size) for place, size in zip((row, col), values.shape, strict=True)
    )
    upper = values[np.ix_(r0, c0)] * (1 - fc) + values[np.ix_(r0, c1)] * fc
    lower = values[np.ix_(r1, c0)] * (1 - fc) + values[np.ix_(r1, c1)] * fc
    found = upper * (1 - fr)[:, None] + lower * fr[:, None]
    return np.where(inside_r[:, None] & inside_c, found, np.nan)


def _neighbours(place: FloatArray, size: int) -> tuple[NDArray[np.int64], NDArray[np.int64], FloatArray, BoolArray]:
    # Half a cell beyond the outermost centres still lies in the raster, and takes their value.
    inside = (place >= -0.5 - 1e-6) & (place <= size - 0.5 + 1e-6)
    place = np.clip(place, 0, size - 1)
    first = np.minimum(np.floor(place), max(size - 2, 0)).astype(np.int64)
    return first, np.minimum(first + 1, size - 1), place - first, inside


def _smoothed(index: FloatArray) -> FloatArray:
    """Return the median of 3 by 3 cells, which takes noise and keeps edges; unknown cells stay unknown."""
    known = np.isfinite(index)
    return np.where(known, median_filter(np.where(known, index, -1.0), size=3), np.nan)


def _classes(green: BoolArray, known: BoolArray, height: FloatArray, rules: CoverRules) -> ClassArray:
    standing = height >= rules.shrub_min_m
    plants = np.where(height >= rules.tree_min_m, CoverClass.TREE, CoverClass.SHRUB)
    stands = CoverClass.BUILT if rules.near_infrared else CoverClass.STANDING
    seen = np.where(green, np.where(standing, plants, CoverClass.LAWN), np.where(standing, stands, CoverClass.BARE))
    return np.where(known, seen, CoverClass.UNKNOWN).astype(np.uint8)


def _with_dry(classes: ClassArray, index: FloatArray, imagery: Imagery, cell_m: float, rules: CoverRules) -> ClassArray:
    """Return classes with the bare ground that may be dry grass, and is wide enough to be more than an edge, as DRY.

    That is what is just not green, and without near infrared what has the colour of dry grass.
    """
    near = np.nan_to_num(index, nan=-1.0) >= rules.dry_min
    if not rules.near_infrared:
        near |= warmth(imagery) >= rules.warm_from
    return np.where(_wide((classes == CoverClass.BARE) & near, cell_m), np.uint8(CoverClass.DRY), classes)


def _as_learned(classes: ClassArray, chance: FloatArray) -> ClassArray:
    """Return classes with low ground as examples tell it; standing things are told by height and colour as ever."""
    low = np.isfinite(chance) & np.isin(classes, (CoverClass.LAWN, CoverClass.BARE))
    return np.where(low, np.where(chance >= 0.5, np.uint8(CoverClass.LAWN), np.uint8(CoverClass.BARE)), classes)


def _wide(cells: BoolArray, cell_m: float) -> BoolArray:
    """Return the cells of ground that is wide enough to be more than an edge."""
    side = max(2, int(np.ceil(round(DOUBT_WIDTH_M / cell_m, 3))))
    return np.asarray(binary_opening(cells, np.ones((side, side), dtype=bool)))


def _without_smear(classes: ClassArray, green: BoolArray, cell_m: float, rules: CoverRules) -> ClassArray:
    """Return classes without the green seams, no wider than a surface cell, around what stands.

    A surface model rises over one cell from the lawn to a roof or a crown, so the lawn beside a wall looks like a
    hedge, and a crown seems to stand in a ring of shrubs: the one is lawn, the other crown.
    """
    tall = green & (classes >= CoverClass.SHRUB)
    reach = round(rules.surface_cell_m / cell_m, 3)
    out = classes.copy()
    beside_built = _seams(tall, np.isin(classes, (CoverClass.BUILT, CoverClass.STANDING)), reach)
    out[beside_built] = CoverClass.LAWN
    out[_seams(out == CoverClass.SHRUB, out == CoverClass.TREE, reach)] = CoverClass.TREE
    return out


def _seams(tall: BoolArray, beside: BoolArray, reach_cells: float) -> BoolArray:
    """Return the tall cells next to others that no wider piece of tall ones explains."""
    if not beside.any() or not tall.any():
        return np.zeros_like(tall)
    core = distance_transform_edt(np.pad(tall, 1))[1:-1, 1:-1] > 0.75 * reach_cells + 0.5
    real = distance_transform_edt(~core) <= 0.75 * reach_cells + 1 if core.any() else np.zeros_like(tall)
    near = distance_transform_edt(~beside) <= 1.5 * reach_cells + 0.5
    return np.asarray(tall & ~real & near)


def _without_specks(classes: ClassArray, cells_min: int) -> ClassArray:
    speck = np.zeros(classes.shape, dtype=bool)
    for kind in np.unique(classes):
        labels, count = label(classes == kind, structure=np.ones((3, 3)))
        if count:
            speck |= (np.bincount(labels.ravel())[labels] < cells_min) & (labels > 0)
    if not speck.any() or speck.all():
        return classes
    row, col = distance_transform_edt(speck, return_distances=False, return_indices=True)
    return classes[row, col]


def _below_crowns(classes: ClassArray, cell_m: float, reach_m: float) -> ClassArray:
    """Return the ground's class: under a crown that of the nearest cell beside it, unknown beyond the reach."""
    crown = classes == CoverClass.TREE
    if not crown.any() or crown.all():
        return np.where(crown, np.uint8(CoverClass.UNKNOWN), classes)
    distance, (row, col) = distance_transform_edt(crown, return_indices=True)
    nearest = classes[row, col]
    lawn = nearest == CoverClass.LAWN
    # Rays that run from a scrap of lawn into a crown are an artefact of "nearest", not lawn.
    share = uniform_filter(lawn.astype(np.float64), max(3, round(2 / cell_m)), mode="nearest")
    ray = crown & lawn & (share < 0.5 - 1e-6)  # half is half, however the sums were rounded
    return np.where(crown & (distance * cell_m > reach_m) | ray, np.uint8(CoverClass.UNKNOWN), nearest)


def _chance_by_index(index: FloatArray, rules: CoverRules) -> FloatArray:
    """Return how likely cells lie on their side of the threshold."""
    known = np.nan_to_num(index)
    if rules.near_infrared:
        return np.asarray(ndtr(np.abs(known - rules.threshold) / np.hypot(INDEX_SD, rules.threshold_sd)))
    green = _chance_by_colour(known, rules)
    return np.where(known >= rules.threshold, green, 1 - green)


def _chance_low(height: FloatArray, rules: CoverRules) -> FloatArray:
    """Return how likely cells are on their side of the height from which plants are shrubs."""
    return np.asarray(ndtr(np.abs(np.nan_to_num(height) - rules.shrub_min_m) / HEIGHT_SD_M))


def _chance_by_colour(index: FloatArray, rules: CoverRules) -> FloatArray:
    """Return how likely ground is green by an index of colour.

    By the two kinds of ground that the photo shows, wherever within its doubt the threshold lies. Of a photo that shows
    no two kinds it is only known that the threshold lies within sensible bounds.
    """
    if rules.kinds is not None:
        return rules.kinds.chance_of_upper(index, rules.threshold_sd)
    bounds = INDEX_RANGES[rules.index]
    return np.interp(index, [bounds.low, rules.threshold, bounds.high], [0.0, 0.5, 1.0])


# --- pieces ---------------------------------------------------------------------------------------------


def _masks(cover: GroundCover) -> Iterator[tuple[tuple[CoverClass, bool], BoolArray]]:
    for kind in CoverClass:
        if kind is not CoverClass.UNKNOWN:
            yield (kind, False), np.asarray(cover.classes == kind)
    yield (CoverClass.LAWN, True), np.asarray(cover.under_crown & (cover.below == CoverClass.LAWN))


SHEET_MARGIN_CELLS = 8
"""Parts of a large piece are outlined this far beyond their sheet, so that its sides cut none askew."""

SHEET_PART_MIN_M2 = 0.1
"""Smaller parts of a large piece, cut off by the side of a sheet, are left out [m²]."""

SIDE_PIECES = 32
"""Sides of sheets are drawn with so many straight pieces: they are bent in other planes than the image's."""


@dataclass(frozen=True)
class _Drawing:
    """How pieces in cells become pieces of ground."""

    transform: Affine
    grid: Grid
    frame: MeasuringFrame
    tolerance_m: float
    area_min_m2: float

    @classmethod
    def of(cls, grid: Grid, block: Block, frame: MeasuringFrame, tolerance_m: float, area_min_m2: float) -> _Drawing:
        row, col = (part.start for part in block.read)
        return cls(grid.transform @ Affine.translation(-col, -row), grid, frame, tolerance_m, area_min_m2)

    def drawn(self, kind: tuple[CoverClass, bool], piece: Piece) -> Iterator[CoverPiece]:
        raw = self._in_frame(piece.outline)
        parted = piece.sheet is not None
        if raw.area < (SHEET_PART_MIN_M2 if parted else self.area_min_m2):
            return
        outline = clean_outline(raw, tolerance_m=self.tolerance_m, hole_min_m2=self.area_min_m2)
        parts = [outline] if piece.sheet is None else self._within(outline, piece.sheet)
        sure, shaded, greenness = (piece.sums[1:] / max(piece.sums[0], 1e-9)).tolist()
        sure, shaded = (min(max(share, 0.0), 1.0) for share in (sure, shaded))
        for part in parts:
            yield CoverPiece(*kind, part, sure, shaded, greenness, parted)

    def _within(self, outline: Polygon, sheet: Polygon) -> list[Polygon]:
        side = float(sheet.bounds[2] - sheet.bounds[0])
        kept = self._in_frame(shapely.segmentize(sheet, side / SIDE_PIECES))
        parts = polygon_parts(shapely.intersection(outline, kept))
        return [part for part in parts if part.area >= SHEET_PART_MIN_M2]

    def _in_frame(self, part: Polygon) -> Polygon:
        place = self.transform

        def move(col_row: FloatArray) -> FloatArray:
            xy = col_row * [place.a, place.e] + [place.c, place.f]
            return self.frame.coordinates_from(self.grid.crs, xy)

        return shapely.transform(part, move)
