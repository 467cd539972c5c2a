"""What stands on the ground (surface model) and what it looks like from above (four-band image)."""

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from rasterio.features import rasterize
from rasterio.transform import Affine
from scipy.ndimage import distance_transform_edt, gaussian_filter, shift, zoom

Grid = NDArray[np.float64]
Layers = dict[str, gpd.GeoDataFrame]

ROOF_PITCH = 0.75
BARRIER_WIDTH_M = {"wall": 0.5, "fence": 0.5, "hedge": 0.9}
BED_HEIGHT_M = {"shrubs": 1.1, "hedge": 1.6, "flowers": 0.4, "vegetables": 0.4, "other": 0.3}
SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG = 165.0, 52.0

# Red, green, blue, near infrared, as counts of 255.
REFLECTANCE = {
    "grass": (62, 98, 52, 186),
    "meadow": (88, 108, 62, 170),
    "lane": (92, 92, 95, 88),
    "drive": (168, 157, 138, 152),
    "terrace": (152, 146, 136, 143),
    "path": (146, 143, 137, 139),
    "flowers": (118, 92, 74, 132),
    "vegetables": (112, 90, 68, 128),
    "shrubs": (54, 80, 46, 158),
    "hedge": (40, 70, 38, 160),
    "pond": (34, 48, 55, 18),
    "tiles": (152, 86, 70, 150),
    "slates": (84, 88, 96, 86),
    "crown": (42, 76, 40, 172),
    "trampoline": (40, 42, 60, 48),
}
CLASSES = {name: number for number, name in enumerate(REFLECTANCE)}


@dataclass(frozen=True)
class Canvas:
    """A north-up raster's transform and shape (rows, columns)."""

    transform: Affine
    shape: tuple[int, int]

    def burned(self, shapes: list[tuple[object, float]], fill: float, *, touched: bool = False) -> Grid:
        """Return the shapes' values where their cells lie, later ones on top."""
        if not shapes:
            return np.full(self.shape, fill)
        return rasterize(shapes, self.shape, fill=fill, transform=self.transform, all_touched=touched, dtype="float64")

    def finer(self, factor: int) -> "Canvas":
        """Return the same ground in cells `factor` times as small."""
        rows, columns = self.shape
        t = self.transform
        finer = Affine(t.a / factor, t.b, t.c, t.d, t.e / factor, t.f)
        return Canvas(finer, (rows * factor, columns * factor))

    def centres(self) -> tuple[Grid, Grid]:
        """Return map coordinates of the cell centres, as a row and a column that broadcast."""
        rows, columns = self.shape
        x = self.transform.c + (np.arange(columns) + 0.5) * self.transform.a
        y = self.transform.f + (np.arange(rows) + 0.5) * self.transform.e
        return x[None, :], y[:, None]


def surface(canvas: Canvas, ground: Grid, layers: Layers) -> Grid:
    """Return the surface elevation [m]: ground, plus roofs, crowns, hedges, walls and beds; centimetres."""
    above = _low_growth(canvas, layers)
    above = np.maximum(above, _crowns(canvas, layers["trees"]))
    above = np.maximum(above, _objects(canvas, layers["obstacles"]))
    top = ground + above
    for geometry, height_m in zip(layers["buildings"].geometry, layers["buildings"]["height_m"], strict=True):
        inside = canvas.burned([(geometry, 1)], 0) > 0
        to_eaves = distance_transform_edt(inside) * canvas.transform.a
        eaves = height_m - min(2.6, 0.35 * height_m)
        roof = np.minimum(eaves + ROOF_PITCH * to_eaves, height_m)
        top[inside] = (np.median(ground[inside]) + roof)[inside]
    return np.round(top, 2)


def _low_growth(canvas: Canvas, layers: Layers) -> Grid:
    beds, barriers = layers["beds"], layers["barriers"]
    grown = [(shape, BED_HEIGHT_M[kind]) for shape, kind in zip(beds.geometry, beds["kind"], strict=True)]
    upright = barriers[barriers["kind"].isin(list(BARRIER_WIDTH_M))]
    lines = [
        (line.buffer(BARRIER_WIDTH_M[kind] / 2, cap_style="flat"), height)
        for line, kind, height in zip(upright.geometry, upright["kind"], upright["height_m"], strict=True)
    ]
    raised = layers["hard_surfaces"].dropna(subset="height_m")
    steps = list(zip(raised.geometry, raised["height_m"], strict=True))
    return np.maximum(canvas.burned(grown, 0.0), canvas.burned(steps + lines, 0.0))


