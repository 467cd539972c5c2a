"""What `check` says of a site."""

from __future__ import annotations

import json

import pytest
import shapely

from lawngis.processing.reading.read_options import ReadOptions
from lawngis.processing.reading.site_report import site_report


def report(folder):
    return site_report(folder, {}, {}, ReadOptions())


def test_a_sound_site_in_words(build, site):
    build.layer(site / "site.gpkg", "hedges_2031", [build.at(1, 1)])
    lines = report(site).as_text().splitlines()
    assert lines[0] == f"site {site}"
    assert [line for line in lines if line.split()[:3] == ["parcels", "1", "feature"]]
    assert [line for line in lines if "70 cells  of 0.5 x 0.5 m" in line]
    assert [line for line in lines if line.strip().startswith("trees") and "where trees stand" in line]
    taking = "no layer of a site has that name; site.toml: [layers] trees|sprinklers|outlets|obstacles"
    assert [line for line in lines if line.startswith(f"  site.gpkg, layer hedges_2031  {taking}")]
    assert lines[-1] == "usable: 1 parcel can be planned"


def test_all_that_is_broken_is_said_at_once(build, tmp_path):
    folder = tmp_path / "site"
    folder.mkdir()
    build.layer(folder / "site.gpkg", "parcels", [build.at(1, 1)])
    build.layer(folder / "site.gpkg", "trees", [build.parcel()])
    (folder / "dem.tif").write_text("nothing")
    found = report(folder)
    assert not found.usable
    assert len(found.problems) == 3
    text = found.as_text()
    assert "layer parcels: holds points" in text
    assert "layer trees: holds polygons" in text
    assert "dem.tif: is no TIFF" in text
    assert text.splitlines()[-1].startswith("not usable")


def test_parcels_that_can_not_be_planned_are_told_apart(build, tmp_path):
    site = build.site(tmp_path / "site", parcels=[build.parcel(), shapely.Polygon()])
    found = report(site)
    assert found.usable
    assert set(found.failing) == {"P2"}
    assert found.as_text().splitlines()[-1] == "usable: 1 of 2 parcels can be planned"


def test_programs_get_the_same_as_json(lawngis, site):
    outcome = lawngis("check", site, "--json")
    told = json.loads(outcome.out)
    assert outcome.code == 0
    assert told["usable"] is True
    assert told["parcels"] == 1
    assert told["layers"][0]["layer"] == "parcels"
    assert {"missing", "problems", "failing", "notes", "rasters"} <= set(told)


@pytest.mark.parametrize("words", [["--layer", "x"], ["--dem-unit", "yard"]])
def test_words_that_make_no_sense(lawngis, site, words):
    assert lawngis("check", site, *words).code == 2


def test_checking_changes_nothing(build, lawngis, site):
    before = build.hashes(site.parent)
    lawngis("check", site)
    assert build.hashes(site.parent) == before
