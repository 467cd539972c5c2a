"""Point clouds opened: what they say of themselves, and what is refused before a library acts on it."""

from __future__ import annotations

import struct
import sys
from pathlib import Path

import laspy
import lazrs
import numpy as np
import pytest
from laspy._compression.lazrsbackend import LazrsPointWriter

sys.path.insert(0, str(Path(__file__).parents[1] / "gathering"))
import made_clouds as made

from lawngis.errors import SiteError
from lawngis.processing.files.point_clouds import cloud_chunks, cloud_overview, squares_of


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("clouds")


@pytest.fixture(scope="module")
def las(folder):
    return made.write_cloud(folder / "garden.las", density_m2=1).read_bytes()


@pytest.fixture(scope="module")
def laz(folder):
    return made.write_cloud(folder / "garden.laz", density_m2=1).read_bytes()


def read(path):
    return sum(len(points.x) for points in cloud_chunks(cloud_overview(path)))


def changed(content, **words):
    """A header with words changed: at_N_format=value."""
    content = bytearray(content)
    for name, value in words.items():
        _, place, kind = name.split("_")
        struct.pack_into(f"<{kind}", content, int(place), value)
    return bytes(content)


def test_chunks_hold_all_points_but_noise(folder, laz, monkeypatch):
    path = folder / "garden.laz"
    monkeypatch.setattr("lawngis.processing.files.point_clouds.CHUNK_POINTS", 1000)
    info = cloud_overview(path)
    chunks = list(cloud_chunks(info))
    assert len(chunks) == -(-info.count // 1000) > 2
    assert max(len(points.x) for points in chunks) <= 1000
    whole = laspy.read(path)
    fine = ~np.isin(whole.classification, [7, 18])
    np.testing.assert_allclose(np.concatenate([points.z for points in chunks]), np.asarray(whole.z)[fine])
    assert sum(points.ground.sum() for points in chunks) == (whole.classification == 2).sum()
    number, of = np.asarray(whole.return_number)[fine], np.asarray(whole.number_of_returns)[fine]
    np.testing.assert_array_equal(np.concatenate([points.first for points in chunks]), number == 1)
    np.testing.assert_array_equal(np.concatenate([points.last for points in chunks]), number == of)


def test_chunks_of_unequal_length_are_read_as_copc_has_them(folder, monkeypatch):
    """A COPC file is a LAZ file whose chunks are as long as its tree's nodes (COPC specification 1.0)."""
    plain = made.write_cloud(folder / "plain.laz", density_m2=2)
    cloud, path = laspy.read(plain), folder / "unequal.laz"

    def begin(self, dest, point_format, parallel):
        self.dest, self.parallel, self.compressor = dest, False, None
        self.vlr = lazrs.LazVlr.new_for_compression(point_format.id, point_format.num_extra_bytes, True)

    def write(self, points):
        self.compressor.compress_many(np.frombuffer(points.array, np.uint8))
        self.compressor.finish_current_chunk()

    monkeypatch.setattr(LazrsPointWriter, "__init__", begin)
    monkeypatch.setattr(LazrsPointWriter, "write_points", write)
    with laspy.open(path, mode="w", header=cloud.header, laz_backend=laspy.LazBackend.Lazrs) as out:
        for points in (cloud.points[:700], cloud.points[700:710], cloud.points[710:]):
            out.write_points(points)
    one, other = ([points.z for points in cloud_chunks(cloud_overview(each))] for each in (plain, path))
    np.testing.assert_array_equal(np.concatenate(one), np.concatenate(other))


def test_points_withheld_are_left_out(folder):
    path = made.write_cloud(folder / "withheld.las", density_m2=1)
    cloud = laspy.read(path)
    before = read(path)
    cloud.withheld = np.arange(len(cloud.points)) < 100
    cloud.write(str(path))
    assert read(path) == before - 100


def test_geotiff_keys_give_the_vertical_crs_and_its_unit(folder):
    """EPSG:25832 with DHHN2016 height (7837), and NAVD88 in feet told by the unit's code alone (9003)."""
    path = _with_keys(folder / "keys.las", {3072: 25832, 4096: 7837})
    info = cloud_overview(path)
    assert info.crs.is_compound and info.crs.sub_crs_list[1].to_epsg() == 7837
    assert info.vertical_said and info.vertical_unit_m == 1.0
    info = cloud_overview(_with_keys(folder / "unit.las", {3072: 25832, 4099: 9003}))
    assert not info.crs.is_compound
    assert info.vertical_said and info.vertical_unit_m == pytest.approx(1200 / 3937)


def _with_keys(path, keys):
    from laspy.vlrs.known import GeoKeyDirectoryVlr, GeoKeyEntryStruct

    made.write_cloud(path, crs=None, density_m2=1, point_format=1)
    cloud = laspy.read(path)
    record = GeoKeyDirectoryVlr()
    record.geo_keys = [
        GeoKeyEntryStruct(id=key, tiff_tag_location=0, count=1, value_offset=value) for key, value in keys.items()
    ]
    record.geo_keys_header.key_direction_version = 1
    record.geo_keys_header.number_of_keys = len(keys)
    cloud.vlrs.append(record)
    cloud.write(str(path))
    return path


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (lambda las: b"", "is empty"),
        (lambda las: b"just words", "is no LAS point cloud: it holds text"),
        (lambda las: b"II*\0" + las[4:], "is no LAS point cloud: it holds a TIFF"),
        (lambda las: las[:100], "is cut off after 100 bytes"),
        (lambda las: las[: len(las) // 2], r"is cut off: of its [\d,]+ points [\d,]+ are there"),
        (lambda las: changed(las, at_247_Q=2**62), "is cut off"),
        (lambda las: changed(las, at_247_Q=0, at_107_I=0), "holds no points"),
        (lambda las: changed(las, at_100_I=2**32 - 1), "header that can't be true"),  # records of a header without end
        (lambda las: changed(las, at_96_I=2**31), "header that can't be true"),
        (lambda las: changed(las, at_105_H=0), "header that can't be true"),
        (lambda las: changed(las, at_131_d=float("inf")), "points at no number"),
        (lambda las: changed(las, at_131_d=0.0), "points at no number"),
        (lambda las: changed(las, at_179_d=made.EAST + 30), "is damaged: it has points beyond the bounds"),
        (lambda las: changed(las, at_104_B=50), "cut off or damaged"),
    ],
)
def test_what_is_no_whole_cloud_is_refused(folder, las, content, said):
    path = folder / "hostile.las"
    path.write_bytes(content(las))
    with pytest.raises(SiteError, match=said):
        read(path)


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (lambda laz, table: laz[: len(laz) // 2], "is cut off: the table of its chunks is not there"),
        (lambda laz, table: laz[:table] + struct.pack("<II", 0, 2**31), "table of chunks that can't be true"),
        (lambda laz, table: changed(laz, at_105_H=60000), "points can't be as many or as large"),
        (lambda laz, table: _with_layer_of(laz, 2**32 - 1), "points can't be as many or as large"),
        (lambda laz, table: changed(laz, at_247_Q=2**40), "points can't be as many or as large"),
    ],
)
def test_what_is_no_whole_compressed_cloud_is_refused(folder, laz, content, said):
    path = folder / "hostile.laz"
    (start,) = struct.unpack_from("<I", laz, 96)
    (table,) = struct.unpack_from("<q", laz, start)
    path.write_bytes(content(laz, table))
    with pytest.raises(SiteError, match=said):
        read(path)


def _with_layer_of(laz, length):
    """The second layer of the first chunk said to be so long: after its first point of 30 bytes and their number."""
    (start,) = struct.unpack_from("<I", laz, 96)
    return changed(laz, **{f"at_{start + 8 + 30 + 4 + 4}_I": length})


@pytest.mark.parametrize(
    "place", ["folder.las", "missing.las", "/vsicurl/https://example.org/a.laz", "https://example.org/a.laz"]
)
def test_only_files_are_read(folder, place):
    (folder / "folder.las").mkdir(exist_ok=True)
    path = Path(place) if ":" in place or place.startswith("/") else folder / place
    with pytest.raises(SiteError, match=r"is a folder|does not exist|is an address"):
        cloud_overview(path)


def test_cells_are_told_apart_by_square():
    row, col = np.array([0, 5, 300, 300, 1]), np.array([0, 600, 2, 3, 255])
    found = {key: places.tolist() for key, places in squares_of(row, col, 256)}
    assert found == {(0, 0): [0, 4], (0, 2): [1], (1, 0): [2, 3]}
