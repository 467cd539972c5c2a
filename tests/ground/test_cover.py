"""Cover painted is cover found, block by block too, and its pieces lie where they were painted."""

import os
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.cover import (
    CoverClass,
    CoverRules,
    confidence_within,
    cover_pieces,
    ground_cover,
    ground_to_take,
    height_above_ground,
    lawn_in_doubt,
    mask_pieces,
    on_cells_of,
    pieces_in_turn,
    with_hedges,
)
from lawngis.ground.greenness import usual_brightness
from lawngis.ground.imagery import (
    VISIBLE_RANGE,
    GreenIndex,
    Imagery,
    index_histogram,
    vegetation_index,
    vegetation_threshold,
)
from lawngis.ground.raster import Grid
from lawngis.ground.seams import blocks, whole
from lawngis.ground.trees import found_trees
from lawngis.ground.zonal import zonal_cells

UTM = CRS(25832)
CELL_M = 0.25
PLACE = Affine(CELL_M, 0, 500_000, 0, -CELL_M, 5_500_030)
SHAPE = (120, 160)
FRAME = MeasuringFrame.centred_on(shapely.box(500_000, 5_500_000, 500_040, 5_500_030), UTM)
GRASS, PAVING, ROOF = (62.0, 98.0, 52.0, 186.0), (146.0, 143.0, 137.0, 139.0), (152.0, 86.0, 70.0, 150.0)


def painted(noise: float = 2.0, seed: int = 1) -> tuple[Imagery, np.ndarray]:
    """A lawn with a house, a path, a crown, a shrub and shade; heights on the same cells."""
    rng = np.random.default_rng(seed)
    bands = np.empty((4, *SHAPE))
    bands[:] = np.array(GRASS)[:, None, None]
    height = np.zeros(SHAPE)
    bands[:, 20:60, 20:60] = np.array(ROOF)[:, None, None]
    height[20:60, 20:60] = 6.0
    bands[:, 80:88, :] = np.array(PAVING)[:, None, None]
    row, col = np.mgrid[:120, :160] + 0.5
    height = np.where(np.hypot(row - 40, col - 110) < 14, 7.0, height)
    height = np.where(np.hypot(row - 104, col - 40) < 6, 1.2, height)
    bands[:, 60:70, 20:60] *= 0.55
    bands += rng.normal(0, noise, bands.shape)
    return Imagery(*(Grid(np.clip(band, 1, 255), PLACE, UTM) for band in bands)), height


def rules(imagery: Imagery, **changes: float) -> CoverRules:
    index = vegetation_index(imagery)
    threshold = vegetation_threshold(index_histogram(index)).value
    green, bare = usual_brightness(imagery, index, threshold)
    return CoverRules(threshold, brightness_of_green=green, brightness_of_bare=bare, **changes)


# --- heights ----------------------------------------------------------------------------------------------


def test_heights_of_a_plane_come_out_on_other_cells_and_in_another_crs():
    x, y = np.meshgrid((np.arange(60) + 0.5) * 1.0, (np.arange(50) + 0.5) * 1.0)
    ground = Grid(100 + 0.1 * x - 0.05 * y, Affine(1, 0, 499_990, 0, -1, 5_500_040), UTM)
    surface = ground.with_values(ground.values + 2 + 0.01 * x)
    like = Grid(np.zeros(SHAPE), PLACE, UTM)
    height = height_above_ground(surface, ground, like, FRAME)
    expected = 2 + 0.01 * (10 + (np.arange(SHAPE[1]) + 0.5) * CELL_M)
    assert height == pytest.approx(np.tile(expected, (SHAPE[0], 1)))
    lonlat = CRS(4258)
    corner = FRAME.coordinates_in(lonlat, [(-10.0, 8.0)])[0]
    degrees = Grid(np.zeros((20, 30)), Affine(1e-5, 0, corner[0], 0, -7e-6, corner[1]), lonlat)
    lon, lat = degrees.cell_centres
    there = FRAME.coordinates_from(lonlat, [(lon[4], lat[7])])
    utm_x = FRAME.coordinates_in(UTM, there)[0, 0]
    assert on_cells_of(surface, degrees, FRAME)[7, 4] - on_cells_of(ground, degrees, FRAME)[7, 4] == pytest.approx(
        2 + 0.01 * (utm_x - 499_990), abs=1e-6
    )


