"""Vector files in and out: every trap by which a GeoPackage loses data without a word has its test here."""

import hashlib
import inspect
import os
import sqlite3
import struct
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import rasterio.shutil
import shapely
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pyproj import CRS
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.errors import LayerError, PlanError, SiteError
from lawngis.processing.files import gpkg
from lawngis.processing.files.gpkg import opening
from lawngis.processing.model.contract import Column, Layer

UTM32 = CRS.from_epsg(25832)

BEDS = Layer(
    "beds",
    "Beds",
    "Where nothing may be mown",
    "MultiPolygon",
    (
        Column("parcel_id", "text", "parcel that the row belongs to"),
        Column("kind", "text", "what grows there", values=("flowers", "shrubs")),
        Column("area_m2", "real", "area on the ground", unit="m²"),
        Column("plants", "integer", "how many"),
        Column("watered", "boolean", "whether a sprinkler reaches it"),
        Column("planted", "datetime", "when"),
    ),
)
PEGS = Layer("pegs", "Pegs", "What holds the wire down", "Point", (Column("peg_no", "integer", "number"),))
PRICES = Layer("prices", "Prices", "What it costs", None, (Column("item", "text", "thing to buy"),))
DECLARED = (BEDS, PEGS, PRICES)


def beds(**changes: object) -> gpd.GeoDataFrame:
    columns = {
        "parcel_id": ["A", "B/1", 'o\'Neil "x"'],
        "kind": ["flowers", None, "shrubs"],
        "area_m2": [1.5, np.nan, 3.0],
        "plants": pd.array([7, None, -2], dtype="Int64"),
        "watered": pd.array([True, None, False], dtype="boolean"),
        "planted": pd.to_datetime(["2026-03-01T10:20:30.250Z", None, "1999-12-31T23:59:59Z"], format="ISO8601"),
    } | changes
    geometry = [box(0, 0, 1, 1), MultiPolygon([box(2, 0, 3, 1), box(4, 0, 5, 1)]), box(6, 0, 7, 1)]
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=UTM32)


# a square whose second corner has an x that is no number
SQUARE_WKB = shapely.to_wkb(box(0, 0, 1, 1), byte_order=1)
NO_NUMBER = struct.pack("<d", float("nan"))
with np.errstate(invalid="ignore"):
    NOWHERE = shapely.from_wkb(SQUARE_WKB[:29] + NO_NUMBER + SQUARE_WKB[37:])


def sql(path: Path, query: str) -> list[tuple]:
    with closing(sqlite3.connect(path)) as database, database:
        return database.execute(query).fetchall()


def names(folder: Path) -> list[str]:
    return sorted(file.name for file in folder.iterdir())


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    return gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": beds()}, DECLARED)


