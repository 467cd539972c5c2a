"""Point clouds, read chunk by chunk: LAS, LAZ, and COPC, which is LAZ in an order of its own. Only files, no addresses.

A cloud may come from anybody: what its header says is held against the file before a library acts on it, and a chunk
is never larger than :data:`CHUNK_BYTES`, whatever a point is said to hold.
"""

from __future__ import annotations

import logging
import struct
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS
from pyproj.exceptions import CRSError

from lawngis.arrays import BoolArray, FloatArray
from lawngis.errors import LawngisError, ParameterError, SiteError
from lawngis.geometry.frame import horizontal_crs, upward_unit_m

from .formats import Format, file_fault

if TYPE_CHECKING:
    import laspy

CLOUDS: Mapping[str, Format] = {
    ".las": Format("LAS point cloud", "", (b"LASF",)),
    ".laz": Format("LAZ point cloud", "", (b"LASF",)),
}
"""Point clouds by ending."""

GROUND, LOW_NOISE, HIGH_NOISE = 2, 7, 18
PLANTS, BUILDING, UNTOLD = (3, 4, 5), 6, (0, 1)
"""Classes of points (ASPRS, LAS 1.4, table of standard classes)."""

CHUNK_POINTS = 500_000
CHUNK_BYTES = 48 << 20
"""Points read at a time, and bytes that they may take."""

CHUNK_BYTES_MIN = 20
"""No chunk of a LAZ file is shorter: its first point is not compressed, and the shortest has 20 bytes (LAS 1.4)."""

ROUNDING_STEPS = 10
"""By so many steps of their coordinates points may be beyond the bounds of the header: writers round."""

HEAD_BYTES_MAX = 64 << 20
"""No header with its records is larger."""

_PROJECTED, _VERTICAL, _VERTICAL_UNIT = 3072, 4096, 4099
_UNITS_M = {9001: 1.0, 9002: 0.3048, 9003: 1200 / 3937}
"""GeoTIFF keys that LAS 1.0 to 1.3 takes over, and codes of units (EPSG)."""

_LAYERS = {10: 9, 11: 1, 12: 2, 13: 1}
_EXTRA_BYTES = 14
"""Layers of the kinds of items in the newer kinds of LAZ points; of extra bytes each is a layer (LASzip)."""

_AGAIN = "Copy or download it again."
_INSTALL = "Install it with: pip install 'lawngis[gather]'."

logging.getLogger("laspy").addHandler(logging.NullHandler())  # else its complaints go to stderr


@dataclass(frozen=True)
class CloudInfo:
    """What is known of a point cloud without reading its points.

    Parameters
    ----------
    path
        File.
    crs
        Compound where the file says so.
    unit_m
        Length of one unit of x and y [m].
    vertical_unit_m
        Length of one unit of z [m].
    vertical_said
        Whether the file says the latter; else it is taken from x and y.
    count
        Points that it holds by its header.
    """

    path: Path
    crs: CRS
    unit_m: float
    vertical_unit_m: float
    vertical_said: bool
    count: int


class CloudPoints(NamedTuple):
    """Some points of a cloud, without noise and those withheld.

    Place, class, whether first or last of a pulse, and whether of a plant: by class, else of a pulse that came back
    several times.
    """

    x: FloatArray
    y: FloatArray
    z: FloatArray
    ground: BoolArray
    first: BoolArray
    last: BoolArray
    plant: BoolArray
    built: BoolArray

    def of(self, chosen: BoolArray) -> CloudPoints:
        """Return some of the points."""
        x, y, z, *flags = self
        ground, first, last, plant, built = (flag[chosen] for flag in flags)
        return CloudPoints(x[chosen], y[chosen], z[chosen], ground, first, last, plant, built)


