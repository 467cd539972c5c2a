"""Sources that nobody should have made: each ends in one line, leaves nothing behind, and takes no more than it is."""

from __future__ import annotations

import struct
import zlib

import pyogrio
import pytest

from lawngis.processing.gathering.site_folder import LAYERS_FILE

OSM = b'<?xml version="1.0"?><osm version="0.6">'


def varint(number):
    """A number as protocol buffers write it (their encoding, "Base 128 Varints")."""
    out = b""
    while number > 127:
        out, number = out + bytes([number & 127 | 128]), number >> 7
    return out + bytes([number])


def blob(kind, content, size=None):
    """A block of a map extract in PBF (OpenStreetMap Wiki, "PBF Format"), packed, of the size that it says."""
    packed = zlib.compress(content)
    body = b"\x10" + varint(len(content) if size is None else size) + b"\x1a" + varint(len(packed)) + packed
    head = b"\x0a" + varint(len(kind)) + kind + b"\x18" + varint(len(body))
    return struct.pack(">I", len(head)) + head + body


HEADER = blob(b"OSMHeader", b"\x22\x0eOsmSchema-V0.6\x22\x0aDenseNodes")
ENTITIES = b"".join(b'<!ENTITY e%d "%s">' % (number + 1, b"&e%d;" % number * 10) for number in range(9))


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("head.osm.pbf", b"\0\0\0\x0d\x0a\x09OSMHeader" + b"\xff" * 999),
        ("cut.osm.pbf", HEADER + blob(b"OSMData", bytes(range(250)))[:-40]),
        ("lies.osm.pbf", HEADER + blob(b"OSMData", b"\0" * 99, size=2**31 - 1)),
        ("swells.osm.pbf", HEADER + blob(b"OSMData", b"\x0a\xff\xff\xff\x7f" + b"a" * 20_000_000)),
        ("endless.osm.pbf", HEADER + struct.pack(">I", 2**31 - 1) + b"\x0a\x07OSMData"),
        ("laughs.osm", b'<?xml version="1.0"?><!DOCTYPE osm [<!ENTITY e0 "aaaaaaaaaa">' + ENTITIES + b']><osm>'
         b'<node id="1" lat="50" lon="9"><tag k="name" v="&e9;"/></node></osm>'),
        ("string.osm", OSM + b'<node id="1" lat="50" lon="9"><tag k="name" v="' + b"a" * 20_000_000 + b'"/></node>'),
        ("nowhere.osm", OSM + b'<node id="1" lat="nan" lon="1e999"><tag k="natural" v="tree"/></node></osm>'),
        ("scan.laz", b"LASF" + b"\xff" * 400),
        ("scan.las", b"LASF" + b"\0" * 90 + struct.pack("<HIIBHI", 227, 227, 0, 0, 20, 2**32 - 1) + b"\0" * 160),
        ("parcels.geojson", b'{"type":"FeatureCollection","features":[' + b"[" * 50_000),
    ],
)  # fmt: skip
def test_it_ends_in_one_line_and_leaves_nothing(tmp_path, lawngis, name, content):
    (tmp_path / name).write_bytes(content)
    done = lawngis("gather", tmp_path / name, "--out", tmp_path / "site")
    assert done.code == 2
    assert name in done.said
    assert [file.name for file in tmp_path.iterdir()] == [name]


def way(number, nodes, **tags):
    inside = "".join(f'<nd ref="{node}"/>' for node in nodes)
    inside += "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags.items())
    return f'<way id="{number}" version="1">{inside}</way>'


def test_sizes_that_cannot_be_are_not_taken(tmp_path, lawngis):
    corners = [(50, 9), (50, 9.0001), (50.0001, 9), (-80, -170), (80, 170)]
    nodes = "".join(f'<node id="{n}" version="1" lat="{y}" lon="{x}"/>' for n, (y, x) in enumerate(corners, 1))
    ways = (
        way(1, (1, 2, 3, 1), building="yes", height="9" * 400)
        + way(2, (1, 2), highway="footway", width="999999999")
        + way(3, (4, 5), natural="tree_row")
        + way(4, (1, 2), natural="tree_row")
    )
    (tmp_path / "town.osm").write_text(OSM.decode() + nodes + ways + "</osm>")
    done = lawngis("gather", tmp_path / "town.osm", "--out", tmp_path / "site")
    assert done.code == 0
    assert "trees: left out, too long for a row: feature 3" in done.err
    tables = {
        name: pyogrio.read_dataframe(tmp_path / "site" / LAYERS_FILE, layer=name)
        for name in ("buildings", "hard_surfaces", "trees")
    }
    assert tables["buildings"]["height_m"].isna().all()
    assert tables["hard_surfaces"].to_crs("EPSG:32632").area.max() < 20
    assert tables["trees"]["map_number"].unique().tolist() == ["4"]