def _crowns(canvas: Canvas, trees: gpd.GeoDataFrame) -> Grid:
    """Return crown tops above ground [m]: domes, full height in the middle, 60 % of it at the rim."""
    x, y = canvas.centres()
    tops = np.zeros(canvas.shape)
    for tree, radius, height in zip(trees.geometry, trees["crown_diameter_m"] / 2, trees["height_m"], strict=True):
        outward = np.hypot(x - tree.x, y - tree.y) / radius
        dome = height * (0.6 + 0.4 * np.sqrt(np.clip(1 - outward**2, 0, None)))
        tops = np.maximum(tops, np.where(outward < 1, dome, 0.0))
    return tops


def _objects(canvas: Canvas, obstacles: gpd.GeoDataFrame) -> Grid:
    shapes = obstacles.geometry.where(obstacles.geom_type != "Point", obstacles.geometry.buffer(0.25))
    return canvas.burned(list(zip(shapes, obstacles["height_m"], strict=True)), 0.0, touched=True)


def image(canvas: Canvas, ground: Grid, top: Grid, layers: Layers) -> NDArray[np.uint8]:
    """Return the image (4, rows, columns) in counts; `ground` and `top` are in cells twice as large."""
    fine = canvas.finer(2)
    table = np.array(list(REFLECTANCE.values()), dtype=float)
    painted = table[fine.burned(_painted(layers), CLASSES["meadow"]).astype(int)]
    rows, columns = canvas.shape
    mixed = painted.reshape(rows, 2, columns, 2, 4).mean(axis=(1, 3))
    light = 1.0 - 0.42 * _shadow(top, canvas.transform.a * 2)
    mixed *= np.repeat(np.repeat(light, 2, axis=0), 2, axis=1)[:, :, None]
    mixed *= _texture(canvas.shape)[:, :, None]
    mixed += np.random.default_rng(44).normal(0.0, 1.2, mixed.shape)
    return np.moveaxis(np.clip(np.round(mixed), 1, 255).astype(np.uint8), 2, 0)


def _painted(layers: Layers) -> list[tuple[object, float]]:
    """Return everything seen from above with its class, lowest first."""
    trees, obstacles, barriers, buildings = (layers[n] for n in ("trees", "obstacles", "barriers", "buildings"))
    hedges = barriers[barriers["kind"] == "hedge"].geometry.buffer(0.45, cap_style="flat")
    toys = obstacles[obstacles.geom_type == "Polygon"].geometry
    seen = [
        *_named(layers["parcels"].geometry, "grass"),
        *_named(layers["streets"].geometry, "lane"),
        *zip(layers["beds"].geometry, layers["beds"]["kind"], strict=True),
        *zip(layers["hard_surfaces"].geometry, layers["hard_surfaces"]["use"], strict=True),
        *_named(layers["water"].geometry, "pond"),
        *_named(hedges, "hedge"),
        *_named(toys, "trampoline"),
        *_named(buildings.geometry[buildings["height_m"] > 5], "tiles"),
        *_named(buildings.geometry[buildings["height_m"] <= 5], "slates"),
        *_named(trees.geometry.buffer(trees["crown_diameter_m"] / 2), "crown"),
    ]
    return [(shape, CLASSES[name]) for shape, name in seen]


def _named(shapes: gpd.GeoSeries, name: str) -> list[tuple[object, str]]:
    return [(shape, name) for shape in shapes]


def _shadow(top: Grid, cell_m: float) -> Grid:
    """Return 1 where the sun is hidden by something higher, softened over a cell."""
    azimuth, rise = np.radians(SUN_AZIMUTH_DEG), np.tan(np.radians(SUN_ELEVATION_DEG))
    hidden = np.zeros(top.shape, dtype=bool)
    for distance in np.arange(cell_m, 18.0, cell_m):
        cells = distance / cell_m
        seen = shift(top, (cells * np.cos(azimuth), -cells * np.sin(azimuth)), order=0, mode="nearest")
        hidden |= seen - distance * rise > top + 0.15
    return gaussian_filter(hidden.astype(float), 0.5)


def _texture(shape: tuple[int, int]) -> Grid:
    """Return brightness that varies by a few percent in patches of one and of five metres."""
    rng = np.random.default_rng(43)
    fine = gaussian_filter(rng.standard_normal(shape), 3.0)
    coarse = zoom(gaussian_filter(rng.standard_normal((shape[0] // 8 + 2, shape[1] // 8 + 2)), 2.0), 8, order=1)
    patches = coarse[: shape[0], : shape[1]]
    return 1.0 + 0.03 * fine / fine.std() + 0.03 * patches / patches.std()
