"""A raster in tiles: a folder of GeoTIFFs tied together as one virtual raster, of which only windows are read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from xml.etree.ElementTree import Element, SubElement, tostring

import numpy as np

from lawngis.errors import RasterError

from .formats import put_link
from .rasters import RasterInfo, close_rasters, raster_overview

TILE_ENDINGS = (".tif", ".tiff")

ALIGNED_CELLS = 0.01
"""Tiles may be this share of a cell off the common grid: coordinates are rounded when files are written."""

_TYPES = {
    "uint8": "Byte", "int8": "Int8", "uint16": "UInt16", "int16": "Int16", "uint32": "UInt32", "int32": "Int32",
    "float32": "Float32", "float64": "Float64",
}  # fmt: skip

_COLOURS = ("gray", "red", "green", "blue", "alpha")
"""Colours that bands of tiles may be said to be."""


def tile_files(folder: Path) -> list[Path]:
    """Return the tiles in a folder, hidden files left out.

    Raises
    ------
    RasterError
        When there is none.
    """
    files = sorted(folder.iterdir())
    found = [file for file in files if file.suffix.casefold() in TILE_ENDINGS and not file.name.startswith(".")]
    if not found:
        raise RasterError("holds no GeoTIFF", where=str(folder), advice="Put the tiles there as *.tif.")
    return found


def virtual_raster(files: Sequence[Path], target: Path) -> Path:
    """Write the virtual raster of tiles, in the format of GDAL's VRT driver, and return it.

    Parameters
    ----------
    files
        Tiles of one CRS, cell size, kind of number, value for no data and bands, on one grid. Where they overlap, the
        last one is taken.
    target
        File to write.

    Raises
    ------
    RasterError
        When one doesn't fit the others; it is named.
    """
    infos = []
    for file in files:
        infos.append(raster_overview(file))
        close_rasters()  # there may be more of them than files may be open
    for info in infos[1:]:
        _refuse_unlike(info, infos[0])
    target.write_text(_vrt(infos, {str(file): _name_beside(file, target) for file in files}), encoding="utf-8")
    return target


def _name_beside(file: Path, target: Path) -> str:
    """Return the name of a tile as seen from the virtual raster: parts elsewhere are not taken, so a link is made."""
    if not file.absolute().is_relative_to(target.parent.absolute()):
        put_link(target.parent / file.name, file.absolute())
        return file.name
    return str(file.absolute().relative_to(target.parent.absolute()))


def _refuse_unlike(info: RasterInfo, first: RasterInfo) -> None:
    dx, dy = first.res
    off = (info.transform.c - first.transform.c) / dx, (info.transform.f - first.transform.f) / dy
    for unlike, what in (
        (info.crs != first.crs, f"is in {info.crs.name}, not in {first.crs.name}"),
        (not np.allclose(info.res, first.res, rtol=1e-6), f"has cells of {info.res[0]:g}, not of {dx:g}"),
        (info.vertical_unit_m != first.vertical_unit_m, "has another vertical unit"),
        (_nodata(info) != _nodata(first), f"has no data at {info.nodata}, not at {first.nodata}"),
        (info.dtype != first.dtype, f"holds {info.dtype}, not {first.dtype}"),
        (len(info.bands) != len(first.bands), f"has {len(info.bands)} bands, not {len(first.bands)}"),
        (len(info.bands) > 1 and _band_names(info) != _band_names(first), "has its bands in another order"),
        (any(abs(part - round(part)) > ALIGNED_CELLS for part in off), "lies between the cells"),
    ):
        if unlike:
            name = Path(first.source).name
            raise RasterError(
                f"{what} as {name}", where=info.source, advice="Warp the tiles to one grid, or take it away."
            )


def _band_names(info: RasterInfo) -> tuple[tuple[str, ...], tuple[str, ...]]:
    return info.bands, info.colours


def _nodata(info: RasterInfo) -> float | None:
    return None if info.nodata is None or np.isnan(info.nodata) else info.nodata


def _vrt(infos: Sequence[RasterInfo], names: Mapping[str, str]) -> str:
    first = infos[0]
    dx, dy = first.res
    left, top = min(info.bounds[0] for info in infos), max(info.bounds[3] for info in infos)
    columns = round((max(info.bounds[2] for info in infos) - left) / dx)
    rows = round((top - min(info.bounds[1] for info in infos)) / dy)
    root = Element("VRTDataset", rasterXSize=str(columns), rasterYSize=str(rows))
    SubElement(root, "SRS").text = first.crs.to_wkt()
    SubElement(root, "GeoTransform").text = f"{left!r},{dx!r},0,{top!r},0,{-dy!r}"
    for number in range(1, len(first.bands) + 1):
        band = SubElement(root, "VRTRasterBand", dataType=_TYPES.get(first.dtype, "Float64"), band=str(number))
        _describe(band, first, number)
        _add_parts(band, infos, names, (left, top), str(number))
    if _nodata_between(first) is None:
        mask = SubElement(SubElement(root, "MaskBand"), "VRTRasterBand", dataType="Byte")
        _add_parts(mask, infos, names, (left, top), "mask,1")
    return tostring(root, encoding="unicode")


def _nodata_between(info: RasterInfo) -> float | None:
    """Return what stands where no tile is; None where every number may be a value, and a mask tells."""
    return -9999.0 if info.nodata is None and info.dtype.startswith("float") else info.nodata


def _describe(band: Element, info: RasterInfo, number: int) -> None:
    if info.bands[number - 1]:
        SubElement(band, "Description").text = info.bands[number - 1]
    if info.vertical_unit_m is not None:
        SubElement(band, "UnitType").text = {1.0: "m", 0.3048: "ft"}.get(info.vertical_unit_m, "us-ft")
    nodata = _nodata_between(info)
    if nodata is not None:
        SubElement(band, "NoDataValue").text = repr(float(nodata))
    if info.colours[number - 1] in _COLOURS:
        SubElement(band, "ColorInterp").text = info.colours[number - 1].capitalize()


def _add_parts(
    band: Element, infos: Sequence[RasterInfo], names: Mapping[str, str], corner: tuple[float, float], source_band: str
) -> None:
    """Say which cells of which tile lie where in a band."""
    (left, top), (dx, dy) = corner, infos[0].res
    plain = source_band.startswith("mask") or _nodata_between(infos[0]) is None
    for info in infos:
        part = SubElement(band, "SimpleSource" if plain else "ComplexSource")
        SubElement(part, "SourceFilename", relativeToVRT="1").text = names[info.source]
        SubElement(part, "SourceBand").text = source_band
        SubElement(part, "SrcRect", xOff="0", yOff="0", xSize=str(info.width), ySize=str(info.height))
        place = {"xOff": round((info.bounds[0] - left) / dx), "yOff": round((top - info.bounds[3]) / dy)}
        size = {"xSize": info.width, "ySize": info.height}
        SubElement(part, "DstRect", {key: str(value) for key, value in (place | size).items()})
        if info.nodata is not None and not plain:
            SubElement(part, "NODATA").text = repr(float(info.nodata))
