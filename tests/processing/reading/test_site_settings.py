"""What a site says of itself: which layers are complete, everywhere or inside an outline."""

from __future__ import annotations

from importlib.resources import files

import geopandas
import pandas as pd
import pytest
from shapely import box

from lawngis.error_model import RasterError, VectorError
from lawngis.errors import LawngisError, SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.model.site import DataAccuracy, dem_error, vector_error
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_report import site_report
from lawngis.processing.reading.site_settings import completeness, settings_file
from lawngis.processing.reading.site_source import SiteSource

CRS = "EPSG:25832"


def site(folder, text, **layers):
    layers = {"parcels": [box(0, 0, 10, 10), box(20, 0, 30, 10)], **layers}
    for name, shapes in layers.items():
        table = geopandas.GeoDataFrame({"parcel_id": [f"P{n}" for n, _ in enumerate(shapes)]}, geometry=shapes, crs=CRS)
        table.set_geometry(table.translate(500_000, 5_500_000)).to_file(folder / "site.gpkg", layer=name)
    if text is not None:
        (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder


def outline(x):
    return box(500_000 + x, 5_500_000, 500_010 + x, 5_500_010)


def test_a_site_that_says_nothing_is_complete_in_nothing(tmp_path):
    found = site_files(site(tmp_path, None))
    assert found.completeness.on(outline(0), found.layers["parcels"].info.crs) == ()
    assert found.settings.path is None


def test_all_is_everywhere_and_an_outline_where_it_covers_the_whole_parcel(tmp_path):
    text = '[complete]\nbuildings = "all"\nwater = "looked_at"\n'
    found = site_files(site(tmp_path, text, looked_at=[box(-1, -1, 25, 11)]))
    crs = found.layers["parcels"].info.crs
    assert found.completeness.on(outline(0), crs) == ("buildings", "water")
    assert found.completeness.on(outline(20), crs) == ("buildings",), "half of it was looked at"
    assert tmp_path / "site.toml" in found.inputs, "it is hashed like every input"
    assert not any("looked_at" in name for name in found.ignored)


def test_an_outline_may_be_in_another_crs(tmp_path):
    site(tmp_path, '[complete]\nwater = "looked_at"\n')
    ground = geopandas.GeoDataFrame(geometry=[outline(0).buffer(2)], crs=CRS).to_crs("EPSG:4326")
    ground.to_file(tmp_path / "more.gpkg", layer="looked_at")
    file = settings_file(tmp_path)
    overviews = {path: gpkg.layer_overview(path) for path in tmp_path.glob("*.gpkg")}
    complete, used = completeness(file, overviews)
    assert used == {"looked_at"}
    assert complete.on(outline(0), geopandas.GeoSeries([], crs=CRS).crs) == ("water",)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[complete]\nhouses = "all"', "'houses' is no layer of a site"),
        ('[complete]\nwater = "nowhere"', "there is no layer 'nowhere'"),
        ("[whole]\nwater = 1", "whole is unknown"),
        ("[complete", "can't be read"),
        ("[complete]\nwater = 3", "complete.water"),
    ],
)
def test_what_no_site_has_is_refused_with_the_file(tmp_path, text, says):
    with pytest.raises(SiteError, match=says.replace(".", r"\.")) as caught:
        site_files(site(tmp_path, text))
    assert "site.toml" in str(caught.value)


def test_check_says_what_holds_all_that_is_there(tmp_path):
    text = '[complete]\nbuildings = "all"\nwater = "looked_at"\n'
    report = site_report(site(tmp_path, text, looked_at=[box(-1, -1, 25, 11)]), {}, {}, ReadOptions())
    assert report.complete == {"buildings": "everywhere", "water": "inside looked_at"}
    assert "said to hold all that is there:\n  buildings  everywhere\n  water      inside looked_at" in report.as_text()