def test_beyond_the_surface_model_nothing_is_known():
    small = Grid(np.zeros((4, 4)), Affine(0.5, 0, 500_010, 0, -0.5, 5_500_020), UTM)
    known = np.isfinite(on_cells_of(small, Grid(np.zeros(SHAPE), PLACE, UTM), FRAME))
    assert known.sum() == (2 / CELL_M) ** 2


# --- cells ------------------------------------------------------------------------------------------------


def test_cover_painted_is_cover_found():
    imagery, height = painted()
    cover = ground_cover(imagery, height, rules(imagery))
    at = {
        "house": (40, 40),
        "path": (84, 80),
        "crown": (40, 110),
        "shrub": (104, 40),
        "lawn": (110, 130),
        "shade": (65, 40),
    }
    seen = {name: CoverClass(cover.classes[cell]) for name, cell in at.items()}
    assert seen == {
        "house": CoverClass.BUILT, "path": CoverClass.BARE, "crown": CoverClass.TREE,
        "shrub": CoverClass.SHRUB, "lawn": CoverClass.LAWN, "shade": CoverClass.LAWN,
    }  # fmt: skip
    assert cover.below[at["crown"]] == CoverClass.LAWN
    assert cover.in_shade[at["shade"]] and not cover.in_shade[at["lawn"]]
    sure = cover.confidence.values
    assert sure[at["lawn"]] > sure[at["shade"]] > sure[at["crown"]] > 0


def test_roof_and_water_are_never_lawn():
    imagery, height = painted(noise=6.0)
    water = np.array([34.0, 48.0, 55.0, 18.0])
    bands = [band.with_values(band.values.copy()) for band in imagery.bands]
    for band, count in zip(bands, water, strict=True):
        band.values[95:115, 90:120] = count
    imagery = Imagery(*bands)
    cover = ground_cover(imagery, height, rules(imagery))
    assert not (cover.below[96:114, 91:119] == CoverClass.LAWN).any()
    assert not (cover.below[21:59, 21:59] == CoverClass.LAWN).any()


def test_without_infrared_or_heights_it_is_less_sure():
    imagery, height = painted()
    full = ground_cover(imagery, height, rules(imagery)).confidence.values[110, 130]
    flat = ground_cover(imagery, None, rules(imagery)).confidence.values[110, 130]
    visible = Imagery(imagery.red, imagery.green, imagery.blue)
    threshold = vegetation_threshold(index_histogram(vegetation_index(visible)), VISIBLE_RANGE)
    cover = ground_cover(visible, height, CoverRules(threshold.value, index=GreenIndex.GREEN_LEAF))
    assert cover.classes[110, 130] == CoverClass.LAWN and cover.classes[84, 80] == CoverClass.BARE
    assert cover.confidence.values[110, 130] < full and flat < full


def test_unknown_cells_stay_unknown():
    imagery, height = painted()
    bands = [band.with_values(np.where(np.arange(160) < 10, np.nan, band.values)) for band in imagery.bands]
    cover = ground_cover(Imagery(*bands), height, rules(imagery))
    assert (cover.classes[:, :8] == CoverClass.UNKNOWN).all()
    assert (cover.confidence.values[:, :8] == 0).all()


def test_the_middle_of_a_wood_is_not_guessed():
    imagery, _ = painted()
    tall = np.full(SHAPE, 9.0)
    tall[:, :20] = 0.0
    cover = ground_cover(imagery, tall, rules(imagery, crown_reach_m=4.0))
    assert cover.below[110, 100] == CoverClass.UNKNOWN
    assert cover.below[110, 25] == CoverClass.LAWN


