"""Every bad input: a clear line, the right exit code, nothing written or changed."""

from __future__ import annotations

import os
import random
import sqlite3
import struct
from contextlib import closing

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import rasterio.shutil
import shapely
from shapely import GeometryCollection, LineString, MultiPolygon, Point, Polygon

BOW_TIE = [(0, 0), (20, 15), (20, 0), (0, 15)]


def no_number():
    """A polygon with a corner that is nowhere."""
    with np.errstate(invalid="ignore"):
        return Polygon([(500_000, 5_500_000), (np.nan, 5_500_000), (500_020, 5_500_015), (500_000, 5_500_015)])


def codes(target, parcel_id):
    findings = pyogrio.read_dataframe(target, layer="findings")
    return set(findings[findings["parcel_id"] == parcel_id]["code"])


# --- what makes the whole site unusable ---------------------------------------------------------------------------


def test_a_missing_path_is_named(refused, tmp_path):
    said = refused(tmp_path / "nowhere")
    assert "nowhere" in said
    assert "no such file or folder" in said


def test_an_empty_folder_is_named(refused, tmp_path):
    (tmp_path / "bare").mkdir()
    said = refused(tmp_path / "bare")
    assert "bare" in said
    assert "no GeoPackage" in said


def test_without_parcels_the_layers_that_are_there_are_named(refused, build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    build.layer(folder / "site.gpkg", "my_plots", [build.parcel()])
    build.layer(folder / "site.gpkg", "trees", [build.at(1, 1)])
    build.dem(folder / "dem.tif")
    said = refused(folder)
    assert "no layer parcels" in said
    assert "--layer parcels=NAME" in said
    assert "my_plots" in said


@pytest.mark.parametrize(
    ("layer", "geometry", "held", "needed"),
    [
        ("parcels", Point(500_001, 5_500_001), "points", "polygons"),
        ("parcels", LineString([(500_000, 5_500_000), (500_020, 5_500_000)]), "lines", "polygons"),
        ("trees", shapely.box(500_000, 5_500_000, 500_001, 5_500_001), "polygons", "points"),
        ("barriers", Point(500_001, 5_500_001), "points", "lines"),
        ("sprinklers", LineString([(500_000, 5_500_000), (500_020, 5_500_000)]), "lines", "points"),
    ],
)
def test_the_wrong_geometry_is_told_apart(refused, build, tmp_path, layer, geometry, held, needed):
    folder = tmp_path / "site"
    folder.mkdir()
    if layer != "parcels":
        build.site(folder)
    build.layer(folder / "site.gpkg", layer, [geometry])
    build.dem(folder / "dem.tif")
    said = refused(folder)
    assert f"site.gpkg, layer {layer}: holds {held}, but {layer} needs {needed}" in said


def test_a_layer_without_crs_is_refused(refused, build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    build.layer(folder / "site.gpkg", "parcels", [build.parcel()], crs=None)
    build.dem(folder / "dem.tif")
    assert "site.gpkg, layer parcels: has no CRS. Assign" in refused(folder)


def test_another_layer_without_crs_is_refused(refused, build, site):
    build.layer(site / "more.gpkg", "trees", [build.at(3, 3)], crs=None)
    assert "more.gpkg, layer trees: has no CRS" in refused(site)


def test_ids_that_occur_twice_are_named_with_their_rows(refused, build, tmp_path):
    outlines = [build.block(25 * number, 0, 20, 15) for number in range(3)]
    site = build.site(tmp_path / "site", parcels=outlines, ids=["A", "B", " A "])
    said = refused(site)
    assert "'A' occurs more than once, in rows 1, 3" in said
    assert "layer parcels" in said


def test_no_parcel_at_all(refused, build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    full = build.layer(tmp_path / "full.gpkg", "parcels", [build.parcel()])
    frame = pyogrio.read_dataframe(full)[:0]
    pyogrio.write_dataframe(frame, folder / "site.gpkg", layer="parcels", geometry_type="Polygon")
    build.dem(folder / "dem.tif")
    assert "layer parcels: holds no parcel" in refused(folder)


def test_a_layer_in_two_files_is_refused_with_both(refused, build, site):
    build.layer(site / "a.gpkg", "trees", [build.at(3, 3)])
    build.layer(site / "b.gpkg", "Trees", [build.at(4, 4)])
    said = refused(site)
    assert "layer trees is in a.gpkg and in b.gpkg" in said


def test_an_attribute_table_named_like_a_layer(refused, site):
    with sqlite3.connect(site / "site.gpkg") as database:
        database.execute("CREATE TABLE trees (fid INTEGER PRIMARY KEY, height_m REAL)")
        database.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier) VALUES ('trees', 'attributes', 'trees')"
        )
    database.close()
    assert "layer trees: is a table without geometry, but trees needs points" in refused(site)


@pytest.mark.parametrize("kept", [0.0, 1e-3, 0.05, 0.3, 0.6, 0.9, 0.99])
def test_a_cut_off_geopackage_is_refused(refused, site, kept):
    file = site / "site.gpkg"
    whole = file.read_bytes()
    file.write_bytes(whole[: int(kept * len(whole))])
    said = refused(site)
    assert "site.gpkg" in said
    assert "cut off" in said or "empty (0 bytes)" in said
    assert "again" in said


@pytest.mark.parametrize("content", [b"parcels and trees\n" * 400, random.Random(7).randbytes(40_000)])
def test_a_file_that_only_looks_like_a_geopackage(refused, site, content):
    (site / "site.gpkg").write_bytes(content)
    assert "site.gpkg: is no GeoPackage" in refused(site)


@pytest.mark.parametrize("seed", range(8))
def test_damage_within_a_geopackage_never_ends_in_a_traceback(lawngis, build, site, tmp_path, seed):
    chance = random.Random(seed)
    damaged = bytearray((site / "site.gpkg").read_bytes())
    for _ in range(4):
        start = chance.randrange(100, len(damaged) - 2000)
        damaged[start : start + 1500] = chance.randbytes(1500)
    (site / "site.gpkg").write_bytes(damaged)
    before = build.hashes(tmp_path)
    outcome = lawngis("check", site)
    assert outcome.code in (0, 2)
    assert outcome.code == 0 or "not usable" in outcome.out
    assert build.hashes(tmp_path) == before


def test_a_text_where_a_number_belongs_is_named_with_row_and_column(refused, build, site):
    build.layer(site / "site.gpkg", "trees", [build.at(2, 2), build.at(5, 5)], height_m=["3.5", "tall"])
    said = refused(site)
    assert "site.gpkg, layer trees, row 2: column height_m holds 'tall' where a number belongs" in said


def test_a_terrain_model_beside_the_file_is_pointed_at(planned, site, tmp_path):
    planned(site / "site.gpkg")
    findings = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="findings").set_index("code")
    assert "there is no terrain model" in findings["text"]["terrain-unknown"]
    assert f"--dem {site / 'dem.tif'}" in findings["advice"]["terrain-unknown"]


