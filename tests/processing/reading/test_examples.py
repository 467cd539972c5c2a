"""Examples that somebody drew: read, refused, named in what is said, and used parcel by parcel."""

from __future__ import annotations

import re

import geopandas
import numpy as np
import pytest
import rasterio
from affine import Affine
from shapely import box

from lawngis.errors import LawngisError
from lawngis.mower import built_in_profile
from lawngis.processing.derived.imagery_rules import CoverParameters
from lawngis.processing.model.plan import Plan
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.cover import STEP

CRS = "EPSG:32631"
EAST, NORTH = 600_000, 5_000_000
DRY, SOIL = (146.0, 122.0, 97.0), (150.0, 112.0, 84.0)


def ground(west: float, south: float, side: float = 3.0):
    return box(EAST + west, NORTH + south, EAST + west + side, NORTH + south + side)


PIECES = [ground(x, y) for y in (2, 8, 14) for x in (4, 24)]
KINDS = ["lawn", "Not_lawn"] * 3


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A parcel half of dry grass, half of soil, and a photo of it."""
    folder = tmp_path_factory.mktemp("examples")
    parcel = geopandas.GeoDataFrame(
        {"parcel_id": ["P1"]}, geometry=[ground(0, 0, 20).union(ground(20, 0, 20))], crs=CRS
    )
    parcel.to_file(folder / "parcels.gpkg", layer="parcels")
    rng = np.random.default_rng(2)
    half = np.repeat(np.array([DRY] * 80 + [SOIL] * 80)[None], 80, axis=0)
    bands = half * rng.normal(1, 0.04, (80, 160, 1)) + rng.normal(0, 2, half.shape)
    profile = {"driver": "GTiff", "height": 80, "width": 160, "count": 3, "dtype": "uint8", "crs": CRS}
    place = Affine(0.25, 0, EAST, 0, -0.25, NORTH + 20)
    with rasterio.open(folder / "imagery.tif", "w", transform=place, **profile) as file:
        file.write(np.clip(bands, 1, 255).round().astype(np.uint8).transpose(2, 0, 1))
    return folder


def drawn(folder, name, kinds=KINDS, pieces=PIECES, column="cover"):
    table = geopandas.GeoDataFrame({column: list(kinds)}, geometry=list(pieces), crs=CRS)
    table.to_crs("EPSG:4326").to_file(folder / name, driver="GeoJSON")
    return folder / name


def test_examples_tell_lawn_from_soil_and_are_said(folder, tmp_path):
    file = drawn(tmp_path, "drawn.geojson")
    files = site_files(folder, examples=file)
    source = SiteSource(files)
    site = source.part(["P1"]).site("P1")
    said = next(finding for finding in site.findings if finding.code == "examples")
    assert said.said()[0].startswith("lawn was told by 3 examples of lawn and 3 of other ground")
    assert file in files.inputs  # hashed, and a plan that was made with others is not taken for this one
    cover = STEP.compute(site, Plan("P1", site.frame.crs), built_in_profile(), CoverParameters()).layers["cover"]
    area = {word: sum(row["area_m2"] for row in cover if row["cover"] == word) for word in ("lawn", "bare")}
    assert area["lawn"] == pytest.approx(400, rel=0.03) and area["bare"] == pytest.approx(400, rel=0.03)
    lawn = max((row for row in cover if row["cover"] == "lawn"), key=lambda row: row["area_m2"])
    assert lawn["confidence"] <= 7 / 8 and "example" in lawn["evidence"]


def test_without_examples_that_photo_tells_no_lawn(folder):
    site = SiteSource(site_files(folder)).site("P1")
    result = STEP.compute(site, Plan("P1", site.frame.crs), built_in_profile(), CoverParameters())
    assert "green-unknown" in {finding.code for finding in result.findings}
    assert {row["cover"] for row in result.layers["cover"]} <= {"dry", "maybe_lawn"}


def test_what_stands_teaches_nothing_where_a_surface_model_tells_it(folder, tmp_path):
    """A crown drawn as not lawn is told by its height: it must not count against greenness."""
    for name in ("parcels.gpkg", "imagery.tif"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    file = drawn(tmp_path, "drawn.geojson", kinds=[*KINDS, "not lawn"], pieces=[*PIECES, ground(32, 12, 4)])
    place = Affine(0.5, 0, EAST - 10, 0, -0.5, NORTH + 30)
    profile = {"driver": "GTiff", "height": 80, "width": 120, "count": 1, "dtype": "float32", "crs": CRS}
    for name, high in (("dem", 0.0), ("dsm", 5.0)):
        values = 80 + np.add.outer(np.arange(80), np.arange(120)) * 0.01
        values[26:42, 80:96] += high
        with rasterio.open(tmp_path / f"{name}.tif", "w", transform=place, **profile) as out:
            out.write(values.astype(np.float32), 1)
    low = SiteSource(site_files(tmp_path, examples=file)).part(["P1"]).learned
    (tmp_path / "dsm.tif").unlink()
    all_of_them = SiteSource(site_files(tmp_path, examples=file)).part(["P1"]).learned
    assert (low.pieces, all_of_them.pieces) == ((3, 3), (3, 4))


def test_settings_name_the_examples(folder, tmp_path):
    for name in ("parcels.gpkg", "imagery.tif"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    drawn(tmp_path, "drawn.geojson")
    (tmp_path / "site.toml").write_text('examples = "drawn.geojson"\n', encoding="utf-8")
    files = site_files(tmp_path)
    assert files.examples == tmp_path / "drawn.geojson" and "drawn.geojson" not in str(files.ignored)
    (tmp_path / "site.toml").write_text('examples = "../drawn.geojson"\n', encoding="utf-8")
    with pytest.raises(LawngisError, match="leads out of the site"):
        site_files(tmp_path)


@pytest.mark.parametrize("whole", [False, True])
def test_a_step_alone_and_a_whole_image_are_read_by_examples(folder, tmp_path, lawngis, whole):
    file, out = drawn(tmp_path, "drawn.geojson"), tmp_path / "cover.gpkg"
    place = folder
    if whole:
        place = tmp_path / "photo"
        place.mkdir()
        (place / "imagery.tif").write_bytes((folder / "imagery.tif").read_bytes())
    done = lawngis("run", "cover", place, out, "--examples", file)
    assert done.code == 0, done.err
    cover = geopandas.read_file(out, layer="cover")
    lawn = cover[cover["cover"] == "lawn"]
    assert lawn.area.sum() == pytest.approx(400, rel=0.03) and "example" in lawn["evidence"].iloc[0]
    findings = geopandas.read_file(out, layer="findings").set_index("code")
    if whole:
        assert findings.loc["examples", "text"].startswith("lawn was told by 3 examples")
    assert findings.loc["green-unknown", "advice"].startswith("Draw more examples"), "they were drawn already"


def test_check_reads_the_examples_that_it_is_given(folder, tmp_path, lawngis):
    done = lawngis("check", folder, "--examples", drawn(tmp_path, "drawn.geojson"))
    assert done.code == 0 and re.search(r"examples +command line +\S+drawn\.geojson", done.out)
    assert "lawn was told by 3 examples of lawn and 3 of other ground" in done.out
    done = lawngis("check", folder, "--examples", drawn(tmp_path, "few.geojson", kinds=["lawn"] * 6))
    assert done.code == 2 and "6 pieces of lawn and 0 of other ground" in done.out


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"kinds": ["lawn"] * 5 + ["meadow"]}, "feature 6: column 'cover' says 'meadow'"),
        ({"column": "kind"}, "feature 1: has no column 'cover'"),
        ({"kinds": ["lawn"] * 5 + ["not lawn"]}, "5 pieces of lawn and 1 of other ground"),
        ({"pieces": [*PIECES[:5], ground(500, 500)]}, "feature 6, "),
    ],
)
def test_examples_that_teach_nothing_are_refused(folder, tmp_path, change, said):
    file = drawn(tmp_path, "drawn.geojson", **change)
    with pytest.raises(LawngisError, match=re.escape(said)) as error:
        SiteSource(site_files(folder, examples=file))
    assert str(error.value).startswith(str(file))


def test_examples_that_are_no_file_of_areas_are_refused(folder, tmp_path):
    (tmp_path / "text.geojson").write_text("no layer", encoding="utf-8")
    for file in (tmp_path / "absent.geojson", tmp_path / "text.geojson", folder / "imagery.tif"):
        with pytest.raises(LawngisError, match=file.name):
            SiteSource(site_files(folder, examples=file))