def cloud_overview(path: Path) -> CloudInfo:
    """Return what a point cloud is, without reading its points.

    Raises
    ------
    SiteError
        When it is missing, no point cloud, cut off, empty, has no CRS, or one in degrees.
    ParameterError
        When the package that reads clouds isn't installed.
    """
    with _opened(path) as reader:
        if not reader.header.point_count:
            raise SiteError("holds no points", where=str(path), advice=_AGAIN)
        crs, vertical_unit_m = _crs(reader.header, path)
    flat = horizontal_crs(crs)
    if not flat.is_projected:
        raise SiteError(
            f"has points in {flat.name}, not in metres or feet",
            where=str(path),
            advice="Project it to a map grid, such as the UTM zone of the place.",
        )
    unit_m = float(flat.axis_info[0].unit_conversion_factor)
    vertical_unit_m = upward_unit_m(crs) or vertical_unit_m
    said = vertical_unit_m is not None
    return CloudInfo(path, crs, unit_m, vertical_unit_m or unit_m, said, int(reader.header.point_count))


def cloud_chunks(info: CloudInfo) -> Iterator[CloudPoints]:
    """Read a point cloud from its first to its last point, :data:`CHUNK_POINTS` or fewer at a time.

    Points of noise (classes 7 and 18) and those withheld are left out.

    Raises
    ------
    SiteError
        When the file ends before its points do, or they lie elsewhere than it says.
    """
    with _opened(info.path) as reader:
        at_once = max(min(CHUNK_POINTS, CHUNK_BYTES // reader.header.point_format.size), 1)
        for start in range(0, info.count, at_once):
            points = reader.read_points(at_once)
            if len(points) < min(at_once, info.count - start):
                raise SiteError(
                    f"is cut off: of its {info.count:,} points {start + len(points):,} are there",
                    where=str(info.path),
                    advice=_AGAIN,
                )
            yield _told(points, reader.header, info.path)


def _told(points: Any, header: Any, path: Path) -> CloudPoints:
    kind = np.asarray(points.classification)
    number, of = np.asarray(points.return_number), np.asarray(points.number_of_returns)
    x, y, z = (np.asarray(axis, dtype=np.float64) for axis in (points.x, points.y, points.z))
    for axis, least, most, step in zip((x, y, z), header.mins, header.maxs, header.scales, strict=True):
        # Damaged points are unpacked all the same, and lie anywhere
        if not (axis.min() >= least - ROUNDING_STEPS * step and axis.max() <= most + ROUNDING_STEPS * step):
            raise SiteError(
                "is damaged: it has points beyond the bounds that its header says",
                where=str(path),
                advice="Copy or download it again; if it is whole, have a tool for point clouds write its header anew.",
            )
    plant = np.isin(kind, PLANTS) | (np.isin(kind, UNTOLD) & (of > 1))
    told = CloudPoints(x, y, z, kind == GROUND, number <= 1, number >= of, plant, kind == BUILDING)
    return told.of((kind != LOW_NOISE) & (kind != HIGH_NOISE) & ~np.asarray(points.withheld, dtype=bool))


@contextmanager
def _opened(path: Path) -> Iterator[laspy.LasReader]:
    """Open a cloud, and turn what libraries say of it into words that people know."""
    fault = file_fault(path, CLOUDS)
    if fault is not None:
        raise SiteError(fault[0], where=str(path), advice=fault[1])
    try:
        import laspy
        import lazrs
    except ImportError as error:
        raise ParameterError(f"point clouds are read by the package {error.name}", advice=_INSTALL) from error
    _refuse_impossible(path)
    try:
        # One thread: it unpacks point by point, where several hold whole chunks of whatever size a file says
        with laspy.open(path, laz_backend=laspy.LazBackend.Lazrs, read_evlrs=False) as reader:
            _refuse_impossible_points(reader.header, path, lazrs)
            yield reader
    except LawngisError:
        raise
    except (laspy.errors.LaspyException, lazrs.LazrsError, OSError, ValueError, LookupError, struct.error) as error:
        raise _unreadable(path, error) from error
    except BaseException as error:
        if type(error).__name__ != "PanicException":  # of lazrs, which has no name for it
            raise
        raise _unreadable(path, error) from error


def _unreadable(path: Path, error: BaseException) -> SiteError:
    said = " ".join(str(error).split()).rstrip(".") or type(error).__name__
    return SiteError(f"is cut off or damaged ({said})", where=str(path), advice=_AGAIN)


def _refuse_impossible(path: Path) -> None:
    """Refuse a header that doesn't fit the file (LAS 1.4, public header block)."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(375)
    if len(head) < 227:
        raise SiteError(f"is cut off after {size} bytes", where=str(path), advice=_AGAIN)
    header_size, offset, records, kind, length, count = struct.unpack_from("<HIIBHI", head, 94)
    if head[25] >= 4 and len(head) >= 255:
        (count,) = struct.unpack_from("<Q", head, 247)
    compressed = bool(kind & 0xC0)  # the two upper bits
    needed = offset + (0 if compressed else count * length)
    if offset < header_size or records * 54 > offset - header_size or offset > HEAD_BYTES_MAX or not length:
        raise SiteError("has a header that can't be true", where=str(path), advice=_AGAIN)
    if needed > size:
        held = max(size - offset, 0) // length
        whole = f"of its {count:,} points {held:,} are there" if held else f"it has {size:,} of {needed:,} bytes"
        raise SiteError(f"is cut off: {whole}", where=str(path), advice=_AGAIN)
    scales = np.array(struct.unpack_from("<6d", head, 131))
    if not np.isfinite(scales).all() or not (scales[:3] > 0).all():
        raise SiteError("has points at no number (scale or offset)", where=str(path), advice=_AGAIN)
    if compressed and count:
        _refuse_chunk_table(path, offset, size)


def _refuse_chunk_table(path: Path, offset: int, size: int) -> None:
    """Refuse a table of more chunks than a file has room for (LASzip): as much memory would be set aside."""
    with path.open("rb") as file:
        file.seek(offset)
        (place,) = struct.unpack("<q", file.read(8).ljust(8, b"\0"))
        if place == -1:  # written in one go: its place stands at the end
            file.seek(-8, 2)
            (place,) = struct.unpack("<q", file.read(8))
        if not offset + 8 <= place <= size - 8:
            raise SiteError("is cut off: the table of its chunks is not there", where=str(path), advice=_AGAIN)
        file.seek(place + 4)
        (chunks,) = struct.unpack("<I", file.read(4))
    if chunks > size // CHUNK_BYTES_MIN:
        raise SiteError("has a table of chunks that can't be true", where=str(path), advice=_AGAIN)


def _refuse_impossible_points(header: Any, path: Path, lazrs: Any) -> None:
    """Refuse compressed points that are of another size than the header's, or larger than their chunk in the file.

    As many bytes would be set aside as is said. A chunk of the newer kinds begins with a point, the number of points,
    and the sizes of its layers (LASzip).
    """
    for record in header.vlrs.get("LasZipVlr"):
        vlr, items = lazrs.LazVlr(record.record_data), struct.iter_unpack("<HHH", record.record_data[34:])
        layers = sum(_LAYERS.get(kind, 0) if kind != _EXTRA_BYTES else length for kind, length, _ in items)
        wrong = vlr.item_size() != header.point_format.size
        with path.open("rb") as file:
            place = file.seek(header.offset_to_point_data) + 8
            table = lazrs.read_chunk_table(file, vlr) if layers and not wrong else []
            chunks = [(count, length) for count, length in table if length]  # some writers end with an empty one
            wrong |= sum(length for _, length in chunks) > path.stat().st_size
            wrong |= bool(layers) and sum(count for count, _ in chunks) < header.point_count
            for _, length in [] if wrong else chunks:
                file.seek(place + vlr.item_size() + 4)
                wrong |= sum(struct.unpack(f"<{layers}I", file.read(4 * layers))) > length
                place += length
        if wrong:
            raise SiteError(
                "is damaged: its points can't be as many or as large as it says", where=str(path), advice=_AGAIN
            )


def _crs(header: Any, path: Path) -> tuple[CRS, float | None]:
    """Return the CRS that a header says, and the length of a unit of height by its GeoTIFF keys [m]."""
    keys = {key.id: key.value_offset for vlr in header.vlrs.get("GeoKeyDirectoryVlr") for key in vlr.geo_keys}
    vertical_unit_m = _UNITS_M.get(keys.get(_VERTICAL_UNIT, 0))
    try:
        crs = header.parse_crs()
        if (
            crs is not None
            and not crs.is_compound
            and keys.get(_VERTICAL)
            and not header.vlrs.get("WktCoordinateSystemVlr")
        ):
            vertical = CRS.from_epsg(keys[_VERTICAL])
            crs = CRS.from_wkt(_compound_wkt(horizontal_crs(crs), vertical))
    except CRSError as error:
        raise SiteError(
            f"has a CRS that can't be understood ({error})", where=str(path), advice="Assign it anew."
        ) from error
    if crs is None:
        raise SiteError(
            "has no CRS",
            where=str(path),
            advice="Assign the right one with a tool for point clouds, or ask who made it.",
        )
    return crs, vertical_unit_m


def _compound_wkt(horizontal: CRS, vertical: CRS) -> str:
    from pyproj.crs import CompoundCRS

    return str(CompoundCRS(f"{horizontal.name} + {vertical.name}", components=[horizontal, vertical]).to_wkt())


class CellStore:
    """Planes of cells in squares: those touched last are in memory, the others in a folder.

    What is in memory doesn't depend on how large the ground is, nor on how many points fall on it.

    Parameters
    ----------
    folder
        Exists, for this store alone.
    empty
        What each plane holds where nothing was put.
    side_cells
        Side of a square.
    memory_bytes
        Of all squares in memory.
    """

    def __init__(
        self, folder: Path, empty: Sequence[float], *, side_cells: int = 256, memory_bytes: int = 192 << 20
    ) -> None:
        self.side_cells = side_cells
        self._folder = folder
        self._empty = np.array(empty, dtype=np.float64)[:, None, None]
        self._most = max(memory_bytes // (len(empty) * side_cells**2 * 8), 4)
        self._in_memory: OrderedDict[tuple[int, int], FloatArray] = OrderedDict()
        self._known: set[tuple[int, int]] = set()

    @property
    def keys(self) -> list[tuple[int, int]]:
        """Squares in which something was put: row and column of the square, in order."""
        return sorted(self._known)

    @property
    def memory_bytes(self) -> int:
        """Bytes of the squares in memory."""
        return sum(square.nbytes for square in self._in_memory.values())

    def square(self, key: tuple[int, int]) -> FloatArray:
        """Return the planes of a square, shape (planes, side, side), to be changed before the next is asked for."""
        if key in self._in_memory:
            self._in_memory.move_to_end(key)
            return self._in_memory[key]
        while len(self._in_memory) >= self._most:
            old, values = self._in_memory.popitem(last=False)
            np.save(self._file(old), values)
        if key in self._known:
            square: FloatArray = np.load(self._file(key))
        else:
            square = np.broadcast_to(self._empty, (len(self._empty), self.side_cells, self.side_cells)).copy()
            self._known.add(key)
        self._in_memory[key] = square
        return square

    def window(self, first_row: int, first_col: int, rows: int, cols: int) -> FloatArray:
        """Return the planes of some cells, shape (planes, rows, cols); where nothing was put they are empty."""
        side = self.side_cells
        window = np.broadcast_to(self._empty, (len(self._empty), rows, cols)).copy()
        for row in range(first_row // side, (first_row + rows - 1) // side + 1):
            for col in range(first_col // side, (first_col + cols - 1) // side + 1):
                if (row, col) in self._known:
                    down, within_down = _overlap(row * side, side, first_row, rows)
                    right, within_right = _overlap(col * side, side, first_col, cols)
                    window[:, down, right] = self.square((row, col))[:, within_down, within_right]
        return window

    def _file(self, key: tuple[int, int]) -> Path:
        return self._folder / f"{key[0]}_{key[1]}.npy"


def _overlap(start: int, length: int, first: int, count: int) -> tuple[slice, slice]:
    """Return where a square's cells lie in a window, and which of the square's they are, along one axis."""
    begin, end = max(start, first), min(start + length, first + count)
    return slice(begin - first, end - first), slice(begin - start, end - start)


def squares_of(
    row: NDArray[np.int64], col: NDArray[np.int64], side_cells: int
) -> Iterator[tuple[tuple[int, int], Any]]:
    """Return the squares in which cells lie, each with the places of its cells among them."""
    square = (row // side_cells << 32) | (col // side_cells)
    order = np.argsort(square, kind="stable")
    keys, starts = np.unique(square[order], return_index=True)
    for key, places in zip(keys.tolist(), np.split(order, starts[1:]), strict=True):
        yield (key >> 32, key & 0xFFFFFFFF), places
