"""A site cut into parcels: everything near each, in its measuring frame."""

from __future__ import annotations

import numpy as np
import pyogrio
import pytest
import shapely

from lawngis.errors import LawngisError
from lawngis.ground.raster import centres_in
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_part import DEM_MARGIN_M, NEIGHBOURHOOD_M
from lawngis.processing.reading.site_source import SiteSource


def opened(folder, **options):
    return SiteSource(site_files(folder), ReadOptions(**options))


def test_what_is_near_comes_along_and_what_is_far_does_not(build, site):
    near, far = build.at(20 + NEIGHBOURHOOD_M - 2, 5), build.at(20 + NEIGHBOURHOOD_M + 2, 5)
    build.layer(site / "site.gpkg", "trees", [near, far], height_m=[1.0, 2.0])
    found = opened(site).site("P1")
    assert found.layers["trees"]["height_m"].tolist() == [1.0]
    assert found.parcel.distance(found.layers["trees"].geometry.iloc[0]) == pytest.approx(NEIGHBOURHOOD_M - 2, rel=1e-3)
    assert "sprinklers" not in found.layers


@pytest.mark.parametrize("layer_crs", ["EPSG:25832", "EPSG:4326", "EPSG:3857", "EPSG:3035"])
def test_layers_in_any_crs_come_to_the_same_place(build, site, layer_crs):
    ring = build.parcel().exterior
    shapes = [shapely.Polygon(ring)]
    build.layer(site / "same.gpkg", "lawns", shapes)
    frame = pyogrio.read_dataframe(site / "same.gpkg").to_crs(layer_crs)
    build.layer(site / "other.gpkg", "beds", frame.geometry, crs=layer_crs)
    found = opened(site).site("P1")
    lawn, bed = (found.layers[name].geometry.iloc[0] for name in ("lawns", "beds"))
    assert lawn.hausdorff_distance(bed) < 1e-3
    assert lawn.hausdorff_distance(found.parcel) < 1e-6
    assert found.layers["beds"].crs == found.frame.crs


def test_vertical_units(build, site, tmp_path):
    metres = opened(site).site("P1").dem.values
    feet = opened(site, dem_unit="ft").site("P1").dem.values
    np.testing.assert_allclose(feet, metres * 0.3048)


def test_a_surface_model_that_ends_before_the_parcel_is_said_not_fatal(build, site):
    build.dem(site / "dsm.tif", left=600_000)
    found = opened(site).site("P1")
    assert found.dsm is None
    assert [finding for finding in found.findings if finding.code == "dsm-missing-here"]


def said(site, code):
    return [(finding.values, finding.place is None) for finding in site.findings if finding.code == code]


def test_without_a_terrain_model_elevation_is_unknown_and_what_stands_stands_on_level_ground(build, tmp_path):
    source = opened(build.site(tmp_path / "s", dem=False))
    found = source.site("P1")
    assert not found.has_terrain and np.isnan(found.dem.values).all()
    assert found.dem.crs == source.crs and (found.dem_around.values == 0).all()
    for grid, margin_m in ((found.dem, DEM_MARGIN_M), (found.dem_around, NEIGHBOURHOOD_M)):
        cells = shapely.box(*centres_in(grid, found.frame).min(axis=0), *centres_in(grid, found.frame).max(axis=0))
        assert cells.buffer(0.3, join_style="mitre").covers(found.parcel.buffer(margin_m, join_style="mitre"))
    assert said(found, "terrain-unknown") == [({"case": "folder"}, True)]
    assert not said(found, "dem-unit-assumed")
    corner = ~source.dem_info.transform * (found.dem.transform.c, found.dem.transform.f)
    assert corner == pytest.approx(np.round(corner)) and source.dem_info.width == found.dem.shape[1]


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857", "EPSG:2263"])
def test_without_a_terrain_model_cells_are_half_metres_in_any_crs(build, tmp_path, crs):
    site = build.site(tmp_path / "s", dem=False)
    frame = pyogrio.read_dataframe(site / "site.gpkg").to_crs(crs)
    (site / "site.gpkg").unlink()
    pyogrio.write_dataframe(frame, site / "site.gpkg", layer="parcels")
    dx, dy = opened(site).site("P1").dem.cell_size_m
    assert 0.25 < dx.min() <= dy.max() * 1.05 < 0.6


