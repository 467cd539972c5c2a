"""A site and plans in Python: the same as on the command line, and errors that are ours."""

import gc
from pathlib import Path

import geopandas
import pytest

import lawngis
from lawngis.errors import LawngisError, ParameterError, PlanError, SiteError
from lawngis.processing.files.plan_reader import plan_file
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.notebook.scratch_folder import ScratchFolder


@pytest.fixture(scope="module")
def opened(build, tmp_path_factory):
    """A site of two lawns whose wires are near each other."""
    outlines = [build.block(0, 0, 20, 15), build.block(20, 0, 20, 15)]
    names = ["<b>one</b>", "two"]
    return lawngis.open_site(build.site(tmp_path_factory.mktemp("notebook") / "site", parcels=outlines, ids=names))


@pytest.fixture(scope="module")
def plan(opened):
    return opened.plan("two")


def layers_of(path):
    """Rows of every layer of a plan, but for the times and paths of the run."""
    file = plan_file(path)
    rows = {name: file.rows(name) for name in PLAN_LAYERS if name != "run_info"}
    for summary in rows["summary"]:
        del summary["seconds"]
    return {name: [repr(row) for row in some] for name, some in rows.items()}


def test_a_plan_is_that_of_the_command_line(opened, plan, tmp_path, lawngis):
    assert lawngis("plan", opened.source.files.path, "--out", tmp_path / "out", "--parcel", "two").code == 0
    assert layers_of(plan.write(str(tmp_path / "two.gpkg"))) == layers_of(tmp_path / "out")


def test_the_readme_shows_the_lines_that_are_tried():
    """The package's own docstring is run as a doctest."""
    readme = Path(__file__).parents[3].joinpath("README.md").read_text(encoding="utf-8")
    block = readme.partition("<!-- python -->\n```python\n")[2].partition("```")[0]
    shown = [line.partition("#")[0].strip() for line in block.splitlines() if line]
    tried = [line.removeprefix(">>> ") for line in lawngis.__doc__.splitlines() if line.startswith(">>> ")]
    assert shown[:3] == tried[:3]
    assert shown[3:] == ["plan.zones"] and tried[3].startswith("plan.zones")


def test_plans_come_one_after_the_other_and_know_of_their_neighbours(opened, plan, tmp_path):
    first, second = opened.plans()
    assert [first.parcel_id, second.parcel_id] == opened.parcel_ids
    assert "neighbour-loop" not in set(plan.findings["code"]), "alone it knows of no other"
    written = plan_file(second.write(tmp_path / "second"))
    assert written.parcel_ids == ["two"]
    assert "neighbour-loop" in {row["code"] for row in written.rows("findings")}
    for name in ("zones", "wire_runs"):
        assert repr(written.rows(name)) == repr(second.file.rows(name, ["two"]))


def test_layers_are_tables_with_crs_and_descriptions(plan):
    zones = plan.zones
    assert isinstance(zones, geopandas.GeoDataFrame) and zones.crs.to_epsg() == 25832
    assert zones["parcel_id"].tolist() == ["two"]
    spec = PLAN_LAYERS["zones"]
    assert zones.attrs["description"] == spec.description
    assert zones.attrs["columns"] == {column.name: column.description for column in spec.columns}
    assert zones.attrs["units"]["area_m2"] == "m²"
    assert set(PLAN_LAYERS) <= set(dir(plan))
    assert all(plan.__getattr__(name).attrs["title"] == spec.title for name, spec in PLAN_LAYERS.items())
    assert plan.findings["parcel_id"].isna().any(), "what holds for the whole run is said of this parcel too"


def test_a_table_is_a_copy(plan):
    plan.zones["area_m2"] = 0.0
    assert plan.zones["area_m2"].iloc[0] > 100


def test_an_unknown_layer_is_named_with_those_that_there_are(plan):
    with pytest.raises(LawngisError, match="no layer 'zone'") as raised:
        plan.zone  # noqa: B018
    assert isinstance(raised.value, AttributeError)
    assert "zones" in raised.value.advice
    assert not hasattr(plan, "_ipython_display_")


