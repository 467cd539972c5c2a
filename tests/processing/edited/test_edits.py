"""A person edits a plan by SQL, fiona or geopandas; what follows is worked out on that, and nothing is lost."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import fiona
import geopandas
import numpy as np
import pyogrio
import pytest
import shapely
from shapely import Point, Polygon
from shapely.affinity import translate
from shapely.geometry import box

from lawngis.processing.cli.main import main
from lawngis.processing.edited.change_record import layer_record, layer_records
from lawngis.processing.edited.earlier_plan import earlier_plan
from lawngis.processing.model.contract import Column
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.steps.workflow import installed_steps, step_layers

X0, Y0 = 500_000.0, 5_500_000.0
SPECS = step_layers(installed_steps())


def at(x: float, y: float, width: float, depth: float) -> Polygon:
    return box(X0 + x, Y0 + y, X0 + x + width, Y0 + y + depth)


def rows(plan: Path, layer: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(plan, layer=layer)


def geometry(blob: bytes | None) -> shapely.Geometry:
    """Return a geometry as a GeoPackage stores it: a header, with an envelope of as many numbers as its flags say."""
    if blob is None:
        return Point()
    envelope = (0, 4, 6, 6, 8)[blob[3] >> 1 & 7]
    return shapely.from_wkb(blob[8 + 8 * envelope :])


def sql(plan: Path, *statements: str) -> None:
    """Run SQL with the functions that the triggers of spatial indexes call, as a GIS has them."""
    with closing(sqlite3.connect(plan, isolation_level=None)) as database:
        database.create_function("ST_IsEmpty", 1, lambda blob: geometry(blob).is_empty)
        for place, name in enumerate(("ST_MinX", "ST_MinY", "ST_MaxX", "ST_MaxY")):
            database.create_function(name, 1, lambda blob, place=place: geometry(blob).bounds[place])
        for statement in statements:
            database.execute(statement)


def rewritten(plan: Path, layer: str, table: geopandas.GeoDataFrame) -> None:
    """Write a layer anew, as a program with geopandas would."""
    pyogrio.write_dataframe(table, plan, layer=layer)


def edits(plan: Path) -> list[str]:
    found = earlier_plan(plan, SPECS)
    return [edit.words(parcel_id) for parcel_id, edit in found.edits(SPECS)]


def codes(plan: Path) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for row in rows(plan, "findings").to_dict("records"):
        found.setdefault(row["code"], []).append(row["text"])
    return found


def values(plan: Path, code: str) -> list[dict[str, Any]]:
    """Of what the findings of a code are said."""
    table = rows(plan, "findings")
    return [json.loads(some) for some in table.loc[table["code"] == code, "values"]]


def cases(plan: Path, code: str) -> set[str]:
    return {some["case"] for some in values(plan, code)}


def facts(plan: Path, key: str) -> list[str]:
    table = rows(plan, "run_info")
    return list(table.loc[table["key"] == key, "value"])


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site of two small parcels, the first with something soft standing on its lawn, and its plan."""
    folder = tmp_path_factory.mktemp("edits")
    (folder / "site").mkdir()
    gpkg = folder / "site/site.gpkg"
    for name, shapes, columns in (
        ("parcels", [at(0, 0, 16, 11), at(20, 0, 7, 7)], {"parcel_id": ["P1", "P2"]}),
        ("buildings", [at(0, 10, 16, 1)], {}),
        ("obstacles", [Point(X0 + 8, Y0 + 5)], {"rigid": [False]}),
        ("outlets", [Point(X0 + 5, Y0 + 10)], {}),
    ):
        frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:25832")
        pyogrio.write_dataframe(frame, gpkg, layer=name, append=gpkg.exists())
    from rasterio import open as raster
    from rasterio.transform import from_origin

    values = np.broadcast_to(100 + 0.01 * np.arange(120), (60, 120)).astype("float32")
    with raster(
        folder / "site/dem.tif", "w", driver="GTiff", width=120, height=60, count=1, dtype="float32",
        crs="EPSG:25832", transform=from_origin(X0 - 10, Y0 + 25, 0.5, 0.5),
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.set_band_unit(1, "m")
    assert main(["plan", str(folder / "site"), "--out", str(folder / "out")]) == 0
    return folder


@pytest.fixture
def work(made: Path, tmp_path: Path) -> SimpleNamespace:
    """The site, a copy of its plan to edit, and the command that builds on it."""
    (tmp_path / "out").mkdir()
    plan = Path(shutil.copy(made / "out/plan.gpkg", tmp_path / "out"))

    def again(*words: str) -> int:
        return main(["plan", str(made / "site"), "--out", str(plan.parent), *words])

    return SimpleNamespace(plan=plan, again=again, before=made / "out/plan.gpkg")


# --- edits are recognised ------------------------------------------------------------------------------------------


def by_pyogrio(plan: Path, layer: str) -> None:
    rewritten(plan, layer, rows(plan, layer))


def by_fiona(plan: Path, layer: str) -> None:
    with fiona.open(plan, layer=layer) as source:
        schema, crs, records = source.schema, source.crs_wkt, list(source)
    with fiona.open(plan, "w", driver="GPKG", layer=layer, schema=schema, crs_wkt=crs) as target:
        target.writerecords(records)


def shuffled_and_multiple(plan: Path, layer: str) -> None:
    table = rows(plan, layer).sample(frac=1.0, random_state=7)
    drawn = isinstance(table, geopandas.GeoDataFrame)
    pyogrio.write_dataframe(table, plan, layer=layer, **({"promote_to_multi": True} if drawn else {}))


def by_sql(plan: Path, layer: str) -> None:
    sql(plan, f'UPDATE "{layer}" SET parcel_id = parcel_id', "VACUUM")


@pytest.fixture(scope="module")
def across(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the site of a lawn of 29 m by 16 m, a paved path 1 m wide through it, and its plan in out/."""
    folder = tmp_path_factory.mktemp("across")
    (folder / "site").mkdir()
    paving = {"use": ["path"], "level": ["flush"], "surface": ["paved"]}
    for layer, shapes, columns in (
        ("lawns", [at(0, 0, 29, 7.5), at(0, 8.5, 29, 7.5)], {}),
        ("parcels", [at(-1, -1, 31, 18)], {"parcel_id": ["P1"]}),
        ("hard_surfaces", [at(0, 7.5, 29, 1)], paving),
    ):
        frame = geopandas.GeoDataFrame(columns, geometry=shapes, crs="EPSG:25832")
        pyogrio.write_dataframe(frame, folder / "site/layers.gpkg", layer=layer, append=layer != "lawns")
    assert main(["plan", str(folder / "site"), "--out", str(folder / "out")]) == 0
    return folder


@pytest.mark.slow
@pytest.mark.parametrize(
    ("column", "value", "along", "width_m"),
    [("kind", "blocked", False, 0.9), ("width_m", "10", False, 0.9), ("width_m", "20", True, 20.0),
     ("width_m", "0.5", False, 0.5)],
)  # fmt: skip
def test_a_border_closed_or_measured_is_told_as_derived_whether_measured_or_edited(
    across, tmp_path, column, value, along, width_m
):
    """Of 29 m of border 10 m don't pay for a second place of work: the crossing at one place needs 0.9 m."""
    site, edited, measured = (tmp_path / name for name in ("site", "edited", "measured"))
    shutil.copytree(across / "site", site)
    shutil.copytree(across / "out", edited)
    sql(edited / "plan.gpkg", f"UPDATE links SET {column} = '{value}'")
    assert main(["plan", str(site), "--out", str(edited), "--from", "edges"]) == 0
    told = {"target_layer": ["links"], "target_id": ["P1-P1"], "column": [column], "value": [value], "note": ["seen"]}
    pyogrio.write_dataframe(geopandas.pd.DataFrame(told), site / "layers.gpkg", layer="overrides")
    assert main(["plan", str(site), "--out", str(measured)]) == 0
    one, other = (rows(folder / "plan.gpkg", "links").iloc[0] for folder in (edited, measured))
    for link in (one, other):
        assert bool(link["along_border"]) == along and link["width_m"] == pytest.approx(width_m)
        assert (link["border_saves"] > 0) == along
    for name in ("kind", "currency"):
        assert one[name] == other[name]
    for name in ("width_m", "length_m", "border_saves", "narrowest_x", "narrowest_y"):
        assert one[name] == pytest.approx(other[name], nan_ok=True, abs=1e-3)
    assert one.geometry.equals_exact(other.geometry, 1e-3)
    zones = [rows(folder / "plan.gpkg", "zones")["role"].tolist() for folder in (edited, measured)]
    assert zones[0] == zones[1]


@pytest.mark.parametrize("program", [by_pyogrio, by_fiona, shuffled_and_multiple, by_sql])
def test_writing_a_layer_anew_without_a_change_is_no_edit(work, program):
    for layer in SPECS:
        program(work.plan, layer)
    assert edits(work.plan) == []


def test_a_plan_of_an_earlier_version_that_had_fewer_columns_is_not_edited(work):
    later = (Column("later_m", "real", "came later", unit="m"), Column("later", "text", "came later"))
    specs = {name: replace(spec, columns=(*spec.columns, *later)) for name, spec in SPECS.items()}
    assert list(earlier_plan(work.plan, specs).edits(specs)) == []
    sql(work.plan, "UPDATE materials SET quantity = quantity + 1 WHERE parcel_id = 'P1'")
    assert [edit.layer for _, edit in earlier_plan(work.plan, specs).edits(specs)] == ["materials"]


def test_findings_without_values_are_not_summed_up_but_planned_anew(work, tmp_path, capsys):
    """Version 0.1 wrote findings as text alone."""
    sql(work.plan, 'ALTER TABLE findings DROP COLUMN "values"')
    before = work.plan.read_bytes()
    site = str(work.before.parent.parent / "site")
    single = ["run", "summary", str(work.plan), str(tmp_path / "summary.gpkg"), "--site", site]
    for run in (lambda: work.again("--from", "summary"), lambda: main(single)):
        assert run() == 2
        told = capsys.readouterr().err
        assert "its findings are text alone" in told and "--from schedule" in told
    assert work.plan.read_bytes() == before, "nothing is lost"
    assert work.again("--from", "schedule") == 0


@pytest.mark.slow
def test_moving_by_less_than_a_millimetre_is_no_edit_and_by_a_centimetre_is_one(work):
    table = rows(work.plan, "zones")
    table.geometry = table.geometry.set_precision(1e-5)
    rewritten(work.plan, "zones", table)
    few = edits(work.plan)
    assert few == []
    table.geometry = table.geometry.translate(0.01, 0)
    rewritten(work.plan, "zones", table)
    assert edits(work.plan) == ["zones: P1-Z1 geometry", "zones: P2-Z1 geometry"]


@pytest.mark.parametrize("named", [True, False])
def test_a_plan_is_read_in_pieces_as_it_is_whole(work, named, monkeypatch):
    """Rows that a person adds stand at the end, far from their parcel's others, and may not say whose they are."""
    whose = "'P1'" if named else "NULL"
    columns = ", ".join(name for name in rows(work.plan, "pegs").columns if name not in ("parcel_id", "geometry"))
    add = f"INSERT INTO pegs (parcel_id, geom, {columns}) SELECT {whose}, geom, {columns} FROM pegs"
    sql(work.plan, f"{add} WHERE parcel_id = 'P1' LIMIT 1", "DELETE FROM pegs WHERE fid = 4")
    outlines = dict(rows(work.plan, "summary").set_index("parcel_id")["geometry"])
    layers = ["zones", "pegs", "materials"]
    whole = earlier_plan(work.plan, SPECS, packed=layers, outlines=outlines)
    monkeypatch.setattr("lawngis.processing.files.plan_reader.BATCH_ROWS", 7)
    monkeypatch.setattr("lawngis.processing.edited.written_records.RECORDS_MAX", 2)
    pieces = earlier_plan(work.plan, SPECS, packed=layers, outlines=outlines)
    assert list(pieces.parcels) == list(whole.parcels) == ["P1", "P2"]
    for name, parcel in whole.parcels.items():
        assert pieces.parcels[name].rows() == parcel.rows()
        assert pieces.parcels[name].edits == parcel.edits
        assert pieces.parcels[name].record == parcel.record != {}
    assert {edit.layer for _, edit in pieces.edits(SPECS)} == {"pegs"}


def test_edits_are_named_by_feature_and_column(work):
    sql(
        work.plan,
        "UPDATE edges SET edge_class = 'drop' WHERE edge_id = 'P1-E1'",
        "DELETE FROM keepouts WHERE keepout_id = 'P1-K1'",
        "ALTER TABLE zones ADD COLUMN gardener TEXT",
        "UPDATE materials SET unit_price = 9.9 WHERE parcel_id = 'P2'",
    )
    assert edits(work.plan) == [
        "keepouts: P1-K1 deleted",
        "zones: column gardener added",
        "zones: column gardener added",
        "edges: P1-E1 edge_class",
        "materials: rows of P2",
    ]


@pytest.mark.slow
def test_a_full_run_never_overwrites_edits_unless_asked(work, capsys):
    before = work.plan.read_bytes()
    sql(work.plan, "UPDATE edges SET edge_class = 'drop' WHERE edge_id = 'P1-E1'")
    edited = work.plan.read_bytes()
    assert edited != before
    assert work.again() == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "edges: P1-E1 edge_class" in said and "--from dock" in said and "--discard-edits" in said
    assert work.plan.read_bytes() == edited
    assert work.again("--discard-edits") == 0
    assert edits(work.plan) == []
    assert not facts(work.plan, "edited")


@pytest.mark.slow
def test_a_run_again_into_an_unedited_plan_goes_through(work):
    assert work.again("--parcel", "P2") == 0


@pytest.mark.slow
def test_beginning_later_than_an_edit_allows_is_refused(work, capsys):
    sql(work.plan, "UPDATE edges SET edge_class = 'drop' WHERE edge_id = 'P1-E1'")
    assert work.again("--from", "edges") == 2
    assert "edges: P1-E1 edge_class" in capsys.readouterr().err


# --- built on as they are ------------------------------------------------------------------------------------------


def wire(plan: Path, parcel_id: str = "P1") -> shapely.LineString:
    paths = rows(plan, "wire_path")
    return paths[paths["parcel_id"] == parcel_id].geometry.iloc[0]


@pytest.mark.slow
def test_without_an_edit_from_any_step_gives_the_same_plan(work):
    for step in ("keepouts", "edges", "wire"):
        assert work.again("--from", step) == 0
    for layer in SPECS:
        old, new = rows(work.before, layer), rows(work.plan, layer)
        if layer == "run_info":
            continue
        columns = [name for name in old.columns if name not in ("geometry", "seconds")]
        if layer == "dock_candidates":  # between places as good as each other, and at corners, rounding decides
            columns = ["parcel_id", "candidate_id", "zone_id", "chosen"]
        pyogrio_old, pyogrio_new = old[columns], new[columns]
        assert len(old) == len(new), layer
        for name in columns:
            one, other = pyogrio_old[name], pyogrio_new[name]
            if one.dtype.kind == "f":
                np.testing.assert_allclose(one, other, rtol=1e-6, atol=1e-6, err_msg=f"{layer}.{name}")
            elif layer not in ("findings",):
                assert one.fillna("").tolist() == other.fillna("").tolist(), f"{layer}.{name}"
        if isinstance(old, geopandas.GeoDataFrame):
            away = shapely.hausdorff_distance(old.geometry.to_numpy(), new.geometry.to_numpy())
            assert np.nanmax(away, initial=0.0) < 1e-3, layer
    assert sorted(codes(work.plan)) == sorted(codes(work.before))
    assert edits(work.plan) == []


def test_lawn_edge_moved_by_geopandas_and_the_wire_follows(work):
    lawn = rows(work.plan, "lawn")
    short = at(0, 0, 12, 40)  # somebody paves the eastern four metres
    first = lawn["parcel_id"] == "P1"
    lawn.loc[first, "geometry"] = lawn.loc[first, "geometry"].intersection(short)
    rewritten(work.plan, "lawn", lawn)
    assert work.again("--from", "keepouts") == 0
    assert wire(work.before).bounds[2] > X0 + 15
    assert wire(work.plan).bounds[2] == pytest.approx(X0 + 12 - 0.35, abs=0.3)
    new = rows(work.plan, "lawn").set_index("lawn_id")
    assert new.loc["P1-G1", "area_m2"] == pytest.approx(new.loc["P1-G1", "geometry"].area, rel=1e-3)
    assert wire(work.plan, "P2").equals(wire(work.before, "P2"))
    assert facts(work.plan, "edited") == ["lawn: P1-G1 geometry"]
    assert codes(work.plan)["edited-by-hand"] == ["edited by hand and taken as it is: lawn: P1-G1 geometry"]
    assert edits(work.plan) == ["lawn: P1-G1 geometry"], "an edit stays one until somebody discards it"
    assert work.again() == 2


def test_island_deleted_by_sql_and_the_wire_goes_through(work):
    runs = rows(work.before, "wire_runs")
    assert "island" in set(runs.loc[runs["parcel_id"] == "P1", "run_kind"])
    sql(work.plan, "DELETE FROM keepouts WHERE treatment = 'island'")
    assert work.again("--from", "zones") == 0
    runs = rows(work.plan, "wire_runs")
    assert "island" not in set(runs.loc[runs["parcel_id"] == "P1", "run_kind"])
    assert rows(work.plan, "zones").geometry.area.sum() > rows(work.before, "zones").geometry.area.sum()


@pytest.mark.slow
def test_zone_split_by_fiona_gets_a_name_a_role_and_the_supply_that_costs_least(work):
    with fiona.open(work.plan, layer="zones") as source:
        schema, crs, records = source.schema, source.crs_wkt, list(source)
    pieces = []
    for record in records:
        shape = shapely.geometry.shape(record["geometry"])
        cut = [at(0, 0, 10, 40), at(11, 0, 30, 40)] if record["properties"]["parcel_id"] == "P1" else [shape]
        for part in cut:  # as a GIS splits a feature: both pieces have all its values
            piece = shapely.geometry.mapping(shape.intersection(part))
            pieces.append({"geometry": piece, "properties": dict(record["properties"])})
    with fiona.open(work.plan, "w", driver="GPKG", layer="zones", schema=schema, crs_wkt=crs) as target:
        target.writerecords(pieces)
    assert edits(work.plan) == ["zones: P1-Z1 new"]
    assert work.again("--from", "edges") == 0
    zones = rows(work.plan, "zones").set_index("zone_id")
    assert sorted(zones.index) == ["P1-Z1", "P1-Z2", "P2-Z1"]
    assert zones.loc["P1-Z1", "area_m2"] == pytest.approx(zones.loc["P1-Z1", "geometry"].area, rel=1e-3)
    assert zones.loc["P1-Z2", "perimeter_m"] == pytest.approx(zones.loc["P1-Z2", "geometry"].length, rel=1e-3)
    assert zones["role"].to_dict() == {"P1-Z1": "home", "P1-Z2": "detached", "P2-Z1": "home"}
    assert zones.loc["P1-Z2", ["supply", "loop_id"]].tolist() == ["main_wire", "P1-L1"]
    loops = rows(work.plan, "wire_path").set_index("loop_id")
    assert set(zones["loop_id"]) == set(loops.index)
    ring = Polygon(loops.loc["P1-L1", "geometry"]).buffer(0)
    for zone_id in ("P1-Z1", "P1-Z2"):
        assert ring.intersection(zones.loc[zone_id, "geometry"]).area > 0.8 * zones.loc[zone_id, "area_m2"]
    assert "Main wire led around it" in codes(work.plan)["zone-detached"][0]
    assert set(rows(work.plan, "schedule")["zone_id"]) == set(zones.index)
    assert "P1-Z2" in {some["feature"] for some in values(work.plan, "edit-named")}


def chosen(plan: Path) -> geopandas.GeoSeries:
    docks = rows(plan, "dock_candidates")
    return docks[docks["chosen"].astype(bool) & (docks["parcel_id"] == "P1")].iloc[0]


@pytest.mark.slow
def test_dock_chosen_elsewhere_by_sql_and_the_wire_begins_there(work):
    docks = rows(work.plan, "dock_candidates")
    old = chosen(work.plan)["candidate_id"]
    other = docks[(docks["parcel_id"] == "P1") & (docks["rank"] == 2)]["candidate_id"].iloc[0]
    sql(work.plan, f"UPDATE dock_candidates SET chosen = 1 WHERE candidate_id = '{other}'")
    assert edits(work.plan) == [f"dock_candidates: {other} chosen"]
    assert work.again("--from", "supply") == 0
    now = chosen(work.plan)
    assert now["candidate_id"] == other != old
    assert now.geometry.distance(Point(wire(work.plan).coords[0])) < 1e-3
    assert rows(work.plan, "supply_route")["candidate_id"].tolist()[0] == other


@pytest.mark.slow
def test_dock_dragged_off_the_wire_stands_on_it_and_that_is_said(work):
    docks = rows(work.plan, "dock_candidates")
    row = docks.index[docks["candidate_id"] == chosen(work.plan)["candidate_id"]][0]
    target = Point(X0 + 6.1, Y0 + 1.5)  # near the southern edge, well off the wire
    docks.loc[row, "geometry"] = target
    rewritten(work.plan, "dock_candidates", docks)
    assert work.again("--from", "supply") == 0
    now = chosen(work.plan)
    assert now.geometry.x == pytest.approx(target.x, abs=0.01) and now.geometry.y < Y0 + 1
    assert now.geometry.distance(Point(wire(work.plan).coords[0])) < 1e-3
    assert "dock_off_wire" in cases(work.plan, "edit-breaks-rule")
    near = rows(work.before, "dock_candidates")
    near = near[near["parcel_id"] == "P1"]
    like = near.iloc[near.geometry.distance(now.geometry).argmin()]
    assert now["heading_deg"] % 180 == pytest.approx(like["heading_deg"] % 180)


@pytest.mark.slow
def test_edge_class_edited_by_sql_takes_its_setback_along(work):
    edges = rows(work.plan, "edges")
    longest = edges[edges["parcel_id"] == "P1"].sort_values("length_m").iloc[-1]
    assert longest["edge_class"] != "water"
    sql(work.plan, f"UPDATE edges SET edge_class = 'water' WHERE edge_id = '{longest['edge_id']}'")
    assert work.again("--from", "dock") == 0
    now = rows(work.plan, "edges").set_index("edge_id").loc[longest["edge_id"]]
    assert now["setback_m"] == 0.6
    middle = longest.geometry.interpolate(0.5, normalized=True)
    assert wire(work.plan).distance(middle) == pytest.approx(0.6, abs=0.02)


@pytest.mark.slow
def test_what_a_person_added_is_carried_along(work):
    sql(work.plan, "ALTER TABLE zones ADD COLUMN gardener TEXT", "UPDATE zones SET gardener = 'Ada'")
    notes = geopandas.GeoDataFrame({"note": ["gate"]}, geometry=[Point(X0, Y0)], crs="EPSG:25832")
    pyogrio.write_dataframe(notes, work.plan, layer="notes", append=True)
    assert work.again() == 2
    assert work.again("--from", "edges") == 0
    assert rows(work.plan, "zones")["gardener"].tolist() == ["Ada", "Ada"]
    assert rows(work.plan, "notes")["note"].tolist() == ["gate"]


@pytest.mark.slow
def test_other_parcels_stay_as_they_are(work):
    sql(work.plan, "UPDATE zones SET supply_why = 'because' WHERE parcel_id = 'P2'")
    assert work.again("--from", "dock", "--parcel", "P1") == 0
    for layer in SPECS:
        if layer == "run_info":
            continue
        old, new = (table[table["parcel_id"] == "P2"] for table in (rows(work.before, layer), rows(work.plan, layer)))
        assert len(old) == len(new), layer
        same = [name for name in old.columns if name not in ("geometry", "supply_why")]
        assert old[same].astype(str).to_numpy().tolist() == new[same].astype(str).to_numpy().tolist(), layer
    assert set(rows(work.plan, "zones")["supply_why"]) >= {"because"}
    assert edits(work.plan) == ["zones: P2-Z1 supply_why"]


@pytest.mark.slow
def test_a_crossing_edit_is_mended_and_said(work):
    zones = rows(work.plan, "zones")
    bow = Polygon([(X0 + x, Y0 + y) for x, y in ((1, 1), (6, 6), (6, 1), (1, 6))])
    zones.loc[zones["parcel_id"] == "P2", "geometry"] = translate(bow, 20, 0)
    pyogrio.write_dataframe(zones, work.plan, layer="zones")
    assert work.again("--from", "edges") == 0
    own = rows(work.plan, "zones")
    own = own[own["parcel_id"] == "P2"]
    assert len(own) == 2 and own.geometry.is_valid.all()
    assert own["area_m2"].sum() == pytest.approx(12.5, rel=0.01)


# --- what can't be used is said ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE edges SET edge_class = 'grass' WHERE edge_id = 'P1-E1'", ["edges", "P1-E1", "edge_class", "flush"]),
        ("UPDATE edges SET setback_m = NULL, edge_class = NULL WHERE edge_id = 'P1-E1'", ["P1-E1", "edge_class"]),
        ("UPDATE zones SET geom = NULL WHERE zone_id = 'P2-Z1'", ["zones", "no geometry"]),
        ("UPDATE links SET width_m = 'wide'", []),
        ("DROP TABLE keepouts", ["keepouts"]),
    ],
)
def test_values_that_do_not_fit_are_refused_with_their_place(work, capsys, statement, words):
    sql(work.plan, statement)
    before = work.plan.read_bytes()
    code = work.again("--from", "dock")
    said = capsys.readouterr().err
    if not words:  # there is no link to spoil
        return
    assert code == 2, said
    assert said.count("\n") == 1
    for word in words:
        assert word in said
    assert work.plan.read_bytes() == before


