"""Build the sample neighbourhood: `python sample_parcels/build.py [--out FOLDER]`.

Writes neighbourhood.gpkg, dem.tif, dsm.tif, imagery.tif and what one could download of it. The same files come out each
time: nothing is drawn from an unseeded generator and the files carry a fixed date.
"""

import argparse
import os
import tempfile
from pathlib import Path
from typing import Any

os.environ.setdefault("OGR_CURRENT_DATE", "2026-05-01T00:00:00.000Z")

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
import rasterio.shutil
from downloads import write_downloads
from gardens import LABELS, Garden, neighbourhood
from numpy.typing import NDArray
from place import EPSG, to_map
from rasterio.enums import ColorInterp
from relief import ground
from shapely import Point
from surfaces import Canvas, image, surface

MARGIN_M = 14.0
NODATA = -9999.0
COLUMNS = {
    "buildings": ("height_m",),
    "hard_surfaces": ("use", "level", "height_m", "surface"),
    "beds": ("kind",),
    "water": ("kind",),
    "trees": ("trunk_diameter_m", "crown_diameter_m", "height_m"),
    "barriers": ("kind", "height_m"),
    "sprinklers": (),
    "outlets": (),
    "obstacles": ("rigid", "height_m"),
}
GEOMETRY = {
    "trees": "Point",
    "sprinklers": "Point",
    "outlets": "Point",
    "barriers": "LineString",
    "obstacles": "Unknown",
}
ROADSIDE_TREES = ((112.0, 8.5), (20.5, 96.0), (-9.0, 37.0), (64.0, 93.5))


def layers() -> dict[str, gpd.GeoDataFrame]:
    """Return every layer of the site in map coordinates."""
    whole = neighbourhood()
    furnished = whole.gardens
    found = {name: _layer(name, furnished) for name in COLUMNS}
    found["trees"] = _with_roadside_trees(found["trees"])
    outlines = [g.plot.outline for g in furnished]
    labels = {"parcel_id": [g.plot.parcel_id for g in furnished], "label": list(LABELS.values())}
    parcels = gpd.GeoDataFrame(labels, geometry=outlines, crs=EPSG)
    surveyed = [_surveyed_lawn(next(g for g in furnished if g.plot.parcel_id == "P02"))]
    lawns = gpd.GeoDataFrame({"label": ["back and side lawn of P02"]}, geometry=surveyed, crs=EPSG)
    streets = gpd.GeoDataFrame({"name": ["Weaver Bend"]}, geometry=[whole.lane], crs=EPSG)
    return {"parcels": parcels, "lawns": lawns, **found, "streets": streets}


def _layer(name: str, furnished: list[Garden]) -> gpd.GeoDataFrame:
    rows = [(shape, columns) for g in furnished for layer, shape, columns in g.features if layer == name]
    values: dict[str, Any] = {column: [columns[column] for _, columns in rows] for column in COLUMNS[name]}
    frame = gpd.GeoDataFrame(values, geometry=[shape for shape, _ in rows], crs=EPSG)
    return frame.astype({"height_m": float}) if "height_m" in values else frame


def _with_roadside_trees(trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the trees with those that stand outside all parcels."""
    points = [to_map(Point(place)) for place in ROADSIDE_TREES]
    sizes = {"trunk_diameter_m": 0.4, "crown_diameter_m": 7.0, "height_m": 9.5}
    outside = gpd.GeoDataFrame([sizes] * len(points), geometry=points, crs=EPSG)
    return gpd.GeoDataFrame(pd.concat([trees, outside], ignore_index=True), crs=EPSG)


def _surveyed_lawn(garden: Garden) -> Any:
    """Return the lawn as a surveyor walked it: 2 cm inside what bounds it, in one piece."""
    covered = [s for name, s, _ in garden.features if name in ("buildings", "hard_surfaces", "beds", "water")]
    rest = garden.plot.outline
    for shape in covered:
        rest = rest.difference(shape)
    whole = max(rest.geoms, key=lambda part: part.area) if rest.geom_type == "MultiPolygon" else rest
    return whole.buffer(-0.02, join_style="mitre").simplify(0.005)


def write_layers(found: dict[str, gpd.GeoDataFrame], target: Path) -> None:
    """Write all layers into one GeoPackage, complete or not at all."""
    with tempfile.TemporaryDirectory(dir=target.parent) as folder:
        draft = Path(folder) / target.name
        for name, frame in found.items():
            pyogrio.write_dataframe(
                frame,
                draft,
                layer=name,
                driver="GPKG",
                append=draft.exists(),
                geometry_type=GEOMETRY.get(name, "Polygon"),
                dataset_options={"VERSION": "1.3"},
                layer_options={"DESCRIPTION": "Invented sample data", "GEOMETRY_NAME": "geom"},
            )
        draft.replace(target)


def canvas_of(parcels: gpd.GeoDataFrame, cell_m: float) -> Canvas:
    """Return the raster that covers all parcels with a margin, on whole metres."""
    west, south, east, north = parcels.total_bounds
    west, south = np.floor([west - MARGIN_M, south - MARGIN_M])
    east, north = np.ceil([east + MARGIN_M, north + MARGIN_M])
    shape = (round((north - south) / cell_m), round((east - west) / cell_m))
    return Canvas(rasterio.Affine(cell_m, 0.0, west, 0.0, -cell_m, north), shape)


def write_raster(bands: NDArray[Any], canvas: Canvas, target: Path, names: list[str], unit: str | None) -> None:
    """Write bands (n, rows, columns) as a Cloud Optimized GeoTIFF with named bands."""
    profile = {
        "driver": "GTiff", "count": len(bands), "height": canvas.shape[0], "width": canvas.shape[1],
        "dtype": bands.dtype, "crs": f"EPSG:{EPSG}", "transform": canvas.transform,
        "nodata": NODATA if bands.dtype == np.float32 else None,
        **({"alpha": "NO"} if len(bands) == 4 else {}),
    }  # fmt: skip
    options = {"COMPRESS": "DEFLATE", "LEVEL": "9", "PREDICTOR": "YES", "BLOCKSIZE": "256", "OVERVIEWS": "NONE"}
    with rasterio.MemoryFile() as memory:
        with memory.open(**profile) as dataset:
            dataset.write(bands)
            dataset.descriptions = names
            if unit:
                dataset.units = [unit] * len(bands)
            if len(bands) == 4:
                dataset.colorinterp = [ColorInterp.red, ColorInterp.green, ColorInterp.blue, ColorInterp.undefined]
        with memory.open() as dataset:
            rasterio.shutil.copy(dataset, target, driver="COG", **options)


def build(out: Path) -> None:
    """Write the whole sample into a folder."""
    out.mkdir(parents=True, exist_ok=True)
    found = layers()
    write_layers(found, out / "neighbourhood.gpkg")
    half, quarter = canvas_of(found["parcels"], 0.5), canvas_of(found["parcels"], 0.25)
    dem = ground(half.transform, half.shape)
    dsm = surface(half, dem, found)
    write_raster(dem[None].astype(np.float32), half, out / "dem.tif", ["ground elevation"], "m")
    write_raster(dsm[None].astype(np.float32), half, out / "dsm.tif", ["surface elevation"], "m")
    picture = image(quarter, dem, dsm, found)
    write_raster(picture, quarter, out / "imagery.tif", ["red", "green", "blue", "nir"], None)
    write_downloads(found, out / "walks" / "downloads")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="folder to write into")
    build(parser.parse_args().out)