def test_a_crown_beside_a_house_hides_lawn_on_the_lawn_side_only():
    imagery, height = painted()
    height = np.where(np.hypot(np.arange(120)[:, None] - 40, np.arange(160) - 64) < 12, 8.0, height)
    green = np.hypot(np.arange(120)[:, None] - 40, np.arange(160) - 64) < 12
    bands = [
        band.with_values(np.where(green, colour, band.values))
        for band, colour in zip(imagery.bands, GRASS, strict=True)
    ]
    cover = ground_cover(Imagery(*bands), height, rules(imagery))
    assert cover.below[40, 54] == CoverClass.BUILT
    assert cover.below[40, 74] == CoverClass.LAWN


def test_a_smeared_wall_makes_no_hedge():
    """The surface model rises over half a metre beside the house; the lawn goes up to the wall."""
    imagery, height = painted(noise=0.0)
    smeared = height.copy()
    smeared[60, 20:60], smeared[61, 20:60] = 4.5, 1.5
    cover = ground_cover(imagery, smeared, rules(imagery))
    assert (cover.classes[61:64, 24:56] == CoverClass.LAWN).all()


# --- blocks -----------------------------------------------------------------------------------------------


def in_blocks(imagery: Imagery, height: np.ndarray, rule: CoverRules, size: int):
    """Cover with hedges and the block, block by block, each as if nothing else had been read."""

    def part(grid: Grid, read: tuple[slice, slice]) -> Grid:
        corner = grid.transform @ Affine.translation(read[1].start, read[0].start)
        return Grid(grid.values[read], corner, grid.crs)

    for block in blocks(SHAPE, size_cells=size, halo_cells=int(np.ceil(rule.halo_m(CELL_M) / CELL_M))):
        image = Imagery(*(part(band, block.read) for band in imagery.bands))
        yield with_hedges(ground_cover(image, height[block.read], rule)), block


@pytest.mark.parametrize("size", [33, 50])
def test_blocks_give_the_cells_and_outlines_of_the_whole(size):
    imagery, height = painted(noise=5.0)
    height[96:99, 60:140] = 1.0
    rule = rules(imagery, crown_reach_m=2.0, speck_m2=0.5)
    at_once = with_hedges(ground_cover(imagery, height, rule))
    assert (at_once.classes[97, 70:130] == CoverClass.HEDGE).all()
    seen = list(in_blocks(imagery, height, rule, size))
    for cover, block in seen:
        assert (cover.classes[block.inner] == at_once.classes[block.core]).all()
        assert (cover.below[block.inner] == at_once.below[block.core]).all()
    pieces = cover_pieces(seen, FRAME, tolerance_m=CELL_M)
    expected = cover_pieces([(at_once, whole(SHAPE))], FRAME, tolerance_m=CELL_M)
    assert [(p.cover, p.inferred) for p in pieces] == [(p.cover, p.inferred) for p in expected]
    for one, other in zip(pieces, expected, strict=True):
        assert one.polygon.symmetric_difference(other.polygon).area < 1e-6
        assert one.confidence == pytest.approx(other.confidence, abs=1e-9)


@pytest.mark.parametrize("sheet_cells", [40, 64])
def test_large_pieces_are_parted_into_the_same_ground(sheet_cells):
    imagery, height = painted()
    cover = ground_cover(imagery, height, rules(imagery))
    pieces = list(pieces_in_turn([(cover, whole(SHAPE))], FRAME, tolerance_m=CELL_M, sheet_cells=sheet_cells))
    expected = cover_pieces([(cover, whole(SHAPE))], FRAME, tolerance_m=CELL_M)
    assert {piece.cover for piece in pieces if piece.parted} >= {CoverClass.LAWN, CoverClass.BARE}
    for kind in CoverClass:
        one, other = (
            shapely.union_all([p.polygon for p in found if p.cover == kind and not p.inferred])
            for found in (pieces, expected)
        )
        overlap = sum(p.polygon.area for p in pieces if p.cover == kind and not p.inferred) - one.area
        assert one.symmetric_difference(other).area < 0.02 * other.area + 1e-9 and overlap < 1e-3


