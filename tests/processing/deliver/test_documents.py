"""Every document read back by another program than made it, or by its published rules."""

import csv
import io
import json
import re
import shutil
import sqlite3
import subprocess
from contextlib import closing
from datetime import date
from pathlib import Path

import ezdxf
import fiona
import geopandas
import gpxpy
import icalendar
import numpy as np
import pyarrow.parquet
import pypdf
import pytest
import shapely
from fontTools.ttLib import TTFont
from pyproj import CRS, Transformer

from lawngis.errors import ParameterError, PlanError
from lawngis.labour import labour_book_from
from lawngis.processing.deliver.documents import Wishes, deliver_documents, kinds_named
from lawngis.processing.deliver.formats import Formats
from lawngis.processing.deliver.paper import LEAN, Paper, _font_file, printable
from lawngis.processing.deliver.reading import document_source
from lawngis.processing.deliver.setting_out import FixedPoint, two_tapes
from lawngis.processing.deliver.sheet_layout import sheet_layout
from lawngis.processing.deliver.stakeout import crs_named, stakeout_csv
from lawngis.processing.deliver.texts import CAUTIONS
from lawngis.processing.files import gpkg
from lawngis.processing.files.atomic import file_stem, file_stems, write_whole

KINDS = {"page.html", "visit.pdf", "visit.csv", "sheet.pdf", "settings.pdf", "quote.pdf", "quote.csv", "plan.dxf",
         "points.gpx", "stakeout.csv", "layers.geojson", "week.ics"}  # fmt: skip


def pdf_text(path) -> str:
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pypdf.PdfReader(path).pages))


def test_each_parcel_has_its_folder_inside_the_target_whatever_its_name(delivered):
    folders = {path.name for path in delivered.docs.iterdir() if path.is_dir()}
    assert folders == {"P1", file_stem("../P2"), "P3", "styles"}
    assert {path.name for path in delivered.first.iterdir()} == KINDS
    assert {path.name for path in (delivered.docs / "P3").iterdir()} == {"page.html", "visit.pdf"}


def test_sources_name_no_folders_of_the_machine(delivered):
    for path in delivered.docs.rglob("*.html"):
        assert "/secret" not in path.read_text(encoding="utf-8")
    assert "dem.tif" in pdf_text(delivered.first / "sheet.pdf")


WITH_CREDIT = (
    "page.html", "sheet.pdf", "settings.pdf", "visit.pdf", "quote.pdf", "plan.dxf", "points.gpx", "week.ics",
    "layers.geojson",
)  # fmt: skip


@pytest.mark.parametrize("name", WITH_CREDIT)
def test_whom_to_name_stands_in_every_document(delivered, name):
    path = delivered.first / name
    text = pdf_text(path) if path.suffix == ".pdf" else path.read_text(encoding="utf-8").replace("\n ", "")
    assert "SurveyofNowhere,CCBY4.0" in re.sub(r"[\s\\]", "", text)


@pytest.mark.parametrize("name", ["sheet.pdf", "settings.pdf", "visit.pdf", "quote.pdf"])
def test_pdf_says_what_it_must(delivered, name):
    text = pdf_text(delivered.first / name)
    for caution in CAUTIONS:
        assert re.sub(r"\s+", "", caution) in re.sub(r"\s+", "", text)
    assert "lawngis 0.1.0" in text
    assert "Grüße" in text
    assert "<script>alert(1)</script>" in text.replace(" ", "").replace("\n", "") or "<script>" in text
    assert "[deciduous tree]" in text


def test_signs_that_the_font_lacks_are_named_and_hebrew_is_printed():
    assert printable("a🌳b") == "a[deciduous tree]b"
    assert printable("שלום") == "שלום"
    assert printable("x\u200d\ud800y") == "xy"


