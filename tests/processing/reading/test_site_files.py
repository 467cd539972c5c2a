"""Finding a site's files."""

from __future__ import annotations

import pytest

from lawngis.errors import LayerError, SiteError
from lawngis.processing.files.rasters.opening import file_and_table
from lawngis.processing.reading.site_files import site_files


def test_names_match_without_regard_to_case_and_files_name_their_only_layer(build, tmp_path):
    build.layer(tmp_path / "base.gpkg", "PARCELS", [build.parcel()])
    build.layer(tmp_path / "base.gpkg", "Water", [build.parcel()])
    build.layer(tmp_path / "Trees.gpkg", "export_2031", [build.at(1, 1)])
    files = site_files(tmp_path)
    assert set(files.layers) == {"parcels", "water", "trees"}
    assert str(files.layers["trees"]) == "Trees.gpkg, layer export_2031"
    assert files.ignored == {}
    assert set(files.absent).isdisjoint({"parcels", "water", "trees", "overrides"})


def test_a_layer_under_another_name_is_no_longer_looked_for_under_its_own(build, tmp_path):
    build.layer(tmp_path / "base.gpkg", "parcels", [build.parcel()])
    build.layer(tmp_path / "base.gpkg", "plots", [build.parcel()])
    files = site_files(tmp_path, layer_names={"parcels": "Plots"})
    assert files.layers["parcels"].info.name == "plots"
    assert list(files.ignored) == ["base.gpkg, layer parcels"]
    swapped = site_files(tmp_path, layer_names={"lawns": "parcels", "parcels": "plots"})
    assert {name: place.info.name for name, place in swapped.layers.items()} == {"lawns": "parcels", "parcels": "plots"}


def test_two_layers_of_one_meaning_are_refused_and_a_given_one_must_be_there(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "parcels", [build.parcel()])
    build.layer(tmp_path / "b.gpkg", "parcels", [build.parcel()])
    with pytest.raises(SiteError, match=r"in a\.gpkg and in b\.gpkg"):
        site_files(tmp_path)
    (tmp_path / "b.gpkg").unlink()
    with pytest.raises(LayerError, match="there is no layer 'oaks' to take as trees"):
        site_files(tmp_path, layer_names={"trees": "oaks"})


def test_hidden_files_are_no_data(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "parcels", [build.parcel()])
    (tmp_path / ".draft.gpkg").write_text("half")
    assert [place.path.name for place in site_files(tmp_path).layers.values()] == ["a.gpkg"]


def test_rasters_lie_in_the_folder_or_are_named(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "parcels", [build.parcel()])
    build.dem(tmp_path / "Dem.TIFF")
    build.dem(tmp_path / "orchard.tif")
    assert site_files(tmp_path).rasters == {"dem": str(tmp_path / "Dem.TIFF")}
    named = site_files(tmp_path, raster_files={"dem": "elsewhere.tif"})
    assert named.rasters == {"dem": "elsewhere.tif"}
    assert site_files(tmp_path / "a.gpkg").rasters == {}


def test_inputs_are_files_each_once(build, tmp_path):
    build.layer(tmp_path / "a.gpkg", "parcels", [build.parcel()])
    build.layer(tmp_path / "a.gpkg", "beds", [build.parcel()])
    inside = f"GPKG:{tmp_path / 'a.gpkg'}:dem"
    files = site_files(tmp_path, raster_files={"dem": inside, "dsm": "dsm.tif"})
    assert [path.name for path in files.inputs] == ["a.gpkg", "dsm.tif"]
    assert file_and_table("GPKG:C:/x/a.gpkg:dem")[0].as_posix() == "C:/x/a.gpkg"
