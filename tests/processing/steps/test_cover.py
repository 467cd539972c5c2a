"""The step on invented sites: what it maps, what it says, and what the layers overrule."""

from dataclasses import dataclass, replace

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.imagery import Imagery
from lawngis.ground.raster import Grid
from lawngis.mower import built_in_profile
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.steps.cover import STEP, CoverParameters
from lawngis.processing.steps.lawn import STEP as LAWN
from lawngis.processing.steps.lawn import LawnParameters

UTM = CRS(25832)
MOWER = built_in_profile("medium")
IMAGE = Grid(np.zeros((160, 200)), Affine(0.25, 0, 500_000, 0, -0.25, 5_500_040), UTM)
MODEL = Grid(np.zeros((80, 100)), Affine(0.5, 0, 500_000, 0, -0.5, 5_500_040), UTM)
FRAME = MeasuringFrame.centred_on(shapely.box(*IMAGE.bounds), UTM)
PARCEL = shapely.box(-20, -15, 20, 15)
HOUSE, DRIVE = shapely.box(-18, -13, -8, -4), shapely.box(-6, -15, -2, 15)
TREE = shapely.Point(10, 5)


@dataclass(frozen=True, eq=False)
class Seen(Site):
    imagery: Imagery | None = None


def covered(grid: Grid, shape: shapely.Polygon) -> np.ndarray:
    x, y = np.meshgrid(*grid.cell_centres)
    xy = FRAME.coordinates_from(UTM, np.column_stack([x.ravel(), y.ravel()]))
    return shapely.contains_xy(shape, xy[:, 0], xy[:, 1]).reshape(grid.shape)


def site(*, nir: bool = True, off: tuple[float, float] = (0.0, 0.0), image: bool = True, **layers: list) -> Seen:
    """A house, a drive and a tree of 6 m on lawn; `layers` are the layers of the map."""
    rng = np.random.default_rng(7)
    bands = np.empty((4, *IMAGE.shape))
    bands[:] = np.array([62.0, 98, 52, 186])[:, None, None]
    for shape, colour in ((HOUSE, (152, 86, 70, 150)), (DRIVE, (168, 157, 138, 152))):
        bands[:, covered(IMAGE, shape)] = np.array(colour, dtype=float)[:, None]
    bands += rng.normal(0, 2, bands.shape)
    there = Affine.translation(*off) @ IMAGE.transform
    red, green, blue, infrared = (Grid(np.clip(band, 1, 255), there, UTM) for band in bands)
    height = np.where(covered(MODEL, HOUSE), 5.0, np.where(covered(MODEL, TREE.buffer(2.5)), 6.0, 0.0))
    tables = {}
    for name, shapes in layers.items():
        table = geopandas.GeoDataFrame(geometry=shapes, crs=FRAME.crs)
        for column in ("trunk_diameter_m", "crown_diameter_m", "height_m"):
            table[column] = {"height_m": 6.0}.get(column, np.nan)
        tables[name] = table
    return Seen(
        "P1", "", PARCEL, FRAME, tables, MODEL, dsm=MODEL.with_values(height),
        imagery=Imagery(red, green, blue, infrared if nir else None) if image else None,
    )  # fmt: skip


def planned(seen: Site, **parameters: object) -> Plan:
    plan = Plan("P1", FRAME.crs)
    plan.attach("cover", STEP.compute(seen, plan, MOWER, CoverParameters(**parameters)), STEP.writes)
    return plan


def codes(plan: Plan) -> set[str]:
    return {finding.code for _, finding in plan.findings}


def lawn_of(seen: Site) -> tuple[Plan, shapely.MultiPolygon]:
    plan = planned(seen)
    plan.attach("lawn", LAWN.compute(seen, plan, MOWER, LawnParameters()), LAWN.writes)
    return plan, shapely.union_all(plan.geometries("lawn"))