def wire_points_mm(page) -> np.ndarray:
    """Points of the longest path on a page that is drawn in the colour of the wire, in millimetres."""
    found: list[list[tuple[float, float]]] = []
    state = {"stroke": None, "path": []}

    def visit(operator, operands, matrix, _text_matrix):
        word = operator.decode()
        if word == "RG":
            state["stroke"] = tuple(round(float(value), 3) for value in operands)
        elif word in ("m", "l"):
            x, y = float(operands[0]), float(operands[1])
            a, b, c, d, e, f = (float(value) for value in matrix)
            state["path"].append((a * x + c * y + e, b * x + d * y + f))
        elif word in ("S", "s", "B", "f", "f*", "B*", "b*", "n", "b"):
            if state["stroke"] == (0.0, 0.447, 0.698) and word in ("S", "s"):
                found.append(state["path"])
            state["path"] = []

    page.extract_text(visitor_operand_before=visit)
    return np.array(max(found, key=len)) * 25.4 / 72


@pytest.mark.parametrize(("parcel", "side_m"), [("P1", 19.2), ("../P2", 89.2)])
def test_scale_holds_by_the_pdfs_own_geometry(delivered, parcel, side_m):
    """The wire is a square with sides known: on paper it is that by the scale that the sheet states.

    A metre of the grid is 1/0.9996 m of ground on UTM's central meridian (J. P. Snyder, 1987, Map Projections: A
    Working Manual, p. 57), and sheets are of the ground. The PDF's own unit is rounded to 2e-5.
    """
    folder = delivered.docs / file_stem(parcel)
    first = pypdf.PdfReader(folder / "sheet.pdf").pages[0]
    scale = int(re.search(r"1:(\d+) on", first.extract_text())[1])
    points = wire_points_mm(first)
    sides = np.hypot(*np.diff(points, axis=0).T)
    assert max(sides) * scale / 1000 == pytest.approx(side_m / 0.9996, rel=3e-5)


def test_large_parcel_goes_over_several_sheets_that_cover_it_and_overlap():
    outline = shapely.box(0, 0, 150, 130)
    layout = sheet_layout(outline)
    assert len(layout.windows) > 1 and layout.paper.name == "A3"
    grounds = [window.ground for window in layout.windows]
    assert shapely.union_all(grounds).contains(outline)
    assert sum(ground.area for ground in grounds) > shapely.union_all(grounds).area * 1.02
    single = sheet_layout(shapely.box(0, 0, 20, 17))
    assert (single.paper.name, single.scale, len(single.windows)) == ("A4", 100, 1)


def test_two_tapes_meet_at_a_good_angle_and_not_through_walls():
    fixed = [FixedPoint("A", 0, 0), FixedPoint("B", 10, 0), FixedPoint("C", 0, 10)]
    assert {point.name for point in two_tapes(shapely.Point(5, 0.1), fixed)} != {"A", "B"}
    wall = shapely.box(-1, 3, 20, 4)
    assert "C" not in {point.name for point in two_tapes(shapely.Point(5, 2), fixed, [wall])}
    assert two_tapes(shapely.Point(5, 2), []) == ()


def test_dxf_passes_the_audit_and_holds_the_wire(delivered):
    document = ezdxf.readfile(delivered.first / "plan.dxf")
    audit = document.audit()
    assert not audit.errors and not audit.fixes
    assert document.header["$INSUNITS"] == 6  # metres, by the DXF reference
    (line,) = document.modelspace().query('LWPOLYLINE[layer=="WIRE_RUNS-EDGE"]')
    drawn = shapely.Polygon([(x, y) for x, y, *_ in line.get_points()])
    assert drawn.length == pytest.approx(gpkg.read_layer(delivered.path, "wire_path").geometry.iloc[0].length, abs=1e-3)
    words = [text.dxf.text for text in document.modelspace().query('TEXT[layer=="NOTES"]')]
    assert any(delivered.label in line for line in words)


def test_gpx_and_csv_agree_with_the_plan_after_projection(delivered):
    gpx = gpxpy.parse((delivered.first / "points.gpx").read_text(encoding="utf-8"))
    assert gpx.name.startswith("P1") and "<script>" in gpx.name
    (route,) = gpx.routes
    pegs = gpkg.read_layer(delivered.path, "pegs")
    pegs = pegs[pegs["parcel_id"] == "P1"]
    assert [point.name for point in route.points] == [f"P1-L1-N{number}" for number in pegs["peg_no"]]
    project = Transformer.from_crs(4326, 25832, always_xy=True).transform
    x, y = project([point.longitude for point in route.points], [point.latitude for point in route.points])
    assert np.hypot(x - pegs.geometry.x, y - pegs.geometry.y).max() < 0.005
    rows = list(csv.DictReader(io.StringIO((delivered.first / "stakeout.csv").read_text(encoding="utf-8-sig"))))
    assert [row["kind"] for row in rows[:2]] == ["dock", "join"]
    assert float(rows[2]["x"]) == pytest.approx(pegs.geometry.x.iloc[0], abs=1e-3)
    assert rows[0]["crs"] == "EPSG:25832"