@pytest.fixture(scope="module")
def big_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Some 2 MB of beds, enough pages to break one in the middle."""
    path = tmp_path_factory.mktemp("big") / "big.gpkg"
    outlines = shapely.buffer(shapely.points(np.random.default_rng(1).random((3000, 2)) * 1000), 3)
    pyogrio.write_dataframe(
        gpd.GeoDataFrame({"kind": ["flowers"] * 3000}, geometry=outlines, crs=UTM32), path, layer="beds"
    )
    return path.read_bytes()


@pytest.fixture
def locked(plan: Path):
    """The plan, locked as by a GIS that is saving edits, in another process as it is in life."""
    program = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None); c.execute('BEGIN EXCLUSIVE');"
        "print('locked', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(plan)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout.readline().strip() == b"locked"
        yield plan
        holder.stdin.close()


# --- looking in -------------------------------------------------------------------------------------------


def test_overview_says_what_is_declared(plan: Path) -> None:
    found = {info.name: info for info in gpkg.layer_overview(plan)}
    assert list(found) == ["beds", "pegs", "prices"]
    for spec in DECLARED:
        assert found[spec.name].geometry_type == spec.geometry
        assert found[spec.name].columns == {column.name: column.kind for column in spec.columns}
    assert found["beds"].crs == UTM32
    assert found["beds"].feature_count == 3
    assert found["beds"].bounds == (0, 0, 7, 1)
    assert (found["pegs"].feature_count, found["pegs"].bounds) == (0, None)
    assert (found["prices"].crs, found["prices"].bounds) == (None, None)


def test_overview_of_layer_without_crs_has_none(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame({"a": [1]}, geometry=[Point(1, 2)])
    with pytest.warns(UserWarning, match="crs"):
        pyogrio.write_dataframe(frame, tmp_path / "a.gpkg", layer="a")
    assert gpkg.layer_overview(tmp_path / "a.gpkg")[0].crs is None


def with_geometry_wkb(path: Path, kind: str, wkb: bytes) -> Path:
    """A layer "shapes" of one row, whose geometry no library here would write."""
    frame = gpd.GeoDataFrame({"name": ["A"]}, geometry=[Point(0, 0)], crs=UTM32)
    pyogrio.write_dataframe(frame, path, layer="shapes", geometry_type="Unknown", SPATIAL_INDEX="NO")
    blob = b"GP\0\x01" + struct.pack("<i", 25832) + wkb  # OGC 12-128r17, clause 2.1.3: header without envelope
    with closing(sqlite3.connect(path)) as database, database:
        database.execute("UPDATE shapes SET geom = ?", (blob,))
        database.execute(f"UPDATE gpkg_geometry_columns SET geometry_type_name = '{kind}', z = 2, m = 2")
    return path


@pytest.mark.parametrize("ring", ["Z ((0 0 1, 1 0 1, 1 1 1, 0 0 1))", "ZM ((0 0 1 2, 1 0 1 2, 1 1 1 2, 0 0 1 2))"])
def test_z_and_m_are_dropped(tmp_path: Path, ring: str) -> None:
    wkb = shapely.to_wkb(shapely.from_wkt(f"POLYGON {ring}"), output_dimension=4, flavor="iso", byte_order=1)
    path = with_geometry_wkb(tmp_path / "z.gpkg", "POLYGON", wkb)
    assert gpkg.layer_overview(path)[0].geometry_type == "Polygon"
    (shape,) = gpkg.read_layer(path, "shapes").geometry
    assert shape.wkt == "POLYGON ((0 0, 1 0, 1 1, 0 0))"


def test_raster_tables_are_no_layers(tmp_path: Path, plan: Path) -> None:
    profile = {"driver": "GTiff", "width": 20, "height": 10, "count": 1, "dtype": "float32", "crs": "EPSG:25832"}
    with rasterio.open(tmp_path / "dem.tif", "w", transform=Affine(1, 0, 0, 0, -1, 10), **profile) as dem:
        dem.write(np.ones((1, 10, 20), dtype="float32"))
    rasterio.shutil.copy(tmp_path / "dem.tif", tmp_path / "only.gpkg", driver="GPKG")
    assert gpkg.layer_overview(tmp_path / "only.gpkg") == ()
    with pytest.raises(LayerError, match="there is no layer 'beds'"):
        gpkg.read_layer(tmp_path / "only.gpkg", "beds")
    rasterio.shutil.copy(tmp_path / "dem.tif", plan, driver="GPKG", APPEND_SUBDATASET="YES", RASTER_TABLE="dem")
    assert [info.name for info in gpkg.layer_overview(plan)] == ["beds", "pegs", "prices"]


# --- reading ----------------------------------------------------------------------------------------------


def test_what_was_written_is_read_with_its_kinds_and_nulls(plan: Path) -> None:
    written, read = beds(), gpkg.read_layer(plan, "beds")
    assert read.index.name == "fid"
    assert read.index.tolist() == [1, 2, 3]
    assert read.crs == UTM32
    assert (read["plants"].dtype, read["watered"].dtype) == ("Int64", "boolean")
    for column in ("parcel_id", "kind", "area_m2", "plants", "watered", "planted"):
        for ours, theirs in zip(written[column], read[column], strict=True):
            assert (pd.isna(ours) and pd.isna(theirs)) or ours == theirs, column
    assert set(read.geom_type) == {"MultiPolygon"}
    assert shapely.equals(read.geometry.to_numpy(), written.geometry.to_numpy()).all()


def test_kinds_without_nulls_are_plain(tmp_path: Path) -> None:
    frame = beds(plants=[1, 2, 3], watered=[True, False, True])
    read = gpkg.read_layer(gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": frame}, DECLARED), "beds")
    assert (read["plants"].dtype, read["watered"].dtype) == (np.dtype("int64"), np.dtype("bool"))


texts = st.none() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
reals = st.none() | st.floats(allow_nan=False, allow_infinity=False)
integers = st.none() | st.integers(-(2**53), 2**53)
times = st.none() | st.datetimes(datetime(1900, 1, 1), datetime(2200, 1, 1), timezones=st.just(UTC)).map(
    lambda time: time.replace(microsecond=time.microsecond // 1000 * 1000)
)


@settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(texts, reals, integers, st.none() | st.booleans(), times), min_size=1, max_size=8))
def test_any_values_come_back(tmp_path: Path, rows: list[tuple]) -> None:
    names = ("kind", "area_m2", "plants", "watered", "planted")
    frame = gpd.GeoDataFrame(
        {name: pd.Series(values, dtype=object) for name, values in zip(names, zip(*rows, strict=True), strict=True)},
        geometry=[box(0, 0, 1, 1)] * len(rows),
        crs=UTM32,
    )
    read = gpkg.read_layer(gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": frame}, DECLARED), "beds")
    for name in names:
        assert [None if pd.isna(value) else value for value in read[name]] == list(frame[name])


def test_layer_and_column_names_match_without_case(plan: Path) -> None:
    read = gpkg.read_layer(plan, "BEDS", columns=["Parcel_ID", "AREA_M2", "colour"])
    assert list(read.columns) == ["Parcel_ID", "AREA_M2", "geometry"]


def test_exact_name_wins_over_one_in_other_case(tmp_path: Path) -> None:
    for name in ("beds", "Beds"):
        path = tmp_path / f"{name}.shp"
        pyogrio.write_dataframe(beds()[["parcel_id", "geometry"]], path)
        assert len(gpkg.read_layer(path, "beds")) == 3


def test_missing_layer_names_those_that_are_there(plan: Path) -> None:
    with pytest.raises(LayerError, match=r"no layer 'parcels' \(layers in the file: beds, pegs, prices\)"):
        gpkg.read_layer(plan, "parcels")


def test_fid_names_the_feature_after_deletions(plan: Path) -> None:
    sql(plan, "DELETE FROM prices")
    with fiona.open(plan, "a", layer="beds") as layer:
        layer.write({"geometry": None, "properties": dict.fromkeys(layer.schema["properties"])})
    pyogrio.write_dataframe(beds().iloc[:0], plan.with_name("other.gpkg"), layer="x", geometry_type="Polygon")
    sieve = gpkg.read_layer(plan, "beds", where="fid <> 2")
    assert sieve.index.tolist() == [1, 3, 4]


def test_bbox_mask_and_where_select(plan: Path) -> None:
    assert gpkg.read_layer(plan, "beds", bbox=(1.5, 0, 5, 1)).index.tolist() == [2]
    corner = Polygon([(0, 0), (7, 0), (0, 0.2)])  # its bounds reach all three, it reaches but the first two
    assert gpkg.read_layer(plan, "beds", mask=corner).index.tolist() == [1, 2, 3]
    thin = LineString([(3.5, -1), (3.5, 2)])
    assert gpkg.read_layer(plan, "beds", mask=thin).index.tolist() == []
    assert gpkg.read_layer(plan, "beds", where="plants > 0").index.tolist() == [1]
    assert gpkg.read_table(plan, "beds", where="plants < 0", columns=["plants"])["plants"].tolist() == [-2]


def test_table_has_no_geometry_and_says_so(plan: Path) -> None:
    assert list(gpkg.read_table(plan, "prices").columns) == ["item"]
    assert list(gpkg.read_table(plan, "beds", columns=["kind"]).columns) == ["kind"]
    with pytest.raises(LayerError, match="table without geometry"):
        gpkg.read_layer(plan, "prices")


def test_all_rows_are_read_though_the_stored_count_is_short(tmp_path: Path, big_bytes: bytes) -> None:
    """Two processes that append at once leave a feature count that is too small (trap)."""
    path = tmp_path / "a.gpkg"
    path.write_bytes(big_bytes)
    sql(path, "UPDATE gpkg_ogr_contents SET feature_count = 10")
    assert len(pyogrio.read_dataframe(path)) == 10, "the trap itself is gone: the guard can go too"
    assert len(gpkg.read_layer(path, "beds")) == 3000
    assert len(gpkg.read_table(path, "beds")) == 3000


@pytest.mark.parametrize("crashed", [True, False])
def test_changes_that_wait_in_a_log_are_read_but_not_merged(plan: Path, crashed: bool) -> None:
    """A GeoPackage without its log lacks changes (trap); reading it with GDAL merges them, which writes to it."""
    program = (
        "import os, sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None);"
        "c.execute('PRAGMA journal_mode = WAL'); c.execute(\"INSERT INTO prices (item) VALUES ('wire')\");"
        "print('written', flush=True); sys.stdin.read(); os._exit(0)"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, plan], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as editor:
        assert editor.stdout.readline().strip() == b"written"
        if crashed:
            editor.stdin.close()
            editor.wait()
        before = digest(plan), digest(Path(f"{plan}-wal"))
        assert gpkg.read_table(plan, "prices")["item"].tolist() == ["wire"]
        assert [info.feature_count for info in gpkg.layer_overview(plan)] == [3, 0, 1]
        assert {info.path for info in gpkg.layer_overview(plan)} == {plan}
        assert (digest(plan), digest(Path(f"{plan}-wal"))) == before
        editor.stdin.close()


def test_reading_changes_nothing(plan: Path) -> None:
    plan.chmod(0o444)
    before = (digest(plan), plan.stat().st_mtime_ns, names(plan.parent))
    gpkg.layer_overview(plan)
    gpkg.read_layer(plan, "beds")
    gpkg.read_table(plan, "prices")
    assert (digest(plan), plan.stat().st_mtime_ns, names(plan.parent)) == before


@pytest.mark.parametrize("suffix", [".geojson", ".shp", ".fgb"])
def test_other_formats_are_read_too(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"beds{suffix}"
    pyogrio.write_dataframe(beds()[["kind", "geometry"]].to_crs(4326), path)
    (info,) = gpkg.layer_overview(path)
    assert (info.name, info.feature_count, info.columns) == ("beds", 3, {"kind": "text"})
    assert gpkg.read_layer(path, "beds")["kind"].isna().sum() == 1


def test_curves_come_as_straight_pieces(tmp_path: Path) -> None:
    half_circle = struct.pack("<BII6d", 1, 8, 3, 0.0, 0.0, 1.0, 1.0, 2.0, 0.0)  # ISO: circular string, three points
    path = with_geometry_wkb(tmp_path / "curve.gpkg", "CIRCULARSTRING", half_circle)
    (kerb,) = gpkg.read_layer(path, "shapes").geometry
    assert kerb.geom_type == "LineString"
    assert kerb.length == pytest.approx(np.pi, rel=1e-3)


# --- files that can't be used -----------------------------------------------------------------------------


def broken(kind: str, path: Path, good: bytes) -> Path:
    middle = len(good) // 2
    content = {
        "empty": b"",
        "junk": bytes(range(256)) * 20,
        "text": b"parcel_id,x,y\n",
        "cut in half": good[:middle],
        "cut in the header": good[:60],
        "last byte missing": good[:-1],
        "zeros in the middle": good[:middle] + bytes(40960) + good[middle + 40960 :],
    }[kind]
    path.write_bytes(content)
    return path


@pytest.mark.parametrize(
    ("kind", "what"),
    [
        ("empty", r"is empty \(0 bytes\)"),
        ("junk", "is no GeoPackage: it holds other data"),
        ("text", "is no GeoPackage: it holds text"),
        ("cut in half", r"is cut off \(\d+ of \d+ bytes"),
        ("cut in the header", r"is cut off \(60 bytes\)"),
        ("last byte missing", r"is cut off \(\d+ of \d+ bytes"),
        ("zeros in the middle", "is damaged"),
    ],
)
def test_broken_file_is_named_with_fault_and_advice(
    tmp_path: Path, big_bytes: bytes, kind: str, what: str, capfd: pytest.CaptureFixture[str]
) -> None:
    path = broken(kind, tmp_path / "garden.gpkg", big_bytes)
    before = digest(path)
    with pytest.raises(SiteError, match=what) as caught:
        gpkg.layer_overview(path)
        gpkg.read_layer(path, "beds")
    assert caught.value.where == (str(path),)
    assert caught.value.advice
    assert capfd.readouterr() == ("", "")
    assert digest(path) == before


def test_missing_file_and_folder_are_named(tmp_path: Path) -> None:
    with pytest.raises(SiteError, match="does not exist"):
        gpkg.layer_overview(tmp_path / "no.gpkg")
    with pytest.raises(SiteError, match="is a folder"):
        gpkg.layer_overview(tmp_path)


@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="everything may be read by root")
def test_file_without_permission_is_named(plan: Path) -> None:
    plan.chmod(0)
    with pytest.raises(SiteError, match="may not be read"):
        gpkg.layer_overview(plan)


def test_sqlite_that_is_no_geopackage(tmp_path: Path) -> None:
    path = tmp_path / "other.gpkg"
    sql(path, "CREATE TABLE notes (text)")
    with pytest.raises(SiteError, match=r"other\.gpkg: is no vector file"):
        gpkg.read_layer(path, "parcels")


def test_locked_file_says_that_it_is_open_elsewhere(locked: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OGR_SQLITE_BUSY_TIMEOUT", "1")
    monkeypatch.setenv("SQLITE_BUSY_TIMEOUT", "1")
    monkeypatch.setattr(opening, "LOCK_PATIENCE_S", 0.1)
    with pytest.raises(SiteError, match=r"locked by another program.*open for editing in a GIS"):
        gpkg.layer_overview(locked)


def test_errors_of_reading_carry_the_cause(tmp_path: Path) -> None:
    path = tmp_path / "a.gml"
    path.write_text("<this is no GML")
    with pytest.raises(SiteError, match="no vector file") as caught:
        gpkg.layer_overview(path)
    assert isinstance(caught.value.__cause__, fiona.errors.FionaError)


# --- geometry that can't be used --------------------------------------------------------------------------

BOWTIE = Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])


def test_problems_name_feature_and_place(tmp_path: Path) -> None:
    open_ring = SQUARE_WKB[:13] + NO_NUMBER + SQUARE_WKB[21:]  # in the first corner only: the ring doesn't close
    shapes = [
        SQUARE_WKB,
        shapely.to_wkb(BOWTIE),
        shapely.to_wkb(NOWHERE),
        open_ring,
        None,
        shapely.to_wkb(Polygon()),
        shapely.to_wkb(Point(1, 2)),
        shapely.to_wkb(Polygon([(0, 0), (4, 0), (4, 4), (0, 4)], [[(5, 5), (6, 5), (6, 6)]])),
        shapely.to_wkb(MultiPolygon([box(0, 0, 1, 1)])),
    ]
    path = tmp_path / "parcels.gpkg"
    pyogrio.raw.write(
        path,
        np.array(shapes, dtype=object),
        [np.array(list("abcdefghi"), dtype=object)],
        ["name"],
        layer="parcels",
        driver="GPKG",
        geometry_type="Unknown",
        crs="EPSG:25832",
    )
    frame = gpkg.read_layer(path, "parcels")
    assert len(frame) == len(shapes)
    assert gpkg.geometry_problems(frame, expected={"Polygon", "MultiPolygon"}) == [
        (2, ("geometry-invalid", {"fault": "crosses", "reason": None, "case": "placed", "x": 1.0, "y": 1.0})),
        (3, ("geometry-not-finite", {})),
        (4, ("geometry-unreadable", {})),
        (5, ("geometry-missing", {})),
        (6, ("geometry-empty", {})),
        (7, ("geometry-type", {"type": "Point", "needed": ["MultiPolygon", "Polygon"]})),
        (8, ("geometry-invalid", {"fault": "hole_outside", "reason": None, "case": "placed", "x": 5.0, "y": 5.0})),
    ]
    assert [gpkg.problem_words(problem) for _, problem in gpkg.geometry_problems(frame)[:2]] == [
        "crosses itself at (1, 1)",
        "has a coordinate that is no number",
    ]


def test_sound_geometry_has_no_problems() -> None:
    assert gpkg.geometry_problems(beds()) == []
    assert gpkg.geometry_problems(beds().iloc[:0]) == []


@settings(max_examples=30, deadline=None)
@given(st.lists(st.sampled_from([box(0, 0, 1, 1), BOWTIE, Polygon(), None]), min_size=1, max_size=12))
def test_problems_are_exactly_the_unsound_rows(shapes: list) -> None:
    labels = [10 * row + 3 for row in range(len(shapes))]
    frame = gpd.GeoDataFrame(geometry=gpd.GeoSeries(shapes, index=labels, crs=UTM32))
    unsound = [
        label
        for label, shape in zip(labels, shapes, strict=True)
        if shape is None or shape.is_empty or not shape.is_valid
    ]
    assert [label for label, _ in gpkg.geometry_problems(frame)] == unsound


# --- writing ----------------------------------------------------------------------------------------------


def test_file_is_geopackage_1_3_without_side_files(plan: Path) -> None:
    """OGC 12-128r17 (GeoPackage 1.3), requirement 2: application id "GPKG", user version 10300."""
    assert sql(plan, "PRAGMA application_id") == [(0x47504B47,)]
    assert sql(plan, "PRAGMA user_version") == [(10300,)]
    assert sql(plan, "PRAGMA journal_mode") == [("delete",)]
    assert sql(plan, "PRAGMA integrity_check") == [("ok",)]
    assert names(plan.parent) == ["plan.gpkg"]


def test_schema_is_declared_also_where_there_are_no_rows(plan: Path) -> None:
    types = "SELECT name, type FROM pragma_table_info('beds') WHERE name NOT IN ('fid', 'geom')"
    assert sql(plan, types) == [
        ("parcel_id", "TEXT"),
        ("kind", "TEXT"),
        ("area_m2", "REAL"),
        ("plants", "INTEGER"),
        ("watered", "BOOLEAN"),
        ("planted", "DATETIME"),
    ]
    assert sql(plan, "SELECT geometry_type_name, z, m FROM gpkg_geometry_columns ORDER BY table_name") == [
        ("MULTIPOLYGON", 0, 0),
        ("POINT", 0, 0),
    ]
    assert sql(plan, "SELECT table_name, data_type, identifier, description FROM gpkg_contents ORDER BY 1") == [
        ("beds", "features", "Beds", "Where nothing may be mown"),
        ("pegs", "features", "Pegs", "What holds the wire down"),
        ("prices", "attributes", "Prices", "What it costs"),
    ]


def test_layers_have_a_spatial_index_that_holds_every_row(plan: Path) -> None:
    assert sql(plan, "SELECT count(*) FROM rtree_beds_geom") == [(3,)]
    assert sql(plan, "SELECT count(*) FROM rtree_pegs_geom") == [(0,)]


def test_columns_are_described_in_the_file(plan: Path) -> None:
    described = dict(sql(plan, "SELECT table_name || '.' || column_name, title FROM gpkg_data_columns"))
    assert set(described) == {f"{spec.name}.{column.name}" for spec in DECLARED for column in spec.columns}
    assert described["beds.area_m2"] == "area [m²]"
    query = "SELECT description FROM gpkg_data_columns WHERE column_name = 'watered'"
    assert sql(plan, query) == [("whether a sprinkler reaches it",)]
    assert sql(
        plan,
        "SELECT c.value FROM gpkg_data_columns d JOIN gpkg_data_column_constraints c USING (constraint_name)"
        " WHERE d.column_name = 'kind' AND constraint_type = 'enum'",
    ) == [("flowers",), ("shrubs",)]
    registered = "SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
    assert {table for (table,) in sql(plan, registered)} == {"gpkg_data_columns", "gpkg_data_column_constraints"}


def test_times_are_stored_in_utc(tmp_path: Path) -> None:
    times = pd.Series(["2026-07-01T12:00:00+02:00", "2026-07-01T12:00:00", None], dtype=object)
    path = gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": beds(planted=times)}, DECLARED)
    assert sql(path, "SELECT planted FROM beds") == [("2026-07-01T10:00:00Z",), ("2026-07-01T12:00:00Z",), (None,)]


def test_nulls_are_stored_as_nulls(plan: Path) -> None:
    assert sql(plan, "SELECT kind, area_m2, plants, watered, planted FROM beds WHERE fid = 2") == [(None,) * 5]


def test_equal_input_and_time_make_equal_files(tmp_path: Path) -> None:
    noon = datetime(2026, 6, 1, 12, tzinfo=UTC)
    one, two = (
        gpkg.write_plan(tmp_path / name, {"beds": beds()}, DECLARED, written_at=noon) for name in ("1.gpkg", "2.gpkg")
    )
    assert digest(one) == digest(two)
    assert sql(one, "SELECT DISTINCT last_change FROM gpkg_contents") == [("2026-06-01T12:00:00.000Z",)]


def test_points_may_have_no_place(tmp_path: Path) -> None:
    points = gpd.GeoDataFrame({"peg_no": [1, 2, 3]}, geometry=[Point(), None, Point(1, 2)], crs=UTM32)
    read = gpkg.read_layer(gpkg.write_plan(tmp_path / "plan.gpkg", {"pegs": points}, DECLARED), "pegs")
    assert read["peg_no"].tolist() == [1, 2, 3]
    assert shapely.is_empty(read.geometry[1])
    assert read.geometry[2] is None
    assert read.geometry[3] == Point(1, 2)


def test_z_is_dropped_and_vertical_crs_left_out(tmp_path: Path) -> None:
    points = gpd.GeoDataFrame({"peg_no": [1]}, geometry=[Point(1, 2, 3)], crs="EPSG:25832+5783")
    path = gpkg.write_plan(tmp_path / "plan.gpkg", {"pegs": points}, DECLARED)
    read = gpkg.read_layer(path, "pegs")
    assert read.crs == UTM32
    assert not read.geometry[1].has_z


@pytest.mark.parametrize("code", ["EPSG:2263", "EPSG:4326", "EPSG:3857", "+proj=tmerc +lat_0=50 +lon_0=9 +k=1"])
def test_crs_comes_back(tmp_path: Path, code: str) -> None:
    crs = CRS.from_user_input(code)
    gpkg.write_plan(tmp_path / "plan.gpkg", {}, DECLARED, crs=crs)
    found = gpkg.layer_overview(tmp_path / "plan.gpkg")[0].crs
    assert found.equals(crs, ignore_axis_order=True) or found.to_epsg() == crs.to_epsg()


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"area_m2": ["large", None, 1.0]}, "column 'area_m2' is declared real, but row 0 holds 'large'"),
        ({"area_m2": [1.0, np.inf, 1.0]}, "row 1 holds an infinite number"),
        ({"plants": [1.0, 2.5, 3.0]}, "column 'plants' is declared integer, but row 1 holds 2.5"),
        ({"watered": ["yes", None, None]}, "column 'watered' is declared boolean, but row 0 holds 'yes'"),
        ({"kind": [1, None, None]}, "column 'kind' is declared text, but row 0 holds 1"),
        ({"planted": ["soon", None, None]}, "column 'planted' is declared datetime"),
        ({"colour": ["red"] * 3}, "column 'colour' is not declared"),
    ],
)
def test_values_that_do_not_fit_are_refused(tmp_path: Path, changes: dict, what: str) -> None:
    with pytest.raises(PlanError, match=what) as caught:
        gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": beds(**changes)}, DECLARED)
    assert caught.value.where == ("beds",)
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("shape", "what"),
    [(Point(0, 0), "is no MultiPolygon"), (NOWHERE, "no finite place")],
)
def test_geometry_that_does_not_fit_is_refused(tmp_path: Path, shape: object, what: str) -> None:
    frame = beds()
    frame.loc[1, "geometry"] = shape
    with pytest.raises(PlanError, match=what) as caught:
        gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": frame}, DECLARED)
    assert caught.value.where == ("beds", "row 1 (B/1)")


def test_layers_that_do_not_fit_are_refused(tmp_path: Path) -> None:
    target = tmp_path / "plan.gpkg"
    for layers, what in (
        ({"ponds": beds()}, "'ponds' is not declared"),
        ({"prices": gpd.GeoDataFrame({"item": ["wire"]}, geometry=[Point(0, 0)], crs=UTM32)}, "without geometry"),
        ({"pegs": pd.DataFrame({"peg_no": [1]})}, "has no geometry"),
    ):
        with pytest.raises(PlanError, match=what):
            gpkg.write_plan(target, layers, DECLARED, crs=UTM32)
    assert not target.exists()


def test_mixed_or_missing_crs_is_refused(tmp_path: Path) -> None:
    """Appending coordinates of another CRS is accepted by GDAL, which mixes them (trap)."""
    pegs = gpd.GeoDataFrame({"peg_no": [1]}, geometry=[Point(9, 50)], crs=4326)
    with pytest.raises(PlanError, match="other layers are in"):
        gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": beds(), "pegs": pegs}, DECLARED)
    with pytest.raises(PlanError, match="has no CRS"):
        gpkg.write_plan(
            tmp_path / "plan.gpkg", {"beds": beds(), "pegs": pegs.set_crs(None, allow_override=True)}, DECLARED
        )
    with pytest.raises(PlanError, match="no CRS is known"):
        gpkg.write_plan(tmp_path / "plan.gpkg", {}, DECLARED)
    assert names(tmp_path) == []


# --- whole or not at all ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stop", "raised"),
    [(OSError(28, "No space left on device"), PlanError), (KeyboardInterrupt("at the keyboard"), KeyboardInterrupt)],
)
def test_broken_off_writing_leaves_the_target_as_it_was(
    plan: Path, monkeypatch: pytest.MonkeyPatch, stop: BaseException, raised: type[BaseException]
) -> None:
    before = digest(plan)

    def fail(*_: object) -> None:
        raise stop

    monkeypatch.setattr(gpkg.descriptions, "describe_layers", fail)
    with pytest.raises(raised, match=stop.args[-1]):
        gpkg.write_plan(plan, {}, DECLARED, crs=UTM32)
    assert digest(plan) == before
    assert names(plan.parent) == ["plan.gpkg"]


def test_locked_target_keeps_all_its_layers(locked: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """GDAL unlinks a locked file and starts it anew; the call reports success (trap)."""
    monkeypatch.setattr(gpkg.opening, "LOCK_PATIENCE_S", 0.1)
    before = digest(locked)
    with pytest.raises(PlanError, match=r"locked by another program.*open for editing in a GIS"):
        gpkg.write_plan(locked, {}, DECLARED, crs=UTM32)
    assert digest(locked) == before
    assert names(locked.parent) == ["plan.gpkg"]


def test_target_with_a_log_beside_it_is_refused(plan: Path) -> None:
    """The log of the old file would be taken for one of the new file, and break it."""
    with closing(sqlite3.connect(plan, isolation_level=None)) as database:
        database.execute("PRAGMA journal_mode = WAL")
        database.execute("INSERT INTO prices (item) VALUES ('wire')")
        with pytest.raises(PlanError, match=r"unfinished changes beside it \(plan\.gpkg-wal\)"):
            gpkg.write_plan(plan, {}, DECLARED, crs=UTM32)
    assert sql(plan, "SELECT item FROM prices") == [("wire",)]


def test_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(PlanError, match="the folder can't be written to") as caught:
        gpkg.write_plan(tmp_path / "file" / "plan.gpkg", {}, DECLARED, crs=UTM32)
    assert caught.value.where == (str(tmp_path / "file"),)
    with pytest.raises(PlanError, match="is a folder, not a file"):
        gpkg.refuse_unwritable(tmp_path)


def test_missing_folders_are_made(tmp_path: Path) -> None:
    target = tmp_path / "a" / "b" / "plan.gpkg"
    assert gpkg.write_plan(target, {}, DECLARED, crs=UTM32) == target.resolve()
    assert target.exists()


def test_link_is_written_through(plan: Path) -> None:
    link = plan.with_name("latest.gpkg")
    link.symlink_to(plan.name)
    gpkg.write_plan(link, {}, DECLARED, crs=UTM32)
    assert link.is_symlink()
    assert sql(plan, "SELECT count(*) FROM beds") == [(0,)]


def test_gdal_and_sqlite_never_hold_the_file_together(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Python's SQLite and GDAL's don't see each other's locks (trap)."""
    if not Path("/proc/self/fd").exists():
        pytest.skip("needs a list of open files, which this system does not give")
    connect, seen = gpkg.opening.connection, []

    def watched(path: Path, *arguments: object) -> sqlite3.Connection:
        for handle in Path("/proc/self/fd").iterdir():
            seen.append(handle.exists() and handle.samefile(path))
        return connect(path, *arguments)

    monkeypatch.setattr(gpkg.opening, "connection", watched)
    for _ in range(2):
        gpkg.write_plan(tmp_path / "plan.gpkg", {"beds": beds()}, DECLARED)
    assert seen
    assert not any(seen)