def test_a_terrain_model_without_crs(refused, build, site):
    build.dem(site / "dem.tif", crs=None)
    said = refused(site)
    assert "dem.tif: has no CRS" in said


def test_a_surface_model_that_is_none_is_refused_before_anything_is_computed(refused, site):
    (site / "dsm.tif").write_text("a surface")
    assert "dsm.tif: is no TIFF: it holds text" in refused(site)


@pytest.mark.parametrize("content", [None, "", "no raster", "folder"])
def test_a_terrain_model_that_is_none(refused, site, tmp_path, content):
    dem = tmp_path / "other.tif"
    if content == "folder":
        dem.mkdir()
    elif content is not None:
        dem.write_text(content)
    said = refused(site, "--dem", dem)
    assert "other.tif: " in said


def test_a_plan_is_no_site(lawngis, planned, refused, site, tmp_path):
    planned(site)
    plan = tmp_path / "out" / "plan.gpkg"
    assert "plan.gpkg: is a plan, not a site" in refused(plan, out=tmp_path / "other")
    assert lawngis("check", plan).code == 2


# --- usage ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        (["--parcel", "P9"], "there is no parcel 'P9'. The only one is P1"),
        (["--layer", "parcels"], "'parcels' is not LAYER=NAME"),
        (["--layer", "plots=x"], "'plots' is no layer of a site. Layers are parcels"),
        (["--layer", "trees=oaks"], "there is no layer 'oaks' to take as trees. Layers there are parcels"),
        (["--layer", "beds=parcels", "--layer", "water=parcels"], "can't be both beds and water"),
        (["--layer", "beds=a", "--layer", "BEDS=b"], "gives beds twice"),
        (["--layer", "beds=parcels"], "there is no layer parcels"),
        (["--workers", "0"], "--workers"),
        (["--workers", "many"], "--workers"),
        (["--set", "lawn"], "is not STEP.NAME=VALUE"),
        (["--set", "lawns.sliver_width_m=1"], "there is no step 'lawns'"),
        (["--set", "lawn.sliver=1"], "step lawn: unknown parameter sliver"),
        (["--set", "lawn.sliver_width_m=wide"], "sliver_width_m = 'wide'"),
        (["--set", "lawn.sliver_width_m=-1"], "sliver_width_m = '-1'"),
        (["--dem-unit", "yard"], "'yard' is none of m, ft, us-ft"),
        (["--position-sd", "-1"], "--position-sd -1"),
        (["--dem-sd", "nan"], "--dem-sd nan"),
        (["--dem-sd", "some"], "--dem-sd"),
        (["--profile", "giant"], "there is no profile 'giant'"),
        (["--colour", "red"], "--colour"),
    ],
)
def test_words_that_make_no_sense(refused, site, words, expected):
    assert expected in refused(site, *words)


