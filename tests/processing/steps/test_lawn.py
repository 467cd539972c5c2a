"""The step on gardens of which an image doesn't tell what is lawn: what it says, what it asks, and what an answer does.

Reflectances: PROSAIL (Jacquemoud et al. 2009, Remote Sensing of Environment 113, S56-S66) as in the package prosail
2.0.5 [recomputed], N 1.5, Cm 0.009, spherical leaves, dry soil, sun at 35°, looked at from above; dry grass with Cab 2,
Car 1, Cbrown 1, Cw 0.002 by leaf area index, a green lawn with Cab 40, Car 8, Cbrown 0, Cw 0.015 and 3.0; means of
620-690, 520-590, 440-510 and 770-890 nm.
"""

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.imagery import NDVI_RANGE, Imagery
from lawngis.ground.raster import Grid
from lawngis.mower import built_in_profile
from lawngis.processing.derived.outline_accuracy import seen_outlines
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.steps.workflow import Settings, installed_steps
from lawngis.processing.steps.workflow import planned as planned_by_steps

UTM = CRS(25832)
MOWER = built_in_profile("medium")
IMAGE = Grid(np.zeros((120, 160)), Affine(0.25, 0, 500_000, 0, -0.25, 5_500_030), UTM)
MODEL = Grid(np.zeros((60, 80)), Affine(0.5, 0, 500_000, 0, -0.5, 5_500_030), UTM)
FRAME = MeasuringFrame.centred_on(shapely.box(*IMAGE.bounds), UTM)
PARCEL = shapely.box(-15, -10, 15, 10)
HOUSE = shapely.box(-15, 4, -5, 10)
ROOF = (152.0, 86.0, 70.0, 150.0)
SOIL_TO_STRAW = {  # leaf area index: red, green, blue, near infrared
    0.0: (0.312, 0.261, 0.227, 0.399),
    0.3: (0.264, 0.215, 0.178, 0.383),
    0.5: (0.236, 0.190, 0.153, 0.372),
    0.8: (0.202, 0.159, 0.123, 0.358),
    1.0: (0.183, 0.142, 0.107, 0.350),
    1.5: (0.147, 0.112, 0.078, 0.332),
}
GREEN = (0.027, 0.047, 0.023, 0.408)


def garden(
    *, green: bool = False, densest: float = 0.8, nir: bool = True, dsm: bool = True, layers: Sequence[str] = ()
) -> Site:
    """A house in a garden that is bare in the west and ever denser dry grass to the east, or all green."""
    density = np.linspace(0, densest, IMAGE.shape[1])
    reflectance = np.array(
        [np.interp(density, list(SOIL_TO_STRAW), band) for band in zip(*SOIL_TO_STRAW.values(), strict=True)]
    )
    bands = np.repeat((250 * reflectance)[:, None, :], IMAGE.shape[0], axis=1)
    if green:
        bands[:, :, 60:] = 250 * np.array(GREEN)[:, None, None]
    bands[:, within(IMAGE, HOUSE)] = np.array(ROOF)[:, None]
    bands += np.random.default_rng(3).normal(0, 1, bands.shape)
    red, grn, blue, infrared = (IMAGE.with_values(np.clip(band, 1, 255)) for band in bands)
    tables = {name: geopandas.GeoDataFrame(geometry=[HOUSE], crs=FRAME.crs) for name in layers}
    height = MODEL.with_values(np.where(within(MODEL, HOUSE), 5.0, 0.0))
    return Site(
        "P1", "", PARCEL, FRAME, tables, MODEL, dsm=height if dsm else None,
        imagery=Imagery(red, grn, blue, infrared if nir else None),
    )  # fmt: skip


def within(grid: Grid, shape: shapely.Polygon) -> np.ndarray:
    x, y = np.meshgrid(*grid.cell_centres)
    xy = FRAME.coordinates_from(UTM, np.column_stack([x.ravel(), y.ravel()]))
    return shapely.contains_xy(shape, xy[:, 0], xy[:, 1]).reshape(grid.shape)


def planned(site: Site, **cover: float) -> Plan:
    return planned_by_steps(site, installed_steps(), Settings(MOWER, {"cover": cover})).plan


def finding(plan: Plan, code: str) -> dict:
    return dict(next((item.values for _, item in plan.findings if item.code == code), {}))


@pytest.fixture(scope="module")
def dry() -> Plan:
    return planned(garden())