def test_gpx_obeys_the_order_and_ranges_of_its_schema(delivered):
    """GPX 1.1 (topografix.com/GPX/1/1/gpx.xsd): metadata, way points, routes, tracks, in that order."""
    text = (delivered.first / "points.gpx").read_text(encoding="utf-8")
    assert 'version="1.1"' in text and text.index("<metadata") < text.index("<wpt") < text.index("<rte")
    for latitude, longitude in re.findall(r'lat="([^"]+)" lon="([^"]+)"', text):
        assert -90 <= float(latitude) <= 90 and -180 <= float(longitude) < 180


def test_stakeout_in_another_crs(delivered):
    rows = list(
        csv.DictReader(io.StringIO(stakeout_csv(delivered.parcels["P1"], crs_named("EPSG:4326")).decode("utf-8-sig")))
    )
    assert 8.9 < float(rows[0]["x"]) < 9.1 and 49 < float(rows[0]["y"]) < 50
    with pytest.raises(ParameterError, match="no CRS"):
        crs_named("nonsense")


def test_geojson_is_wgs84_and_wound_as_rfc_7946_says(delivered):
    data = json.loads((delivered.first / "layers.geojson").read_text(encoding="utf-8"))
    assert data["type"] == "FeatureCollection" and "crs" not in data
    polygons = [f for f in data["features"] if f["geometry"] and f["geometry"]["type"] == "Polygon"]
    assert polygons and any(len(f["geometry"]["coordinates"]) > 1 for f in polygons)
    for feature in polygons:
        outer, *inner = (shapely.LinearRing(ring) for ring in feature["geometry"]["coordinates"])
        assert outer.is_ccw and not any(ring.is_ccw for ring in inner)
        assert 8 < outer.centroid.x < 10 and 49 < outer.centroid.y < 50
    assert any(f["geometry"] is None and f["properties"]["layer"] == "findings" for f in data["features"])


def test_calendar_is_read_back_with_the_weeks_runs(delivered):
    calendar = icalendar.Calendar.from_ical((delivered.first / "week.ics").read_bytes())
    (event,) = calendar.walk("VEVENT")
    start = event["DTSTART"].dt
    assert start.weekday() == 1 and start.date() >= date(2026, 5, 1) and start.tzinfo is None
    assert event["DTEND"].dt - start == np.timedelta64(150, "m").item()
    assert event["RRULE"]["BYDAY"] == ["TU"] and event["UID"]
    assert "<script>alert(1)</script>" in calendar["X-WR-CALNAME"]
    raw = (delivered.first / "week.ics").read_bytes()
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75  # RFC 5545, section 3.1


def test_no_cell_of_a_quote_is_a_formula(delivered):
    rows = list(csv.reader(io.StringIO((delivered.first / "quote.csv").read_text(encoding="utf-8-sig"))))
    assert not [cell for row in rows for cell in row if cell[:1] in "=+@" and cell]


def test_bad_labour_book_is_said(tmp_path):
    book = tmp_path / "book.toml"
    book.write_text("hourly_rate = -1\n")
    with pytest.raises(ParameterError, match="hourly_rate"):
        labour_book_from(book)


@pytest.mark.parametrize(
    ("formats", "length", "area", "money"),
    [
        (Formats("en_GB"), "1,234.5 m", "1,234 m²", "€1,234.50"),
        (Formats("de_DE"), "1.234,5 m", "1.234 m²", "1.234,50\u00a0€"),
        (Formats("en_US", "feet"), "4050′ 2″", "13,288 sq ft", "€1,234.50"),
    ],
)
def test_formats(formats, length, area, money):
    assert (formats.length(1234.5), formats.area(1234.5), formats.money(1234.5, "EUR")) == (length, area, money)