@pytest.mark.parametrize("words", [["nonsense"], ["check"], ["plan"], ["describe"], ["plan", "x"]])
def test_usage_errors_point_to_the_help(lawngis, words):
    outcome = lawngis(*words)
    assert outcome.code == 2
    assert "--help" in outcome.said


def test_profile_files_that_make_no_sense(refused, site, tmp_path):
    sound = _profile_text("medium")
    broken = {
        "unknown key": (sound + "\nbeep_db = 3\n", "beep_db"),
        "negative": (
            sound.replace("slope_limit_percent = 35", "slope_limit_percent = -35"),
            "slope_limit_percent = -35",
        ),
        "text": (
            sound.replace("slope_limit_percent = 35", 'slope_limit_percent = "steep"'),
            "slope_limit_percent = 's",
        ),
        "impossible": (
            sound.replace("passage_transit_min_m = 0.9", "passage_transit_min_m = 1.9"),
            "passage_transit_min_m = 1.9 is more than passage_mow_min_m = 1.6",
        ),
        "no TOML": ("slope: 35", "TOML"),
    }
    for name, (text, expected) in broken.items():
        assert text != sound
        file = tmp_path / f"{name}.toml"
        file.write_text(text)
        said = refused(site, "--profile", file)
        assert expected in said
        assert file.name in said


def test_profiles_that_can_not_be_read(refused, site, tmp_path):
    (tmp_path / "folder.toml").mkdir()
    (tmp_path / "bytes.toml").write_bytes(b"\xff\xfe\x00")
    for name in ("folder.toml", "bytes.toml", "missing.toml"):
        assert name in refused(site, "--profile", tmp_path / name)


def _profile_text(name):
    from lawngis.mower import profile_text

    return profile_text(name)


# --- where the plan goes -------------------------------------------------------------------------------------------


def test_a_file_in_the_way_of_the_folder(refused, site, tmp_path):
    (tmp_path / "taken").write_text("mine")
    assert "taken: is a file, but the plan needs a folder" in refused(site, out=tmp_path / "taken")
    assert "below" in refused(site, out=tmp_path / "taken" / "below")


def test_a_folder_in_the_way_of_the_plan(refused, site, tmp_path):
    (tmp_path / "out" / "plan.gpkg").mkdir(parents=True)
    assert "plan.gpkg: is a folder" in refused(site)


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_to(refused, site, tmp_path):
    (tmp_path / "locked").mkdir(mode=0o555)
    assert "locked" in refused(site, out=tmp_path / "locked")


def test_the_sites_own_folder_takes_the_plan_and_stays_a_site(planned, lawngis, site):
    first = planned(site, out=site)[1]
    second = planned(site, out=site)[1]
    assert list(second.index) == list(first.index) == ["P1"]
    assert "plan.gpkg (a plan)" in lawngis("check", site).out


def test_an_input_is_never_overwritten(refused, site):
    (site / "site.gpkg").rename(site / "plan.gpkg")
    assert "plan.gpkg: would overwrite an input" in refused(site, out=site)


# --- one bad parcel never stops the others -------------------------------------------------------------------------