def test_a_garden_that_hangs_on_the_threshold_is_undecided_and_not_unsuitable(dry):
    """By the usual threshold there is none; one standard deviation lower half the garden is lawn."""
    said = finding(dry, "lawn-undecided")
    assert said["threshold"] == NDVI_RANGE.default and NDVI_RANGE.sd <= said["threshold_sd"] < 0.11
    assert said["area_low_m2"] <= said["area_m2"] < MOWER.zone_area_min_m2
    ndvi = {lai: (n - r) / (n + r) for lai, (r, _, _, n) in SOIL_TO_STRAW.items()}
    from_lai = np.interp(said["threshold"] - said["threshold_sd"], list(ndvi.values()), list(ndvi))
    east_of = -20 + 40 * from_lai / 0.8
    grassy = PARCEL.difference(HOUSE).intersection(shapely.box(east_of, -50, 50, 50))
    assert said["area_high_m2"] == pytest.approx(grassy.area, rel=0.08)
    (row,) = dry.rows("summary")
    assert row["status"] == "planned" and row["readiness"] == "settle"


def test_is_this_lawn_is_asked_first_over_that_ground(dry):
    first, second = dry.rows("visit_checks")[:2]
    assert first["code"] == "lawn-at-all" != second["code"] and first["measure_what"].startswith("is this lawn?")
    (asked,) = dry.select("visit_areas", check_id=first["check_id"])
    (doubt,) = dry.select("cover", cover="maybe_lawn")
    assert first["target_id"] == doubt["cover_id"] and asked["geometry"].equals(doubt["geometry"])
    assert asked["area_m2"] == pytest.approx(finding(dry, "lawn-undecided")["area_high_m2"], rel=0.05)


def test_dry_grass_is_named_with_its_area(dry):
    cover = {word: sum(row["area_m2"] for row in dry.select("cover", cover=word)) for word in ("dry", "maybe_lawn")}
    assert finding(dry, "ground-dry")["area_m2"] == pytest.approx(cover["dry"])
    assert cover["dry"] > cover["maybe_lawn"] > 100  # two standard deviations hold more than one
    assert "ground-dry" not in {item.code for _, item in planned(garden(), index_threshold=0.3).findings}


@pytest.mark.parametrize(
    ("answer", "status", "readiness"), [("lawn_under_crown", "planned", "visit"), ("bare", "not_suitable", "none")]
)
def test_an_answer_settles_it(dry, answer, status, readiness):
    (doubt,) = dry.select("cover", cover="maybe_lawn")
    fact = Fact(answer, "cover", "cover", doubt["cover_id"], doubt["geometry"].representative_point())
    plan = planned(replace(garden(), facts=Facts(covers=(fact,))))
    assert not finding(plan, "lawn-undecided")
    assert "lawn-at-all" not in {check.code for _, check in plan.checks}
    (row,) = plan.rows("summary")
    assert (row["status"], row["readiness"]) == (status, readiness)
    if answer == "lawn_under_crown":
        assert row["lawn_m2"] == pytest.approx(doubt["area_m2"], rel=0.05)


def test_what_hangs_on_the_threshold_is_counted_once_in_how_sure_an_outline_is():
    """It lies over other pieces of cover, whose confidence has the threshold's doubt already."""
    dense = garden(densest=1.35)
    plan = planned(dense)
    outlines = seen_outlines(dense, plan)
    words = [row["cover"] for row in plan.rows("cover")]
    assert {"maybe_lawn", "hardly_lawn"} <= set(words)
    assert len(outlines.pieces) == len([word for word in words if word not in ("crown", "maybe_lawn", "hardly_lawn")])


def test_what_somebody_saw_counts_whatever_lies_around():
    """Lawn by the threshold, no more by one higher: it is bare where somebody says so, and lawn where not."""
    dense = garden(densest=1.35)
    before = planned(dense)
    (doubt,) = before.select("cover", cover="hardly_lawn")
    assert finding(before, "lawn-undecided")["area_low_m2"] < 5 < 100 < doubt["area_m2"]
    fact = Fact("bare", "cover", "cover", doubt["cover_id"], doubt["geometry"].representative_point())
    after = planned(replace(dense, facts=Facts(covers=(fact,))))
    lawn_m2 = [sum(row["area_m2"] for row in plan.rows("lawn")) for plan in (before, after)]
    assert lawn_m2[1] == pytest.approx(lawn_m2[0] - doubt["area_m2"], abs=10)


def test_a_lawn_that_somebody_drew_is_no_question(dry):
    dense = garden(densest=1.35)
    (lawn,) = planned(dense).rows("lawn")
    drawn = Fact(shapely.box(0, -9, 14, 9), "lawn", "geometry", lawn["lawn_id"], shapely.Point(5, 0))
    plan = planned(replace(dense, facts=Facts(outlines=(drawn,))))
    assert not finding(plan, "lawn-undecided") and not plan.select("visit_checks", code="lawn-at-all")
    nowhere = planned(replace(garden(), facts=Facts(outlines=(drawn,))))  # there is no such lawn: nobody is heard
    assert finding(nowhere, "lawn-undecided") == finding(dry, "lawn-undecided")