def test_a_terrain_model_that_ends_in_the_parcel_is_used_as_far_as_it_goes(build, site):
    build.dem(site / "dem.tif", width_m=20)
    found = opened(site).site("P1")
    xy = centres_in(found.dem, found.frame)
    inside = shapely.contains_xy(found.parcel, xy[:, 0], xy[:, 1])
    known = np.isfinite(found.dem.values.ravel())
    assert known[inside].mean() == pytest.approx(0.5, abs=0.02) and inside.sum() == 1200
    ((values, anywhere),) = said(found, "dem-nodata")
    assert (values["area_m2"], values["percent"]) == pytest.approx((found.parcel.area / 2, 50), rel=0.05)
    assert not anywhere and not said(found, "terrain-missing-here")


@pytest.mark.parametrize(
    ("made", "values"),
    [({"left": 600_000}, {}), ({"holes": lambda x, y: (x > 499_999) & (x < 500_021)}, {"case": "gap"})],
)
def test_a_terrain_model_that_has_nothing_on_the_parcel_is_none_there(build, site, made, values):
    build.dem(site / "dem.tif", **made)
    found = opened(site).site("P1")
    assert not found.has_terrain and (found.dem_around.values == 0).all()
    assert said(found, "terrain-missing-here") == [(values, True)]


def test_every_layer_that_is_absent_is_said_with_what_is_unknown(site):
    codes = {finding.code for finding in opened(site).site("P1").findings}
    assert {"no-buildings", "no-trees", "no-water", "no-streets"} <= codes
    assert "no-overrides" not in codes
    assert "no-parcels" not in codes


def test_made_up_names_are_said(build, tmp_path):
    source = opened(build.site(tmp_path / "s", ids=[None]))
    assert source.parcel_ids == ["row-1"]
    assert "parcel-id-made" in {finding.code for finding in source.site("row-1").findings}


def test_an_outline_that_can_not_be_drawn_is_none(build, tmp_path):
    source = opened(build.site(tmp_path / "s", parcels=[build.parcel(), None]))
    assert source.outline("P2") is None
    assert source.outline("P1").equals(build.parcel())
    with pytest.raises(LawngisError, match="has no geometry"):
        source.site("P2")


def test_neighbours_that_only_touch_do_not_overlap(build, tmp_path):
    outlines = [build.parcel(), build.block(20, 0, 20, 15), build.block(0, 14, 20, 10)]
    source = opened(build.site(tmp_path / "s", parcels=outlines))
    overlapped = {
        name: [f.values["parcel_ids"] for f in source.site(name).findings if f.code == "parcels-overlap"]
        for name in ("P1", "P2", "P3")
    }
    assert overlapped == {"P1": [["P3"]], "P2": [], "P3": [["P1"]]}


@pytest.mark.parametrize(("step_m", "known"), [(1.0, True), (0.5, False)])
def test_elevations_in_whole_numbers_are_as_unsure_as_their_rounding(build, site, step_m, known):
    build.dem(site / "dem.tif", heights=lambda x, y: np.round((x + y) / 4 / step_m) * step_m)
    found = opened(site).site("P1")
    # Sheppard's correction: the variance of rounding to steps h is h²/12
    assert found.accuracy.dem_sd_m == pytest.approx(np.sqrt(0.1**2 + 1 / 12) if known else 0.1)
    assert said(found, "dem-rounded") == ([({"step_m": 1.0}, True)] if known else [])
    if known:
        assert opened(site, dem_unit="ft").site("P1").accuracy.dem_sd_m == pytest.approx(
            np.hypot(0.1, 0.3048 / 12**0.5)
        )