def test_bad_parcels_fail_by_name_and_the_good_one_is_planned(planned, build, tmp_path):
    far = build.block(5000, 0, 20, 15)
    edge = build.block(-20, 0, 20, 15)
    nowhere = Polygon([(1e12, 1e12), (1e12 + 20, 1e12), (1e12 + 20, 1e12 + 15)])
    flat = Polygon([(500_000, 5_500_000), (500_020, 5_500_000), (500_010, 5_500_000)])
    nan = no_number()
    site = build.site(
        tmp_path / "site",
        parcels=[build.parcel(), far, edge, nowhere, flat, nan, None, Polygon(), build.block(24, 0, 8, 8)],
        ids=["good", "far", "edge", "nowhere", "flat", "nan", "none", "empty", "hole"],
    )
    build.dem(site / "dem.tif", holes=lambda x, y: (x > 500_023) & (x < 500_033) & (y < 5_500_007))
    outcome, summary = planned(site)
    failed = summary[summary["status"] == "failed"]["verdict_text"]
    expected = {
        "nowhere": "",
        "flat": "",
        "nan": "has a coordinate that is no number",
        "none": "has no geometry",
        "empty": "empty geometry",
    }
    assert set(failed.index) == set(expected)
    for name, text in expected.items():
        assert text in failed[name]
        assert "internal error" not in failed[name]
        assert f"parcel {name}" in failed[name]
        assert any(line.startswith(f"parcel {name} failed: ") for line in outcome.err.splitlines())
    plan = tmp_path / "out/plan.gpkg"
    gaps = {
        name: codes(plan, name) & {"terrain-missing-here", "dem-nodata"} for name in ("good", "far", "edge", "hole")
    }
    assert gaps == {"good": set(), "far": {"terrain-missing-here"}, "edge": {"dem-nodata"}, "hole": {"dem-nodata"}}
    assert outcome.code == 1
    assert "5 failed, 4 planned" in outcome.out


def test_all_parcels_failed_is_still_a_plan_that_says_so(planned, build, site):
    frame = pyogrio.read_dataframe(site / "site.gpkg").set_geometry([Polygon()])
    (site / "site.gpkg").unlink()
    pyogrio.write_dataframe(frame, site / "site.gpkg", layer="parcels", geometry_type="Polygon")
    outcome, summary = planned(site)
    assert outcome.code == 1
    assert "empty geometry" in summary["verdict_text"]["P1"]


def test_the_wrong_crs_is_suspected(planned, build, tmp_path):
    site = build.site(tmp_path / "site", dem=False)
    build.dem(site / "dem.tif")
    frame = pyogrio.read_dataframe(site / "site.gpkg").set_crs("EPSG:4326", allow_override=True)
    (site / "site.gpkg").unlink()
    pyogrio.write_dataframe(frame, site / "site.gpkg", layer="parcels")
    _, summary = planned(site)
    assert "do not fit WGS 84" in summary["verdict_text"]["P1"]
    assert "Check that the layer's CRS" in summary["verdict_text"]["P1"]


def test_a_corner_that_lies_far_off_fails_its_parcel_alone(planned, build, tmp_path):
    site = build.site(tmp_path / "site", dem=False)
    frame = pyogrio.read_dataframe(site / "site.gpkg")
    wide = frame.iloc[:1].assign(parcel_id="far")
    (x, y), *others = wide.geometry.iloc[0].exterior.coords[:-1]
    wide = wide.set_geometry([Polygon([(x, y - 5_000_000), *others])])
    (site / "site.gpkg").unlink()
    pyogrio.write_dataframe(pd.concat([frame, wide]), site / "site.gpkg", layer="parcels", geometry_type="Polygon")
    outcome, summary = planned(site)
    assert outcome.code == 1
    assert dict(summary["status"]) == {"P1": "planned", "far": "failed"}
    assert "km; 3 km are the most" in summary["verdict_text"]["far"]


def test_no_data_in_a_corner_is_said_and_planned(planned, build, site, tmp_path):
    build.dem(site / "dem.tif", holes=lambda x, y: (x < 500_003) & (y < 5_500_003))
    _, summary = planned(site)
    assert summary["status"]["P1"] == "planned"
    assert "dem-nodata" in codes(tmp_path / "out/plan.gpkg", "P1")


# --- what is repaired, and said ------------------------------------------------------------------------------------