def test_histograms_of_blocks_add_up():
    imagery, _ = painted()
    index = vegetation_index(imagery)
    parts = sum(index_histogram(index[b.core]) for b in blocks(SHAPE, size_cells=37, halo_cells=3))
    assert (parts == index_histogram(index)).all()


# --- what is in doubt -------------------------------------------------------------------------------------

STRAW = (46.0, 36.0, 28.0, 89.0)
"""Dry grass, 250 times its reflectance: NDVI 0.32, green leaf index -0.01.

Red 0.183, green 0.142, blue 0.107, near infrared 0.350 [recomputed]: PROSAIL (Jacquemoud et al. 2009, Remote Sensing of
Environment 113, S56-S66) as in the package prosail 2.0.5, N 1.5, Cab 2, Car 1, Cbrown 1, Cw 0.002, Cm 0.009, LAI 1.0,
dry soil, spherical leaves, sun at 35°, looked at from above; means of 620-690, 520-590, 440-510 and 770-890 nm.
"""


def with_straw(**colours: tuple[slice, slice]) -> tuple[Imagery, np.ndarray]:
    """The painted lawn with patches of other colours."""
    imagery, height = painted()
    bands = [band.with_values(band.values.copy()) for band in imagery.bands]
    for name, patch in colours.items():
        for band, count in zip(bands, {"straw": STRAW, "copper": ROOF, "green": GRASS}[name.rstrip("0")], strict=True):
            band.values[patch] = count
    return Imagery(*bands), height


def test_dry_grass_is_neither_lawn_nor_bare_while_the_threshold_is_in_doubt():
    patch, strip = np.s_[95:115, 60:100], np.s_[90:118, 130:132]
    imagery, height = with_straw(straw=patch, straw0=strip)
    doubt = CoverRules(0.36, 0.05)
    cover = ground_cover(imagery, height, doubt)
    assert (cover.classes[97:113, 62:98] == CoverClass.DRY).all()
    assert cover.classes[84, 80] == CoverClass.BARE and cover.classes[110, 150] == CoverClass.LAWN
    assert not (cover.classes[:, 125:] == CoverClass.DRY).any()  # a strip of two cells is an edge
    sure = ground_cover(imagery, height, CoverRules(0.36, 0.0))
    assert (sure.classes[97:113, 62:98] == CoverClass.BARE).all()


def test_dry_goes_down_two_deviations_and_no_further_than_sensible():
    assert CoverRules(0.3, 0.05).dry_min == pytest.approx(0.2)
    assert CoverRules(0.3, 0.12).dry_min == 0.10  # below there is bare soil: NDVI_RANGE
    assert CoverRules(0.3, 0.25).dry_min == pytest.approx(0.05)  # or where one deviation reaches beyond
    assert CoverRules(0.05, 0.0).dry_min == 0.05  # a threshold that is known leaves no room
    assert CoverRules(0.06, 0.0375, index=GreenIndex.GREEN_LEAF).dry_min == 0.02


def test_what_a_threshold_decides_is_between_one_lower_and_one_higher():
    imagery, height = with_straw(straw=np.s_[95:115, 60:100])
    below, above = CoverRules(0.36, 0.05), CoverRules(0.28, 0.05)
    added, taken = lawn_in_doubt(imagery, height, below, ground_cover(imagery, height, below))
    assert added[97:113, 62:98].all() and not added[80:88].any() and not taken[97:113, 62:98].any()
    added, taken = lawn_in_doubt(imagery, height, above, ground_cover(imagery, height, above))
    assert taken[97:113, 62:98].all() and not added[97:113, 62:98].any()
    known = CoverRules(0.28, 0.0)
    added, taken = lawn_in_doubt(imagery, height, known, ground_cover(imagery, height, known))
    assert not added.any() and not taken.any()