def test_a_plan_goes_with_the_last_that_holds_it(plan):
    assert plan.file.path.parent == plan.folder.path
    folder = ScratchFolder()
    path = folder.path
    assert path.is_dir()
    del folder
    gc.collect()
    assert not path.exists()


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda site, path: lawngis.open_site(str(path / "nowhere")), SiteError, "nowhere"),
        (lambda site, path: site.plan("P99"), ParameterError, "there is no parcel 'P99'"),
        (lambda site, path: site.plan(3), ParameterError, "there is no parcel '3'"),
        (lambda site, path: next(site.plans("P99")), ParameterError, "there is no parcel 'P99'"),
        (lambda site, path: site.plan("two", profile="giant"), ParameterError, "giant"),
        (lambda site, path: site.plan("two", parameters={"wire": {"colour": 1}}), ParameterError, "colour"),
        (lambda site, path: next(site.plans(["P99"])), ParameterError, "there is no parcel 'P99'"),
        (lambda site, path: lawngis.slope(path / "nowhere.tif"), LawngisError, "nowhere"),
        (lambda site, path: lawngis.slope("dem.tif", dem_unit="ell"), ParameterError, "ell"),
        (
            lambda site, path: lawngis.slope("dem.tif", unit="ratio"),
            ParameterError,
            "unit = 'ratio' is none of percent",
        ),
        (lambda site, path: lawngis.slope("dem.tif", method="Horn"), ParameterError, "method = 'Horn' is none of horn"),
    ],
)
def test_errors_are_ours(opened, tmp_path, call, error, words):
    with pytest.raises(error, match=words):
        call(opened, tmp_path)


def test_what_is_there_is_not_written_over(plan, tmp_path):
    (tmp_path / "a.gpkg").write_bytes(b"mine")
    with pytest.raises(PlanError, match="is there already"):
        plan.write(tmp_path / "a.gpkg")
    assert (tmp_path / "a.gpkg").read_bytes() == b"mine"
    with pytest.raises(PlanError, match="can't be written to"):
        plan.write(tmp_path / "a.gpkg" / "in it")


def test_a_single_kind_of_document_is_told_by_its_name(plan, tmp_path):
    out = plan.deliver(tmp_path / "papers", only="ics")
    assert {file.suffix for file in out.rglob("*") if file.is_file()} == {".ics"}


def test_a_parcel_that_fails_raises_alone_and_says_so_among_others(build, tmp_path):
    line = build.block(0, 0, 20, 0)
    site = lawngis.open_site(build.site(tmp_path / "site", parcels=[line, build.parcel()]))
    with pytest.raises(PlanError, match="parcel P1: could not be planned"):
        site.plan("P1")
    failed, planned = site.plans()
    assert (failed.readiness, planned.readiness != "failed") == ("failed", True)
    assert failed.verdict
    assert failed.zones.empty and failed.zones.crs == planned.zones.crs
    assert failed.verdict.split()[0] in failed._repr_html_()


def test_mower_and_parameters_are_those_given(opened, tmp_path, capsys):
    from lawngis.mower import profile_text

    file = tmp_path / "mine.toml"
    file.write_text(profile_text("large"), encoding="utf-8")
    plan = opened.plan("two", profile=file, parameters={"lawn": {"sliver_width_m": 0.2}})
    facts = dict(zip(plan.run_info["key"], plan.run_info["value"], strict=True))
    assert facts["step lawn.sliver_width_m"] == "0.2"
    assert facts["profile.title"] in profile_text("large")
    assert capsys.readouterr() == ("", ""), "a notebook is not talked into"


def test_the_sample_opens_by_its_name_unless_something_has_it(build, tmp_path, monkeypatch):
    assert len(lawngis.open_site("sample").parcel_ids) == 12
    build.site(tmp_path / "sample")
    monkeypatch.chdir(tmp_path)
    assert lawngis.open_site("sample").parcel_ids == ["P1"]


def test_bands_in_one_text_are_those_of_the_command_line(opened):
    named = lawngis.open_site(opened.source.files.path, bands="red, green,Blue,nir")
    assert named.source.options.bands == ("red", "green", "blue", "nir")