def test_there_must_be_a_plan_and_a_step(work, capsys, tmp_path):
    assert work.again("--from", "docks") == 2
    assert "no step 'docks'" in capsys.readouterr().err
    work.plan.unlink()
    assert work.again("--from", "dock") == 2
    assert "no plan to take layers from" in capsys.readouterr().err


# --- rules that edits break ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_zones_that_overlap_or_leave_the_lawn_are_said(work):
    zones = rows(work.plan, "zones")
    extra = zones[zones["parcel_id"] == "P1"].copy()
    extra["zone_id"] = None
    extra.geometry = [at(13, 2, 6, 6)]
    import pandas

    rewritten(work.plan, "zones", pandas.concat([zones, extra], ignore_index=True))
    assert work.again("--from", "edges") == 0
    assert {"overlap", "outside_parcel", "off_lawn"} <= cases(work.plan, "edit-breaks-rule")


@pytest.mark.slow
def test_wire_drawn_badly_is_said(work):
    paths = rows(work.plan, "wire_path")
    row = paths.index[paths["parcel_id"] == "P1"][0]
    xy = shapely.get_coordinates(paths.geometry.loc[row])
    number = len(xy) // 2
    xy[number] += (0.0, 0.0)
    far = xy[:-3]  # it no longer comes home
    paths.loc[row, "geometry"] = shapely.LineString(far)
    rewritten(work.plan, "wire_path", paths)
    assert work.again("--from", "schedule") == 0
    assert "wire_open" in cases(work.plan, "edit-breaks-rule")
    now = rows(work.plan, "wire_path").loc[row]
    assert now["plan_length_m"] == pytest.approx(now.geometry.length, rel=1e-3)