def test_a_track_of_a_receiver_has_its_layers_counted(tmp_path: Path) -> None:
    """GPX keeps no count of its points; fiona says that such layers can't be counted."""
    points = "".join(f'<trkpt lat="50.000{n}" lon="8"/>' for n in range(3))
    head = '<gpx version="1.1" creator="t" xmlns="http://www.topografix.com/GPX/1/1">'
    track = f"{head}<trk><trkseg>{points}</trkseg></trk></gpx>"
    (tmp_path / "walk.gpx").write_text(track)
    found = {info.name: info.feature_count for info in gpkg.layer_overview(tmp_path / "walk.gpx")}
    assert (found["tracks"], found["track_points"], found["waypoints"]) == (1, 3, 0)


def write_pegs_of(who: str, target: Path, turns: int) -> None:
    spec = Layer("pegs", "Pegs", "what holds the wire down", "Point", (Column("whose", "text", "writer"),))
    rows = gpd.GeoDataFrame({"whose": [who] * 500}, geometry=[Point(1, 2)] * 500, crs=UTM32)
    for _ in range(turns):
        gpkg.write_plan(target, {"pegs": rows}, [spec])


WRITER = f"""
import sys
import geopandas as gpd
from pathlib import Path
from shapely import Point
from lawngis.processing.files import gpkg
from lawngis.processing.model.contract import Column, Layer
UTM32 = "EPSG:25832"
{inspect.getsource(write_pegs_of)}
print("ready", flush=True)
write_pegs_of("they", Path(sys.argv[1]), 6)
"""