def test_inches_round_to_the_eighth_and_carry():
    feet = Formats("en_US", "feet")
    assert [feet.length(value) for value in (0.3048, 0.12, 0.3047, 0.9)] == ["1′ 0″", "4¾″", "1′ 0″", "2′ 11⅜″"]


def test_wrong_wishes_are_refused(delivered, tmp_path):
    with pytest.raises(ParameterError, match="no kind"):
        kinds_named("pdf,docx")
    with pytest.raises(ParameterError, match="no parcel 'P9'"):
        deliver_documents(delivered.path, tmp_path / "x", Wishes(), parcels=["P9"])
    with pytest.raises(PlanError, match="is a file"):
        deliver_documents(delivered.path, delivered.path, Wishes())
    assert not (tmp_path / "x").exists() or not [*(tmp_path / "x").glob("P*")]


def test_only_one_kind_writes_only_that(delivered, tmp_path):
    deliver_documents(delivered.path, tmp_path, Wishes(kinds=kinds_named("ics")), parcels=["P1"])
    assert [path.name for path in tmp_path.rglob("*.*")] == ["week.ics"]


def test_file_is_whole_or_absent(tmp_path):
    target = tmp_path / "a" / "x.txt"
    write_whole(target, b"old")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(PlanError, match="could not be written"):
        write_whole(tmp_path / "file" / "x.txt", b"new")
    assert [path.name for path in target.parent.iterdir()] == ["x.txt"] and target.read_bytes() == b"old"


@pytest.mark.parametrize("name", ["../../etc", "a/b", "..", "CON", "", "x" * 300, "a\x00b", "-rf"])
def test_folder_names_stay_inside_and_differ(name):
    stem = file_stem(name)
    assert stem not in ("", ".", "..") and not set(stem) & set('/\\\0:*?"<>|') and len(stem) < 90
    assert stem != file_stem(name + "!") and not stem.startswith(("-", "."))


def test_folders_of_parcels_never_meet_one_another_or_the_index():
    """Not even where case doesn't count; what is alone keeps its name."""
    names = ["A", "a", "B", "index.html", "styles", "Styles", "INDEX.HTML"]
    stems = file_stems(names)
    assert stems["B"] == "B"
    taken = {stem.casefold() for stem in stems.values()}
    assert len(taken) == len(names)
    assert not taken & {"index.html", "styles"}


def test_reading_gives_true_metres(delivered):
    """In the frame a side of 20 grid metres is longer by the grid's scale 0.9996 at its central meridian."""
    plan = delivered.parcels["P1"]
    left, _, right, _ = plan.outline.bounds
    assert right - left == pytest.approx(20 / 0.9996, abs=1e-3)
    assert document_source(delivered.path).plan.crs == CRS.from_epsg(25832)


def test_sources_tell_dates_hash_and_accuracy(delivered):
    """One line a file: content, date that the data carry, date of the file, hash; and what is assumed of accuracy."""
    for words in (
        re.sub(r"\s+", " ", (delivered.first / "page.html").read_text(encoding="utf-8")),
        pdf_text(delivered.first / "quote.pdf"),
        pdf_text(delivered.first / "sheet.pdf"),
    ):
        for fact in ("9 x 9 cells of 0.5 m", "data dated 3 Apr 2019", "file of 1 Feb 2024", "SHA-256 0123456789ab",
                     "standard deviation 0.10 m"):  # fmt: skip
            assert fact in words


def test_rows_of_one_parcel_in_run_info_do_not_speak_for_the_plan(delivered):
    assert delivered.source.plan.facts["lawngis version"] == "0.1.0"


def test_visit_sheet_on_a_screen_has_what_measurements_come_back_by(delivered):
    rows = list(csv.DictReader(io.StringIO((delivered.first / "visit.csv").read_text(encoding="utf-8-sig"))))
    (row,) = rows
    assert (row["check_id"], row["measured"], row["note"], row["unit"]) == ("P1-V1", "", "", "m")
    assert {"what", "how", "target_layer", "target_id", "target_column"} <= set(row)
    assert row["target_layer"] == "links"
    assert "width_m of P1-P1 in links" in pdf_text(delivered.first / "visit.pdf")