def test_wire_drawn_over_the_edge_is_said_and_priced(work):
    paths = rows(work.plan, "wire_path")
    row = paths.index[paths["parcel_id"] == "P2"][0]
    line = paths.geometry.loc[row]
    xy = shapely.get_coordinates(line)
    south = int(np.argmin(xy[:-1, 1] + np.where(np.arange(len(xy) - 1) == 0, 99, 0)))
    xy[south] -= (0.0, 0.3)
    paths.loc[row, "geometry"] = shapely.LineString(xy)
    rewritten(work.plan, "wire_path", paths)
    assert work.again("--from", "schedule") == 0
    assert {"wire_near_edge", "runs_stale"} <= cases(work.plan, "edit-breaks-rule")


@pytest.mark.slow
def test_a_layer_that_does_not_follow_is_said(work):
    sql(work.plan, "UPDATE edges SET edge_class = 'water' WHERE edge_id = 'P1-E1'")
    assert work.again("--from", "schedule") == 0
    (said,) = [some for some in values(work.plan, "edit-not-followed") if some["step"] == "dock"]
    assert said["edited"] == ["edges"] and "dock_candidates" in said["kept"]


def test_layers_have_the_record_together_that_each_has_alone():
    shape = box(0, 0, 2, 2)
    check = {"check_id": "P-V1", "priority": 1, "value": None, "sd": 0.1, "measure_what": "", "geometry": Point(1, 2)}
    layers = {
        "lawn": [{"parcel_id": "P", "lawn_id": "P-G1", "area_m2": 4.0, "source": None, "geometry": shape}],
        "links": [],
        "pegs": [{"parcel_id": "P", "peg_no": n, "chainage_m": n / 3, "geometry": Point(n, 0)} for n in range(3)],
        "materials": [
            {"parcel_id": "P", "item": "peg", "quantity": 3.0},
            {"parcel_id": "P", "quantity": 1, "item": "x"},
        ],
        "visit_checks": [{"parcel_id": "P", **check}, {"parcel_id": "P", **check, "step": "neighbours"}],
        "schedule": [{"parcel_id": "P", "mowing_h": "", "edge_pass": "1"}, {"parcel_id": "P", "edge_pass": True}],
    }
    together = layer_records([(PLAN_LAYERS[name], rows) for name, rows in layers.items()], 3)
    assert together == [layer_record(PLAN_LAYERS[name], rows, 3) for name, rows in layers.items()]
    raised = [{**row, "geometry": shapely.force_3d(row["geometry"], 7.0)} for row in layers["lawn"]]
    assert layer_record(PLAN_LAYERS["lawn"], raised, 3) == together[0]