def test_polygons_that_cross_themselves_are_repaired_and_said(planned, build, tmp_path):
    crossed = Polygon([(500_000 + x, 5_500_000 + y) for x, y in BOW_TIE])
    site = build.site(tmp_path / "site", parcels=[crossed])
    small = Polygon([(500_002 + x / 10, 5_500_005 + y / 10) for x, y in BOW_TIE])
    build.layer(site / "site.gpkg", "beds", [small])
    _, summary = planned(site)
    assert summary["status"]["P1"] == "planned"
    assert {"parcel-repaired", "feature-repaired"} <= codes(tmp_path / "out/plan.gpkg", "P1")
    assert summary["lawn_m2"]["P1"] <= 150  # half of the 300 m² that the corners span


def test_features_that_can_not_be_used_are_left_out_and_said(lawngis, build, site):
    nan = no_number()
    build.layer(site / "site.gpkg", "beds", [build.block(2, 2, 1, 1), nan, None, build.block(5, 5, 1, 1)])
    outcome = lawngis("check", site)
    assert outcome.code == 0
    assert "beds, row 2: has a coordinate that is no number; the feature was left out" in outcome.out
    assert "beds, row 3: has no geometry; the feature was left out" in outcome.out


def test_collections_give_what_fits(lawngis, build, site):
    collection = GeometryCollection([build.block(2, 2, 1, 1), build.at(9, 9), build.block(5, 5, 1, 1)])
    build.layer(site / "site.gpkg", "beds", [collection, GeometryCollection([build.at(1, 1)])])
    outcome = lawngis("check", site)
    assert outcome.code == 0
    assert "row 1: is a GeometryCollection" in outcome.out
    assert "what it holds of that was taken" in outcome.out
    assert "row 2: is a GeometryCollection" in outcome.out
    assert "left out" in outcome.out


def test_points_and_polygons_in_one_layer_of_obstacles(planned, build, site):
    build.layer(
        site / "site.gpkg",
        "obstacles",
        [build.at(6, 6), build.block(12, 6, 1, 1), LineString([build.at(1, 1), build.at(2, 2)]), None],
        rigid=["yes", "0", None, "perhaps"],
    )
    outcome, summary = planned(site)
    assert summary["status"]["P1"] == "planned", outcome


def test_values_that_can_not_be_are_taken_as_unknown_and_said(lawngis, build, site):
    build.layer(
        site / "site.gpkg", "trees", [build.at(3, 3), build.at(6, 6), build.at(8, 8)], height_m=[3.0, -2.0, np.inf]
    )
    build.layer(site / "site.gpkg", "beds", [build.block(2, 2, 1, 1)], kind=["Cacti"])
    out = lawngis("check", site).out
    assert "height_m can't be -2 or the like (rows 2, 3); it was taken as unknown" in out
    assert "kind 'Cacti' is none of flowers" in out


def test_parcels_that_overlap_are_said(lawngis, build, tmp_path):
    site = build.site(tmp_path / "site", parcels=[build.parcel(), build.block(15, 0, 20, 15)])
    out = lawngis("check", site).out
    assert "overlaps parcel P2" in out
    assert "overlaps parcel P1" in out


# --- what looks odd and works --------------------------------------------------------------------------------------

ODD_IDS = [
    'it\'s "7"',
    "a/b",
    "../../etc/x",
    "🌳 garden",
    "DROP TABLE parcels;--",
    "C:\\x",
    "%s {0}",
    "[red]x[/red]",
    "7",
]


def test_names_are_only_names(planned, build, tmp_path):
    outlines = [build.block(3 * number, 0, 2.5, 2.5) for number in range(len(ODD_IDS))]
    site = build.site(tmp_path / "site", parcels=outlines, ids=ODD_IDS, label=[name[::-1] for name in ODD_IDS])
    outcome, summary = planned(site, "--parcel", "../../etc/x", "--parcel", "🌳 garden", "--parcel", "[red]x[/red]")
    assert set(summary.index) == {"../../etc/x", "🌳 garden", "[red]x[/red]"}
    assert summary["label"]["../../etc/x"] == "x/cte/../.."
    assert "[red]x[/red]" in outcome.out