FEET = Formats("en_US", "feet")


@pytest.fixture(scope="module")
def in_feet(delivered, tmp_path_factory):
    folder = tmp_path_factory.mktemp("feet")
    deliver_documents(delivered.path, folder, Wishes(formats=FEET, written_at=delivered.wishes.written_at))
    return folder


def test_sheet_in_feet_is_true_to_its_named_scale_on_letter_paper(in_feet):
    first = pypdf.PdfReader(in_feet / "P1" / "sheet.pdf").pages[0]
    text = re.sub(r"\s+", " ", first.extract_text())
    foot, scale = re.search(r"1/(\d+)″ = 1′-0″ \(1:(\d+)\) on (?:Letter|Tabloid)", text).groups()
    assert int(scale) == 12 * int(foot)  # so many inches of ground to one of paper
    sides = np.hypot(*np.diff(wire_points_mm(first), axis=0).T)
    assert max(sides) * int(scale) / 1000 == pytest.approx(19.2 / 0.9996, rel=3e-5)
    assert {round(float(value)) for value in first.mediabox[2:]} <= {612, 792, 1224}  # letter and tabloid [pt]


@pytest.mark.parametrize("name", ["sheet.pdf", "settings.pdf", "visit.pdf", "quote.pdf", "page.html"])
def test_documents_in_feet_have_no_metres(in_feet, name):
    path = in_feet / "P1" / name
    text = pdf_text(path) if name.endswith("pdf") else re.sub(r"<[^>]+>", " ", path.read_text(encoding="utf-8"))
    left = re.findall(r"[^.;]*\d m\b[^.;]*", re.sub(r"cells of 0.5 m", "", text))
    assert not left


@pytest.mark.parametrize(
    ("metric", "feet"),
    [
        ("joint at 30.48 m", "joint at 100′ 0″"),
        ("from 0.6 to 1.2 m", "from 1′ 11⅝″ to 3′ 11¼″"),
        ("100 m² of lawn", "1,076 sq ft of lawn"),
        ("0.75 mm² wire, 0.5 m/s, P07 m", "0.75 mm² wire, 0.5 m/s, P07 m"),
    ],
)
def test_sentences_in_feet(metric, feet):
    assert FEET.prose(metric) == feet
    assert Formats().prose(metric) == metric


def test_letters_that_no_font_has_are_marked_and_said():
    assert printable("村 A") == "□ A"
    assert printable("村", frozenset({ord("村")})) == "村"
    with pytest.raises(ParameterError, match="no font file"):
        Formats(fonts=(Path("none.ttf"),))


def advances(file: Path) -> dict[int, int]:
    """Width of each letter of a font."""
    with TTFont(file) as font:
        return {letter: font["hmtx"].metrics[name][0] for letter, name in font.getBestCmap().items()}


def test_lean_font_has_the_widths_of_the_whole_one_and_all_of_our_own_words():
    for weight in ("", "-Bold"):
        whole, lean = advances(_font_file(f"DejaVuSans{weight}.ttf")), advances(_font_file(f"{LEAN}{weight}.ttf"))
        assert len(lean) > 300 and lean == {letter: whole[letter] for letter in lean}
        assert set(map(ord, "".join([*CAUTIONS, "•·–…′″⅛¼⅜½⅝¾⅞±²°Ω□€£"]))) <= set(lean)


def paper_on(delivered, **formats) -> Paper:
    paper = Paper(delivered.parcels["P1"], "Test", Formats(**formats), delivered.wishes.written_at)
    paper.add_page()
    return paper