TRUE_LAWN = PARCEL.difference(shapely.union_all([HOUSE, DRIVE]))


def test_without_an_image_it_maps_nothing_and_says_nothing():
    plan = planned(site(image=False))
    assert plan.rows("cover") == plan.rows("trees_found") == [] and not plan.findings


def test_pieces_and_trees_are_mapped():
    plan = planned(site())
    area = {
        word: sum(row["area_m2"] for row in plan.select("cover", cover=word)) for word in ("built", "bare", "crown")
    }
    crown = area.pop("crown")
    assert area == pytest.approx({"built": HOUSE.area, "bare": DRIVE.area}, rel=0.12)
    assert 2.4**2 < crown / np.pi < 2.9**2  # the surface model smears the rim over half a metre
    (tree,) = plan.rows("trees_found")
    assert tree["geometry"].distance(TREE) < 1.0
    assert {"tree-unmapped", "lawn-inferred"} <= codes(plan)
    assert set(PLAN_LAYERS["cover"].column("cover").values) >= {row["cover"] for row in plan.rows("cover")}


def test_lawn_from_the_image_alone_is_the_lawn():
    plan, lawn = lawn_of(site())
    assert lawn.intersection(TRUE_LAWN).area / lawn.union(TRUE_LAWN).area > 0.95
    assert {row["source"] for row in plan.rows("lawn")} == {"imagery"}
    assert all(0 < row["confidence"] < 1 for row in plan.rows("lawn"))


def test_layers_win_over_the_image():
    _, lawn = lawn_of(site(buildings=[HOUSE], hard_surfaces=[DRIVE]))
    trunk = 0.25
    assert lawn.symmetric_difference(TRUE_LAWN).area < trunk  # nothing but the trunk that was guessed
    mapped = planned(site(trees=[shapely.Point(10.5, 5.2)]))
    assert mapped.rows("trees_found") == []


def test_a_surveyed_lawn_that_is_grey_is_said_with_its_place():
    plan = planned(site(lawns=[PARCEL]))
    place = next(finding.place for _, finding in plan.findings if finding.code == "lawn-not-green")
    assert HOUSE.union(DRIVE).buffer(0.5).contains(place)


def test_buildings_and_trees_that_the_surface_lacks_are_said():
    plan = planned(site(buildings=[HOUSE, shapely.box(2, -12, 8, -6)], trees=[shapely.Point(15, -8)]))
    flat = [finding for _, finding in plan.findings if finding.code == "building-flat"]
    assert len(flat) == 1 and flat[0].values["area_m2"] == pytest.approx(36)
    assert "tree-gone" in codes(plan)


def test_a_shift_is_said_and_corrected_where_asked():
    moved = site(off=(0.75, 0.0), buildings=[HOUSE], hard_surfaces=[DRIVE])
    assert "image-shift" in codes(planned(moved))
    right = planned(moved, correct_shift=True)
    drive = shapely.union_all(right.geometries("cover", cover="bare"))
    left_as_is = shapely.union_all(planned(moved).geometries("cover", cover="bare"))
    assert drive.intersection(DRIVE).area > left_as_is.intersection(DRIVE).area + 0.3 * 30
    far = planned(moved, correct_shift=True, shift_limit_m=0.3)
    assert [f.severity for _, f in far.findings if f.code == "image-shift"] == ["caution"]


def test_poorer_data_are_said_and_less_sure():
    def sure(plan: Plan) -> float:
        return max(row["confidence"] for row in plan.select("cover", cover="lawn"))

    full, visible, flat = planned(site()), planned(site(nir=False)), planned(replace(site(), dsm=None))
    assert "imagery-visible-only" in codes(visible) and "cover-without-heights" in codes(flat)
    assert sure(visible) < sure(full) and not flat.select("cover", cover="lawn")
    assert max(row["confidence"] for row in flat.select("cover", cover="green")) <= 0.5
    assert flat.rows("trees_found") == []