def test_a_threshold_that_was_given_and_a_lawn_that_was_surveyed_leave_no_doubt():
    """Whoever gives the threshold knows it, and a surveyed lawn is lawn, dry or not."""
    given = planned(garden(), index_threshold=0.21)
    surveyed = planned(garden(layers=["lawns"]))
    for plan in (given, surveyed):
        assert not finding(plan, "lawn-undecided") and not plan.select("visit_checks", code="dry-grass")
    assert given.rows("lawn") and not given.select("cover", cover="maybe_lawn")


def test_paving_and_roofs_are_no_dry_grass():
    """Ground that a layer seals is not in doubt, whatever colour it has in the image."""
    east = shapely.box(0, -10, 15, 10)
    site = garden()
    columns = {"use": ["terrace"], "level": ["flush"], "surface": ["paved"], "height_m": [np.nan]}
    paved = replace(site, layers={"hard_surfaces": geopandas.GeoDataFrame(columns, geometry=[east], crs=FRAME.crs)})
    said = [finding(planned(one), "ground-dry").get("area_m2", 0.0) for one in (site, paved)]
    assert said[1] < said[0] - 0.8 * east.area


def test_a_green_lawn_is_not_asked_about():
    plan = planned(garden(green=True))
    assert not finding(plan, "lawn-undecided")
    assert not {"lawn-at-all", "maybe-crown"} & {row["code"] for row in plan.rows("visit_checks")}


def test_without_heights_green_is_asked_about_and_never_sure():
    plan = planned(garden(green=True, dsm=False))
    assert finding(plan, "green-height-unknown")["area_m2"] == pytest.approx(20 * 20, rel=0.05)
    (check,) = plan.select("visit_checks", code="maybe-crown")
    (asked,) = plan.select("visit_areas", check_id=check["check_id"])
    assert asked["geometry"].intersection(shapely.union_all(plan.geometries("lawn"))).area > 0.95 * asked["area_m2"]
    assert max(row["confidence"] for row in plan.rows("lawn")) <= 0.5
    (row,) = plan.rows("summary")
    assert row["readiness"] != "ready"


def test_what_stands_is_no_building_by_its_colour():
    by_colour, with_nir = planned(garden(green=True, nir=False)), planned(garden(green=True))
    assert not by_colour.select("cover", cover="built") and with_nir.select("cover", cover="built")
    assert finding(by_colour, "standing-unknown")["area_m2"] == pytest.approx(HOUSE.area, rel=0.15)
    assert by_colour.select("visit_checks", code="standing") and not with_nir.select("visit_checks", code="standing")
    assert shapely.union_all(by_colour.geometries("lawn")).intersection(HOUSE.buffer(-0.5)).area < 1
    mapped = planned(garden(green=True, nir=False, layers=["buildings"]))
    assert not finding(mapped, "standing-unknown")


# --- a real place -----------------------------------------------------------------------------------------

GARDEN = os.environ.get("LAWNGIS_GARDEN_DIR", "")


@pytest.mark.skipif(not GARDEN, reason="LAWNGIS_GARDEN_DIR names no folder with imagery.tif, dem.tif, dsm.tif")
@pytest.mark.parametrize(("bands", "dsm"), [(4, True), (3, True), (4, False), (3, False)])
def test_a_real_garden_in_a_dry_summer_is_settled_on_site(bands, dsm):
    """A garden of 263 m² (IGN, MIT licence): by the usual threshold there are 8 m² of lawn, and nobody was asked."""
    import rasterio

    def grids(name: str) -> list[Grid]:
        with rasterio.open(Path(GARDEN) / f"{name}.tif") as data:
            values = data.read(masked=True).astype(float).filled(np.nan)
            return [Grid(band, data.transform, CRS(data.crs.to_epsg())) for band in values]

    corners = [
        (770556.876, 6277587.501),
        (770571.486, 6277600.109),
        (770581.724, 6277590.619),
        (770566.354, 6277578.291),
    ]
    source = shapely.Polygon(corners)
    frame = MeasuringFrame.centred_on(source, CRS(2154))
    parcel = frame.to_frame([source], CRS(2154))[0]
    site = Site(
        "G1", "", parcel, frame, {}, grids("dem")[0], dsm=grids("dsm")[0] if dsm else None,
        imagery=Imagery(*grids("imagery")[:bands]),
    )  # fmt: skip
    plan = planned(site)
    said = finding(plan, "lawn-undecided")
    assert said["area_low_m2"] < said["area_m2"] < said["area_high_m2"] < parcel.area
    (row,) = plan.rows("summary")
    assert (row["status"], row["readiness"]) == ("planned", "settle")
    assert plan.rows("visit_checks")[0]["code"] == "lawn-at-all"