def test_text_is_wrapped_within_its_width_and_nothing_is_lost(delivered):
    paper = paper_on(delivered)
    paper.face(9)
    for words in ("a plain sentence of some length, " * 6, "x" * 300, "one", "", "two\nlines"):
        lines = paper.wrapped(words.strip(), 40.0)
        assert all(paper.width_mm(line) <= 40.0 for line in lines)
        assert "".join(lines).replace(" ", "") == words.replace(" ", "").replace("\n", "")
    paper.output()  # which closes its fonts


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed (Debian's poppler-utils)")
def test_hebrew_runs_from_the_right(delivered, tmp_path):
    """Another program reads from the right what was drawn so; drawn from the left it would come back reversed."""
    paper = paper_on(delivered)
    paper.say("Garten שלום", 20)
    paper.set_xy(10, 100)
    paper.text(10, 100, "Garten אבגד")
    paper.output(tmp_path / "x.pdf")
    command = ["pdftotext", str(tmp_path / "x.pdf"), "-"]
    told = subprocess.run(command, capture_output=True, check=True).stdout.decode()
    assert "שלום" in told and "אבגד" not in told


@pytest.mark.slow
def test_workers_make_the_same_documents(delivered, portfolio_written, tmp_path):
    """Each reads the rows of its own parcels from the file."""
    wishes = Wishes(kinds=kinds_named("csv,geojson"), written_at=delivered.wishes.written_at)
    for folder, workers in (("one", 1), ("two", 2)):
        assert len(deliver_documents(portfolio_written, tmp_path / folder, wishes, workers=workers)) == 40
    files = [file for file in (tmp_path / "one").rglob("*") if file.is_file()]
    assert len(files) == 40 * 4
    for file in files:
        assert file.read_bytes() == (tmp_path / "two" / file.relative_to(tmp_path / "one")).read_bytes()


@pytest.mark.slow
def test_rows_are_found_wherever_they_were_added(delivered, tmp_path):
    """A peg that somebody adds at the end of the file belongs to its parcel all the same."""
    path = tmp_path / "plan.gpkg"
    path.write_bytes(delivered.path.read_bytes())
    before = len(document_source(path).parcel("P1").rows["visit_checks"])
    with closing(sqlite3.connect(path)) as database:
        database.execute("INSERT INTO materials (parcel_id, item, quantity, unit) VALUES ('P1', 'late', 1, 'piece')")
        database.commit()
    plan = document_source(path)
    assert [row["item"] for row in plan.parcel("P1").rows["materials"]] == ["boundary wire", "late"]
    assert [row["item"] for row in plan.parcel("../P2").rows["materials"]] == ["boundary wire"]
    assert len(plan.parcel("P1").rows["visit_checks"]) == before


def test_whole_layers_come_back_as_they_are_in_the_plan(delivered, tmp_path):
    """Read by other programs than wrote them: GeoParquet by pyarrow and FlatGeobuf by fiona's GDAL."""
    wishes = Wishes(kinds=kinds_named("geoparquet,flatgeobuf"))
    assert deliver_documents(delivered.path, tmp_path, wishes) == []
    assert [path.name for path in tmp_path.iterdir()] == ["layers"]
    plan = geopandas.read_file(delivered.path, layer="zones", engine="pyogrio")
    stored = pyarrow.parquet.read_table(tmp_path / "layers" / "zones.parquet")
    geo = json.loads(stored.schema.metadata[b"geo"])
    assert geo["version"] == "1.1.0" and geo["columns"]["geometry"]["crs"]["id"]["code"] == 25832
    assert stored.schema.field("area_m2").metadata == {b"description": "ground area [m²]".encode()}
    shapes = shapely.from_wkb(np.array(stored["geometry"].to_pylist(), dtype=object))
    assert (
        shapely.equals(shapes, plan.geometry.to_numpy()).all()
        and stored["zone_id"].to_pylist() == plan["zone_id"].tolist()
    )
    with fiona.open(tmp_path / "layers" / "zones.fgb") as zones:
        assert [row["properties"]["zone_id"] for row in zones] and len(zones) == len(plan)
        assert zones.crs.to_epsg() == 25832
    with fiona.open(tmp_path / "layers" / "findings.fgb") as findings:  # which may be nowhere
        assert [row["geometry"] for row in findings] == [None] * len(findings) and len(findings)
    assert pyarrow.parquet.read_table(tmp_path / "layers" / "materials.parquet")["item"].to_pylist()


def test_some_parcels_have_layers_of_their_own(delivered, tmp_path):
    deliver_documents(delivered.path, tmp_path, Wishes(kinds=kinds_named("geoparquet")), parcels=["P1"])
    assert set(geopandas.read_parquet(tmp_path / "layers" / "pegs.parquet")["parcel_id"]) == {"P1"}
