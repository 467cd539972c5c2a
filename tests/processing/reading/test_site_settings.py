"""What a site says of itself: which layers are complete, everywhere or inside an outline."""

from __future__ import annotations

import geopandas
import pytest
from shapely import box

from lawngis.errors import SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_report import site_report
from lawngis.processing.reading.site_settings import completeness, settings_file

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
    files = site_files(site(tmp_path, None))
    assert files.completeness.on(outline(0), files.layers["parcels"].info.crs) == ()
    assert files.settings.path is None


def test_all_is_everywhere_and_an_outline_where_it_covers_the_whole_parcel(tmp_path):
    text = '[complete]\nbuildings = "all"\nwater = "looked_at"\n'
    files = site_files(site(tmp_path, text, looked_at=[box(-1, -1, 25, 11)]))
    crs = files.layers["parcels"].info.crs
    assert files.completeness.on(outline(0), crs) == ("buildings", "water")
    assert files.completeness.on(outline(20), crs) == ("buildings",), "half of it was looked at"
    assert tmp_path / "site.toml" in files.inputs, "it is hashed like every input"
    assert not any("looked_at" in name for name in files.ignored)


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