def test_the_digests_are_those_of_plans_written_before():
    rows = [
        {"parcel_id": "P", "zone_id": "P-Z2", "role": "home", "area_m2": 12.345, "hours_week": None,
         "geometry": box(0.00049, 0, 3, 4)},
        {"parcel_id": "P", "zone_id": "P-Z1", "role": "linked", "area_m2": 7, "geometry": box(5, 0, 8, 4)},
    ]  # fmt: skip
    record = layer_record(PLAN_LAYERS["zones"], rows, 3)
    assert record["features"] == {"Z2": "7f991237444dc370", "Z1": "000feb94927f5577"}
    columns = {name: record["columns"][name] for name in ("role", "area_m2", "hours_week")}
    assert columns == {"role": "ff21e8", "area_m2": "276a39", "hours_week": "38b369"}


# --- wire reshaped in a GIS ----------------------------------------------------------------------------------------


def reshaped(plan: Path, depth_m: float) -> shapely.LineString:
    """Draw the longest straight piece of the first loop further in, as one does with the vertex tool of a GIS."""
    paths = rows(plan, "wire_path")
    row = paths.index[paths["parcel_id"] == "P1"][0]
    xy = shapely.get_coordinates(paths.geometry.loc[row])
    at = int(np.argmax(np.hypot(*np.diff(xy, axis=0).T)))
    ahead = (xy[at + 1] - xy[at]) / np.hypot(*(xy[at + 1] - xy[at]))
    left = np.array([-ahead[1], ahead[0]])
    middle = (xy[at] + xy[at + 1]) / 2
    slant = abs(depth_m) * 1.2
    places = [(-1 - slant, 0.0), (-1.0, depth_m), (1.0, depth_m), (1 + slant, 0.0)]
    drawn = [middle + along * ahead + aside * left for along, aside in places]
    paths.loc[row, "geometry"] = shapely.LineString(np.concatenate([xy[: at + 1], drawn, xy[at + 1 :]]))
    rewritten(plan, "wire_path", paths)
    return paths.geometry.loc[row]