def test_a_byte_order_mark_is_no_fault(tmp_path):
    site(tmp_path, None)
    (tmp_path / "site.toml").write_bytes(b'\xef\xbb\xbf[complete]\nwater = "all"\n')
    assert settings_file(tmp_path).settings.complete == {"water": "all"}


# --- names of layers, columns, words and files -----------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[layers]\nhouses = "a"', "'houses' is no layer of a site"),
        ('[layers]\nwater = "ponds"', "there is no layer 'ponds' to take as water"),
        ('[columns.parcels]\nname = "a"', "'name' is no column of parcels: parcel_id, label"),
        ('[columns.parcels]\nparcel_id = "nr"', "there is no column 'nr' to take as parcel_id"),
        ('[values.beds.kind]\nBlumen = "flower"', "'flower' is no value of beds.kind: flowers"),
        ('[rasters]\nheight = "a.tif"', "'height' is no raster of a site"),
        ('[rasters]\ndem = "a.tif"', "there is no 'a.tif'"),
        ('[rasters]\ndem = "../a.tif"', "leads out of the site"),
        ('[rasters]\ndem = "/a/dem.tif"', "leads out of the site"),
        ('[rasters]\ndem = "https://example.org/dem.tif"', "leads out of the site"),
        ('profile = "../mine.toml"', "leads out of the site"),
        ('price_book = "/prices.toml"', "leads out of the site"),
        ('dem_unit = "fathoms"', "dem_unit"),
        ('[attribution]\nroof = "me"', "'roof' is no layer or raster"),
    ],
)
def test_names_that_no_site_has_are_refused(tmp_path, text, says):
    site(tmp_path, text)
    with pytest.raises(LawngisError, match=says.replace(".", r"\.")):
        named = SiteSource(site_files(tmp_path)).files.settings
        assert (named.profile, named.shared_parameters) == (None, {})


def test_the_command_line_wins_and_check_tells_who_says_what(tmp_path):
    said = 'dem_unit = "ft"\n[layers]\nwater = "ponds"\n[attribution]\nwater = "Survey of Nowhere, CC BY 4.0"\n'
    site(tmp_path, said, ponds=[box(1, 1, 2, 2)], pools=[box(1, 1, 2, 2)])
    found = site_files(tmp_path, layer_names={"water": "pools"})
    assert found.layers["water"].info.name == "pools"
    assert SiteSource(found, ReadOptions(dem_unit="m")).options.dem_unit == "m"
    assert SiteSource(found).options.dem_unit == "ft"
    report = site_report(tmp_path, {"water": "pools"}, {}, ReadOptions())
    assert {row["key"]: (row["source"], row["value"]) for row in report.settings} == {
        "attribution.water": ("site.toml", "Survey of Nowhere, CC BY 4.0"),
        "dem_unit": ("site.toml", "ft"),
        "layers.water": ("command line", "pools"),
    }
    assert report.columns_ignored == {"water": ["parcel_id"]}
    assert "  layers.water       command line  pools" in report.as_text().splitlines()
    assert "  water  parcel_id" in report.as_text().splitlines()


def test_the_mower_and_the_prices_of_the_site_are_those_of_the_plan(tmp_path, lawngis):
    book = (files("lawngis") / "prices_example.toml").read_text(encoding="utf-8")
    (tmp_path / "prices.toml").write_text(book.replace('currency = "EUR"', 'currency = "NOK"'), encoding="utf-8")
    site(tmp_path, 'profile = "small"\nprice_book = "prices.toml"\n[attribution]\nparcels = "Survey of Nowhere"\n')
    plan = tmp_path / "out" / "plan.gpkg"
    assert lawngis("plan", tmp_path, "--out", plan.parent, "--parcel", "P0").code == 0
    facts = gpkg.read_table(plan, "run_info").set_index("key")["value"]
    assert facts["profile.name"] == "small"
    assert facts["prices.currency"] == "NOK"
    assert facts["attribution parcels"] == "Survey of Nowhere"
    again = lawngis("plan", tmp_path, "--out", plan.parent, "--parcel", "P0", "--profile", "large")
    assert again.code == 0
    assert gpkg.read_table(plan, "run_info").set_index("key")["value"]["profile.name"] == "large"