def test_two_processes_writing_to_one_target_leave_one_whole_file(tmp_path: Path) -> None:
    target = tmp_path / "plan.gpkg"
    command = [sys.executable, "-c", WRITER, target]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "ready\n"
        write_pegs_of("we", target, 6)
        assert other.communicate(timeout=60) == ("", "")
        assert other.returncode == 0
    assert names(tmp_path) == ["plan.gpkg"]
    assert sql(target, "PRAGMA integrity_check") == [("ok",)]
    assert sql(target, "SELECT count(*), count(DISTINCT whose) FROM pegs") == [(500, 1)]


# --- rows column by column -----------------------------------------------------------------------------------------


def as_rows(frame: gpd.GeoDataFrame) -> list[dict]:
    gaps = frame.drop(columns="geometry").astype(object).where(frame.drop(columns="geometry").notna(), None)
    return [{**row, "geometry": shape} for row, shape in zip(gaps.to_dict("records"), frame.geometry, strict=True)]


def test_columns_are_written_as_frames_are(tmp_path: Path) -> None:
    frame = beds()
    gpkg.write_plan(tmp_path / "frame.gpkg", {"beds": frame}, DECLARED)
    columns = gpkg.declared_columns(as_rows(frame), BEDS)
    gpkg.write_plan_batches(tmp_path / "columns.gpkg", [{"beds": columns}], DECLARED, crs=frame.crs)
    expected, found = (gpkg.read_layer(tmp_path / f"{name}.gpkg", "beds") for name in ("frame", "columns"))
    pd.testing.assert_frame_equal(pd.DataFrame(expected), pd.DataFrame(found))