def test_a_reshaped_wire_is_laid_as_drawn_with_all_that_hangs_on_it(work, capsys):
    line = reshaped(work.plan, 0.8)
    assert work.again() == 2 and "--from wire" in capsys.readouterr().err
    assert work.again("--from", "wire") == 0
    before = {name: rows(work.before, name).query("parcel_id == 'P1'") for name in ("wire_path", "summary", "pegs")}
    (path,) = rows(work.plan, "wire_path").query("parcel_id == 'P1'").itertuples()
    assert shapely.hausdorff_distance(path.geometry, line) < 1e-3
    assert path.plan_length_m == pytest.approx(line.length, abs=0.05)
    assert path.length_m > before["wire_path"]["length_m"].iloc[0] + 0.2 and path.signal_min_ut > 0
    runs = rows(work.plan, "wire_runs").query("parcel_id == 'P1'").sort_values("seq")
    joined = shapely.line_merge(shapely.union_all(runs.geometry.to_numpy()[~runs["run_kind"].str.startswith("lead")]))
    assert shapely.hausdorff_distance(shapely.union_all(runs.geometry.to_numpy()), line) < 1e-3 and not joined.is_empty
    np.testing.assert_allclose(runs["from_m"].to_numpy()[1:], runs["to_m"].to_numpy()[:-1], atol=1e-9)
    assert set(runs["run_kind"]) >= {"lead_out", "lead_back", "island", "edge"}
    pegs = rows(work.plan, "pegs").query("parcel_id == 'P1'").sort_values("chainage_m")
    assert pegs.distance(line).max() < 2e-3 and np.diff(pegs["chainage_m"]).max() <= 0.8 + 1e-6
    (summary,) = rows(work.plan, "summary").query("parcel_id == 'P1'").itertuples()
    assert summary.wire_m == pytest.approx(path.length_m) and summary.pegs == len(pegs)
    assert any("wire_path: P1-L1 geometry" in text for text in facts(work.plan, "edited"))
    assert "wire" in {some.get("case") for some in values(work.plan, "edited-by-hand")}