def test_colour_alone_makes_nothing_that_stands_a_building():
    """A copper beech has the colour of a roof: only near infrared tells it from one."""
    imagery, height = with_straw(copper=np.s_[30:50, 100:120])
    height = np.where(np.hypot(*(np.mgrid[:120, :160] + 0.5 - np.array([40, 110])[:, None, None])) < 14, 7.0, height)
    with_nir = ground_cover(imagery, height, rules(imagery))
    visible = Imagery(imagery.red, imagery.green, imagery.blue)
    by_colour = ground_cover(visible, height, rules(visible, index=GreenIndex.GREEN_LEAF))
    assert with_nir.classes[40, 40] == with_nir.classes[40, 110] == CoverClass.BUILT
    assert not (by_colour.classes == CoverClass.BUILT).any()
    assert by_colour.classes[40, 40] == by_colour.classes[40, 110] == CoverClass.STANDING


def test_without_heights_green_is_no_lawn_yet_and_half_as_sure_at_most():
    imagery, height = painted()
    flat, full = ground_cover(imagery, None, rules(imagery)), ground_cover(imagery, height, rules(imagery))
    assert flat.classes[110, 130] == flat.classes[40, 110] == CoverClass.GREEN  # lawn and crown alike
    assert not np.isin(flat.classes, (CoverClass.LAWN, CoverClass.TREE, CoverClass.BUILT)).any()
    assert flat.confidence.values.max() <= 0.5 < full.confidence.values[110, 130]


def test_the_less_sure_the_threshold_the_less_sure_the_lawn():
    imagery, height = with_straw(straw=np.s_[95:115, 60:100])
    sure = [ground_cover(imagery, height, CoverRules(0.28, sd)).confidence.values[104, 80] for sd in (0.0, 0.05, 0.2)]
    assert sure[0] > sure[1] > sure[2] > 0.5


# --- pieces -----------------------------------------------------------------------------------------------


def test_crumbs_are_dropped():
    imagery, height = painted()
    cover = ground_cover(imagery, height, rules(imagery))
    mask = np.zeros(SHAPE, dtype=bool)
    mask[10:12, 10:12] = mask[30:60, 30:70] = True
    pieces = mask_pieces(mask, CoverClass.SHRUB, cover, FRAME, tolerance_m=CELL_M)
    assert len(pieces) == 1 and pieces[0].polygon.area == pytest.approx(30 * 40 * CELL_M**2, rel=0.01)
    assert mask_pieces(np.zeros(SHAPE, dtype=bool), CoverClass.SHRUB, cover, FRAME, tolerance_m=CELL_M) == []


def test_pieces_lie_where_they_were_painted():
    imagery, height = painted()
    pieces = cover_pieces([(ground_cover(imagery, height, rules(imagery)), whole(SHAPE))], FRAME, tolerance_m=CELL_M)
    house = next(piece for piece in pieces if piece.cover == CoverClass.BUILT).polygon
    true = FRAME.to_frame([shapely.box(500_005, 5_500_015, 500_015, 5_500_025)], UTM)[0]
    assert house.symmetric_difference(true).area < 0.03 * true.area
    hidden = [piece for piece in pieces if piece.inferred]
    crown = [piece for piece in pieces if piece.cover == CoverClass.TREE]
    assert len(hidden) == len(crown) == 1
    assert hidden[0].polygon.symmetric_difference(crown[0].polygon).area < 0.05 * crown[0].polygon.area
    assert hidden[0].confidence == pytest.approx(0.5, abs=0.05)


# --- beside a map -----------------------------------------------------------------------------------------