# --- how good the data is --------------------------------------------------------------------------------


def test_accuracy_of_the_site_and_of_a_layer(tmp_path):
    text = "[accuracy]\nposition_sd_m = 0.2\nsurvey_sd_m = 0.12\ndem_correlation_m = 3\n"
    text += "[accuracy.buildings]\nposition_sd_m = 0.13\n[accuracy.beds]\nvertex_sd_m = 0.02\n"
    source = SiteSource(site_files(site(tmp_path, text)))
    accuracy = source.site("P0").accuracy
    assert vector_error(accuracy) == VectorError(0.12, 0.128, 0.096)
    assert vector_error(accuracy, "buildings").total_m == pytest.approx(0.13)
    assert vector_error(accuracy, "beds").vertex_m == 0.02
    assert vector_error(accuracy, "beds").total_m == pytest.approx(0.2)
    assert dem_error(accuracy) == RasterError(0.1, 3.0)


def test_command_line_wins_over_the_site(tmp_path):
    found = site_files(site(tmp_path, "[accuracy]\nposition_sd_m = 0.2\ndem_sd_m = 0.3\n"))
    accuracy = SiteSource(found, ReadOptions(accuracy=DataAccuracy(dem_sd_m=0.05))).options.accuracy
    assert (accuracy.position_sd_m, accuracy.dem_sd_m) == (0.2, 0.05)


def test_check_tells_how_good_the_data_is_taken_to_be(tmp_path):
    site(tmp_path, "[accuracy.buildings]\nposition_sd_m = 0.5\n")
    text = site_report(tmp_path, {}, {}, ReadOptions()).as_text()
    assert "0.10 m: survey 0.00, feature 0.08, corner 0.06 m" in text and "buildings  0.50 m" in text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[accuracy]\nposition_sd_m = -1\n", "accuracy.position_sd_m"),
        ("[accuracy]\nposition = 1\n", "accuracy.position"),
        ("[accuracy.roof]\nposition_sd_m = 1\n", "'roof' is no layer of a site"),
        ("[accuracy.beds]\nsd = 1\n", "sd"),
        ("accuracy = 3\n", "accuracy"),
    ],
)
def test_accuracy_that_no_data_has_is_refused(tmp_path, text, said):
    site(tmp_path, text)
    with pytest.raises(SiteError, match=said):
        settings_file(tmp_path)


def test_a_portfolio_is_summed_by_a_column_of_any_name(tmp_path, lawngis):
    folder = site(tmp_path, '[columns.parcels]\ndistrict = "quarter"\n')
    parcels = geopandas.read_file(folder / "site.gpkg", layer="parcels")
    parcels.assign(quarter=["Old town", None]).to_file(folder / "site.gpkg", layer="parcels")
    words = ("plan", folder, "--out", tmp_path / "out", "--set", "schedule.departures=0")
    for column, says in (("borough", "'borough' is none of street, district, owner"), ("owner", "no parcel says")):
        refused = lawngis(*words, "--by", column)
        assert refused.code == 2 and says in refused.said and not (tmp_path / "out").exists()
    assert lawngis(*words, "--by", "district").code == 0
    table = pd.read_csv(tmp_path / "out" / "portfolio.csv").set_index("parcel_id")
    assert table.loc["P0", "district"] == "Old town" and pd.isna(table.loc["P1", "district"])
    sums = pd.read_csv(tmp_path / "out" / "portfolio_by_district.csv")
    assert sums["parcels"].tolist() == [1, 1] and sums["district"].isna().tolist() == [False, True]
    assert sums["mowable_m2"].sum() == pytest.approx(table["mowable_m2"].sum(), abs=0.01)