def test_a_reshaped_wire_stays_so_until_its_edit_is_discarded(work):
    line = reshaped(work.plan, 0.5)
    for words in ((), (), ("--workers", "2")):
        assert work.again("--from", "wire", *words) == 0
        assert shapely.hausdorff_distance(wire(work.plan), line) < 1e-3
    assert work.again("--from", "wire", "--discard-edits") == 0
    assert shapely.hausdorff_distance(wire(work.plan), wire(work.before)) < 1e-3


def test_a_reshaped_wire_is_held_against_the_rules(work):
    reshaped(work.plan, -0.3)
    assert work.again("--from", "wire") == 0
    broken = codes(work.plan)
    assert any("rule 3 is not kept" in text for text in broken["rule-3-setback"])
    reshaped(work.plan, 2.0)
    assert work.again("--from", "wire") == 0
    assert any("outside the wire, so rule 2 is not kept" in text for text in codes(work.plan)["rule-2-enclosed"])
    assert (rows(work.plan, "summary").query("parcel_id == 'P1'")["stop_findings"] > 0).all()


def test_a_reshaped_wire_that_does_not_come_home_is_no_wire(work):
    paths = rows(work.plan, "wire_path")
    row = paths.index[paths["parcel_id"] == "P1"][0]
    paths.loc[row, "geometry"] = shapely.LineString(shapely.get_coordinates(paths.geometry.loc[row])[:-3])
    rewritten(work.plan, "wire_path", paths)
    assert work.again("--from", "wire") == 0
    assert any("not closed" in text and "rule 1" in text for text in codes(work.plan)["rule-1-open-wire"])
    assert not (rows(work.plan, "wire_path")["parcel_id"] == "P1").any()