def test_the_map_wins_and_strips_beside_it_go():
    path = shapely.box(0, 0, 10, 2)
    a_little_off = shapely.box(0, 0.3, 10, 2.3)
    assert ground_to_take([a_little_off], [], [path]) == []
    terrace = shapely.box(0, 2.3, 4, 6)
    taken = shapely.union_all(ground_to_take([terrace], [], [path]))
    assert taken.area == pytest.approx(4 * 4, abs=0.1)  # down to the path: nobody mows 30 cm
    assert taken.intersection(path).area < 1e-6


def test_lawn_that_is_guessed_is_not_taken():
    crown, below = shapely.box(0, 0, 6, 6), shapely.box(0, 0, 6, 3)
    taken = shapely.union_all(ground_to_take([crown], [below], []))
    assert taken.area == pytest.approx(18, rel=0.02)
    assert ground_to_take([crown], [crown], []) == []


def test_confidence_is_weighted_by_area():
    pieces = [shapely.box(0, 0, 2, 1), shapely.box(2, 0, 3, 1)]
    wanted = [shapely.box(0, 0, 3, 1), shapely.box(0, 0, 4, 1), shapely.box(9, 9, 10, 10)]
    assert confidence_within(wanted, pieces, [0.9, 0.3], elsewhere=0.4) == pytest.approx([0.7, 0.625, 0.4])


# --- a real place -----------------------------------------------------------------------------------------

GARDEN = os.environ.get("LAWNGIS_GARDEN_DIR", "")


@pytest.mark.skipif(not GARDEN, reason="LAWNGIS_GARDEN_DIR names no folder with imagery.tif, dem.tif, dsm.tif")
def test_real_gardens_have_no_lawn_on_roofs_or_street():
    """50 m of back gardens (IGN, MIT licence): the long roof and the street were read from the picture."""
    import rasterio

    def bands(name: str) -> list[Grid]:
        with rasterio.open(Path(GARDEN) / f"{name}.tif") as data:
            values = data.read(masked=True).astype(float).filled(np.nan)
            return [Grid(band, data.transform, CRS(data.crs.to_epsg())) for band in values]

    imagery, dem, dsm = Imagery(*bands("imagery")), bands("dem")[0], bands("dsm")[0]
    frame = MeasuringFrame.centred_on(shapely.box(*dem.bounds), dem.crs)
    height = height_above_ground(dsm, dem, imagery.red, frame)
    cover = ground_cover(imagery, height, rules(imagery))
    pieces = cover_pieces([(cover, whole(cover.classes.shape))], frame, tolerance_m=0.2)
    lawn = shapely.union_all([piece.polygon for piece in pieces if piece.cover == CoverClass.LAWN])

    def place(col_row: list[tuple[float, float]]) -> shapely.Polygon:
        t = imagery.red.transform
        return shapely.Polygon(
            frame.coordinates_from(imagery.red.crs, [(t.c + t.a * c, t.f + t.e * r) for c, r in col_row])
        )

    roof = place([(5, 80), (30, 85), (215, 235), (200, 248), (5, 110)])
    street = place([(2, 205), (40, 218), (75, 248), (2, 248)])
    assert lawn.intersection(roof).area < 0.01 * roof.area
    assert lawn.intersection(street).area < 0.01 * street.area
    assert 50 < lawn.area < 900
    growing = np.isin(cover.classes, (CoverClass.SHRUB, CoverClass.TREE))
    trees = found_trees(imagery.red.with_values(height), growing, frame, built=cover.classes == CoverClass.BUILT)
    assert len(trees) >= 15
    assert min(tree.height_m for tree in trees) >= 2.0
    crowns = [piece.polygon for piece in pieces if piece.cover == CoverClass.TREE]
    grid = imagery.red.with_values(height)
    for crown in crowns:
        cells = zonal_cells(grid, crown, frame)
        mostly = cells.weights > 0.5
        assert np.nanmedian(grid.values[cells.rows, cells.cols][mostly]) > 1.0  # small ones are half seam