@pytest.mark.parametrize(("ids", "names"), [([7, 8], ["7", "8"]), ([7.0, None], ["7", "row-2"]), ([None, ""], None)])
def test_numbers_and_blanks_as_names(build, tmp_path, ids, names):
    from lawngis.processing.reading.site_files import site_files
    from lawngis.processing.reading.site_source import SiteSource

    site = build.site(tmp_path / "site", parcels=[build.parcel(), build.block(25, 0, 5, 5)], ids=ids)
    assert SiteSource(site_files(site)).parcel_ids == (names or ["row-1", "row-2"])


def test_labels_that_a_terminal_would_obey_are_printed_tamely(planned, build, tmp_path):
    site = build.site(tmp_path / "site", parcels=[build.parcel(), Polygon()], ids=["a\x1b[31m\nb", "c\nd"])
    outcome, _ = planned(site)
    assert "\x1b" not in outcome.out + outcome.err
    assert "parcel c d failed: " in outcome.err


def test_layers_and_columns_in_mixed_case_with_heights_and_measures(planned, build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    outline = shapely.force_3d(build.parcel(), 112.0)
    build.layer(folder / "Site.GPKG", "PARCELS", [outline], Parcel_ID=["P1"], LABEL=["Mill"])
    build.layer(folder / "Site.GPKG", "Trees", [shapely.force_3d(build.at(9, 7), 3)], Trunk_Diameter_M=["0.05"])
    (folder / "DEM.TIF").write_bytes(build.dem(tmp_path / "x.tif").read_bytes())
    _, summary = planned(folder)
    assert summary["status"]["P1"] == "planned"
    assert summary["label"]["P1"] == "Mill"
    assert not shapely.has_z(summary.geometry.iloc[0])


def test_measured_coordinates_work(build, tmp_path):
    from lawngis.processing.reading.site_files import site_files
    from lawngis.processing.reading.site_source import SiteSource

    folder = tmp_path / "site"
    folder.mkdir()
    file = folder / "site.gpkg"
    frame = geopandas.GeoDataFrame({"parcel_id": ["P1"]}, geometry=[build.parcel()], crs=build.crs)
    pyogrio.write_dataframe(frame, file, layer="parcels", layer_options={"SPATIAL_INDEX": "NO"})
    corners = "500000 5500000 1 2, 500020 5500000 1 2, 500020 5500015 1 2, 500000 5500000 1 2"
    shape = shapely.to_wkb(
        shapely.from_wkt(f"POLYGON ZM (({corners}))"), output_dimension=4, flavor="iso", byte_order=1
    )
    with closing(sqlite3.connect(file)) as database:
        # OGC 12-128r17, 2.1.3: magic, version, flags (little endian, no envelope), number of the CRS, ISO WKB
        database.execute("UPDATE parcels SET geom = ?", (b"GP\x00\x01" + struct.pack("<i", 25832) + shape,))
        database.execute("UPDATE gpkg_geometry_columns SET z = 1, m = 1")
        database.commit()
    build.dem(folder / "dem.tif")
    site = SiteSource(site_files(folder)).site("P1")
    assert site.parcel.area == pytest.approx(150, rel=1e-3)  # less the 0.04 % by which a UTM zone shrinks lengths


def test_a_parcel_in_parts_far_features_and_empty_layers(planned, build, tmp_path):
    parts = MultiPolygon([build.block(0, 0, 9, 15), build.block(11, 0, 9, 15)])
    site = build.site(tmp_path / "site", parcels=[parts])
    build.layer(site / "site.gpkg", "trees", [build.at(90_000, 90_000)])
    frame = pyogrio.read_dataframe(site / "site.gpkg", layer="trees")[:0]
    pyogrio.write_dataframe(frame, site / "more.gpkg", layer="outlets", geometry_type="Point")
    _, summary = planned(site)
    assert summary["status"]["P1"] == "planned"
    assert summary["lawn_m2"]["P1"] == pytest.approx(270, rel=0.02)


@pytest.mark.parametrize("size_m", [0.05, 0.5])
def test_a_parcel_too_small_for_anything_is_no_failure(planned, build, tmp_path, size_m):
    site = build.site(tmp_path / "site", parcels=[build.block(5, 5, size_m, size_m)])
    _, summary = planned(site)
    assert summary["status"]["P1"] == "not_suitable"


# --- terrain models of all kinds -----------------------------------------------------------------------------------


def _slope(summary):
    return summary["slope_p95_percent"]["P1"]


def test_a_terrain_model_inside_the_geopackage(planned, site, tmp_path):
    rasterio.shutil.copy(
        str(site / "dem.tif"), str(site / "site.gpkg"), driver="GPKG", APPEND_SUBDATASET="YES", RASTER_TABLE="dem"
    )
    (site / "dem.tif").unlink()
    _, summary = planned(site / "site.gpkg")
    assert _slope(summary) == pytest.approx(2.0, abs=0.05)
    info = pyogrio.read_dataframe(tmp_path / "out/plan.gpkg", layer="run_info")
    assert any(key.startswith("sha256") and key.endswith("site.gpkg") for key in info["key"])


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::PendingDeprecationWarning")  # the warping library's own
def test_a_terrain_model_in_another_crs_and_one_in_feet_give_the_same_slope(planned, build, site, tmp_path):
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    metres = _slope(planned(site)[1])
    with rasterio.open(site / "dem.tif") as source:
        values, place, crs, bounds = source.read(1), source.transform, source.crs, source.bounds
    transform, width, height = calculate_default_transform(crs, "EPSG:3035", values.shape[1], values.shape[0], *bounds)
    warped = np.full((height, width), -9999, dtype="float32")
    reproject(
        values, warped, src_transform=place, src_crs=crs, src_nodata=-9999, dst_nodata=-9999,
        dst_transform=transform, dst_crs="EPSG:3035", resampling=Resampling.bilinear,
    )  # fmt: skip
    profile = {"driver": "GTiff", "count": 1, "dtype": "float32", "nodata": -9999}
    with rasterio.open(
        tmp_path / "laea.tif", "w", width=width, height=height, crs="EPSG:3035", transform=transform, **profile
    ) as file:
        file.write(warped, 1)
    with rasterio.open(
        tmp_path / "feet.tif", "w", width=values.shape[1], height=values.shape[0], crs="EPSG:25832+8228",
        transform=place, **profile,
    ) as file:  # fmt: skip
        file.write(np.where(values > -9999, values / 0.3048, values).astype("float32"), 1)
    assert _slope(planned(site, "--dem", tmp_path / "laea.tif")[1]) == pytest.approx(metres, abs=0.05)
    assert _slope(planned(site, "--dem", tmp_path / "feet.tif")[1]) == pytest.approx(metres, abs=0.01)


def test_parcels_in_a_compound_crs(planned, build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    build.layer(
        folder / "site.gpkg", "parcels", [shapely.force_3d(build.parcel())], crs="EPSG:25832+7837", parcel_id=["P1"]
    )
    build.dem(folder / "dem.tif", crs="EPSG:25832+7837")
    _, summary = planned(folder)
    assert summary["status"]["P1"] == "planned"
    assert summary.crs.to_epsg() == 25832


def test_line_breaks_and_control_characters_in_names_are_blanks_and_said(planned, lawngis, build, tmp_path):
    outlines = [build.block(4 * number, 0, 3, 3) for number in range(3)]
    ids, labels = ["a\nb", "c\x07d", "e"], ["x\r\n=1", None, "two  blanks"]
    site = build.site(tmp_path / "site", parcels=outlines, ids=ids, label=labels)
    words = "line breaks or control characters in parcel_id or label (rows 1, 2) were taken as blanks"
    assert words in lawngis("check", site).out
    _, summary = planned(site, "--parcel", "a\nb", "--parcel", "e")
    assert summary["label"].to_dict() == {"a b": "x =1", "e": "two  blanks"}
    assert lawngis("deliver", tmp_path / "out", "--out", tmp_path / "docs", "--only", "html,csv,ics").code == 0
    assert (tmp_path / "docs" / "index.html").exists()


def test_names_that_differ_by_a_line_break_alone_are_one(refused, build, tmp_path):
    site = build.site(tmp_path / "site", parcels=[build.parcel(), build.block(25, 0, 5, 5)], ids=["a\nb", "a b"])
    assert "parcel_id 'a b' occurs more than once" in refused(site)


@pytest.mark.parametrize("step", ["materials", "zones", "summary"])
def test_a_price_book_that_is_not_there_is_refused_before_any_parcel(refused, site, tmp_path, step):
    said = refused(site, "--set", f"{step}.price_book={tmp_path / 'none.toml'}")
    assert "none.toml: the price book can't be read" in said
