"""Virtual rasters of people: taken only if they tie together GeoTIFFs of their own folder, and nothing else.

The format of GDAL's VRT driver can name servers, commands, raw bytes of any file and code to run. So one is read here,
checked element by element, and written anew with links to its parts; GDAL sees only that.
"""

from __future__ import annotations

import os
from functools import lru_cache
from pathlib import Path
from xml.etree.ElementTree import Element, ParseError, fromstring, tostring

from lawngis.errors import RasterError

from ..formats import RASTERS, alone, file_fault, own_folder

SIZE_MAX = 64 << 20
"""Tens of thousands of parts are described in as many bytes."""

_PLAIN = frozenset({
    "VRTDataset", "SRS", "GeoTransform", "Metadata", "MDI", "BlockXSize", "BlockYSize", "OverviewList", "VRTRasterBand",
    "Description", "UnitType", "Offset", "Scale", "CategoryNames", "Category", "ColorInterp", "ColorTable", "Entry",
    "NoDataValue", "HideNoDataValue", "Histograms", "HistItem", "HistMin", "HistMax", "BucketCount",
    "IncludeOutOfRange", "Approximate", "HistCounts", "SimpleSource", "ComplexSource", "AveragedSource",
    "SourceFilename", "SourceBand", "SourceProperties", "SrcRect", "DstRect", "NODATA", "UseMaskBand", "ScaleOffset",
    "ScaleRatio", "LUT", "MaskBand",
})  # fmt: skip
"""Elements of a mosaic (GDAL, "VRT -- GDAL Virtual Format")."""

_ADVICE = "Make a GeoTIFF of it, or tie together GeoTIFFs that lie in its folder."


def parts(path: Path) -> list[Path]:
    """Return the files that a virtual raster is made of, each once.

    Raises
    ------
    RasterError
        When it is anything but a mosaic of GeoTIFFs in its own folder, or below.
    """
    return list(dict.fromkeys(_part(path, source) for source in _checked(path).iter("SourceFilename")))


def with_links(path: Path) -> Path:
    """Return a virtual raster to open in one's stead, which names links to its parts; errors are those of `parts`."""
    files = (path, *parts(path))
    return _with_links(path, tuple((file.stat().st_mtime_ns, file.stat().st_size) for file in files))


@lru_cache(maxsize=64)
def _with_links(path: Path, states: tuple[tuple[int, int], ...]) -> Path:
    del states  # a new state is written anew
    root = _checked(path)
    for source in root.iter("SourceFilename"):
        source.text = str(alone(_part(path, source)))
        source.attrib = {"relativeToVRT": "0"}
    target = own_folder() / "mosaic.vrt"
    target.write_text(tostring(root, encoding="unicode"), encoding="utf-8")
    return target


def _checked(path: Path) -> Element:
    """Return the tree of a virtual raster that has nothing but elements of a mosaic."""
    if path.stat().st_size > SIZE_MAX:
        raise RasterError(f"has more than {SIZE_MAX >> 20} MB of text", where=str(path), advice=_ADVICE)
    try:
        root = fromstring(path.read_bytes())
    except (ParseError, ValueError, LookupError) as error:
        raise RasterError(f"is no virtual raster ({error})", where=str(path), advice=_ADVICE) from error
    for element in root.iter():
        kind = element.get("subClass", "VRTSourcedRasterBand")
        strange = element.tag if element.tag not in _PLAIN else kind if kind != "VRTSourcedRasterBand" else ""
        if strange:
            raise RasterError(f"is more than a mosaic: it has a {strange}", where=str(path), advice=_ADVICE)
    return root


def _part(path: Path, source: Element) -> Path:
    """Return the file that a source names, after making sure that it may be opened."""
    folder = os.path.abspath(path.parent)  # noqa: PTH100 (links stay as they are)
    part = Path(os.path.normpath(os.path.join(folder, source.text or "")))  # noqa: PTH118 (an absolute part wins)
    if not part.is_relative_to(folder):
        raise RasterError(f"names a part outside its folder ({source.text})", where=str(path), advice=_ADVICE)
    fault = file_fault(part, {ending: kind for ending, kind in RASTERS.items() if kind.driver == "GTiff"})
    if fault is not None:
        raise RasterError(f"its part {source.text} {fault[0]}", where=str(path), advice=fault[1])
    return part