def test_rows_that_lack_a_column_or_have_one_more_are_written_as_declared(tmp_path: Path) -> None:
    rows = [{"peg_no": 1, "geometry": Point(0, 1, 5)}, {"colour": "red", "geometry": Point(2, 3)}]
    columns = gpkg.declared_columns(rows, PEGS)
    gpkg.write_plan_batches(tmp_path / "plan.gpkg", [{"pegs": columns}], DECLARED, crs=UTM32)
    found = gpkg.read_layer(tmp_path / "plan.gpkg", "pegs")
    assert list(found.columns) == ["peg_no", "geometry"]
    assert found["peg_no"].to_list() == [1, pd.NA]
    assert not found.geometry.has_z.any()


@pytest.mark.parametrize(
    ("row", "what"),
    [
        ({"area_m2": "large"}, "column 'area_m2' is declared real, but row 0 holds 'large'"),
        ({"area_m2": np.inf}, "row 0 holds an infinite number"),
        ({"plants": 2.5}, "column 'plants' is declared integer, but row 0 holds 2.5"),
        ({"watered": "yes"}, "column 'watered' is declared boolean, but row 0 holds 'yes'"),
        ({"kind": 1}, "column 'kind' is declared text, but row 0 holds 1"),
        ({"geometry": Point(0, 0)}, "is no MultiPolygon"),
    ],
)
def test_rows_that_do_not_fit_are_refused(row: dict, what: str) -> None:
    with pytest.raises(PlanError, match=what):
        gpkg.declared_columns([{"parcel_id": "A", "geometry": MultiPolygon([box(0, 0, 1, 1)]), **row}], BEDS)
