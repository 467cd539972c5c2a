"""Gardens of an invented kind whose truth is known, and maps of them that are as wrong as their quality says.

A garden is drawn in metres from its south-west corner, street below, and turned by an angle of its own. Its sizes
straddle the limits of a mower: see `garden`. What touches in truth overlaps by a metre here, so that errors open no
hairlines.

A map's errors, by the named sd s of its quality: every feature is shifted as a whole (half of the variance s²), each of
its vertices by itself (a quarter), and the whole survey at once (a quarter; it moves all features of a map alike, and
not the elevations), so that a vertex is off by s along either axis, and so across any edge; half way between two of its
vertices an edge is off by a little less. Elevations are off by a Gaussian random field of the named sd with exponential
correlation exp(-r / L), drawn by FFT; the surface model by another such field. Trunk diameters are off by `trunk_sd_m`.
Whether the terrace lies level is on every other garden's maps only, and known of the truth.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import sqrt
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pyogrio
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray
from shapely import LineString, Point, affinity, box
from shapely.geometry.base import BaseGeometry

FloatArray = NDArray[np.float64]

CRS_WORD = "EPSG:25832"
X0, Y0 = 500_000.0, 5_500_000.0
TILE_M = 110.0
"""Gardens lie this far apart: none sees, shades or disturbs another."""

SURVEY_SHARE, SHIFT_SHARE, VERTEX_SHARE = 0.25, 0.5, 0.25
"""How the variance of a vertex's place is divided."""

CELL_M = 0.5
"""Side of the rasters' cells, the truth's too: what they smear isn't told by any sd."""

SMOOTH_M = 0.3
"""Over this distance banks begin and end."""

MAPPED_LAYERS = ("buildings", "hard_surfaces", "beds", "water", "trees", "barriers", "outlets", "streets")

FLUSH_MAX_M = 0.03
"""Paving no higher than this lies level with the lawn."""


@dataclass(frozen=True)
class Quality:
    """How wrong a map is."""

    name: str
    position_sd_m: float
    dem_sd_m: float
    dem_correlation_m: float
    trunk_sd_m: float


QUALITIES = {
    quality.name: quality
    for quality in (
        Quality("good", 0.10, 0.05, 1.0, 0.02),
        Quality("middling", 0.20, 0.10, 3.0, 0.03),
        Quality("poor", 0.30, 0.15, 3.0, 0.04),
        Quality("vectors", 0.20, 0.0, 3.0, 0.03),
        Quality("rasters", 0.0, 0.10, 3.0, 0.03),
    )
}
"""Also what is wrong with middling ones of one kind alone."""

TRUTH = Quality("truth", 0.0, 0.0, 1.0, 0.0)


@dataclass(frozen=True)
class Feature:
    """Something that a layer of the site holds."""

    layer: str
    shape: BaseGeometry
    columns: dict[str, Any] = field(default_factory=dict)


@dataclass
class Garden:
    """A garden as it is: features, and the places at which decisions are known to be close."""

    angle_deg: float
    features: list[Feature] = field(default_factory=list)
    passages: list[BaseGeometry] = field(default_factory=list)
    crossings: list[BaseGeometry] = field(default_factory=list)
    banks: list[BaseGeometry] = field(default_factory=list)
    small_lawns: list[BaseGeometry] = field(default_factory=list)
    ramps: list[tuple[int, float, float, float]] = field(default_factory=list)
    """Axis (0: x), begin [m], width [m] and slope [percent] of each bank; rising."""
    tilt_percent: tuple[float, float] = (0.0, 0.0)
    waves: list[tuple[float, float, float, float]] = field(default_factory=list)
    """Direction [radians], length [m], phase [radians] and greatest slope [percent] of each long wave of the ground."""
    falls: list[tuple[float, float]] = field(default_factory=list)
    """y beyond which the ground lies lower, and by how much [m]."""
    level_known: bool = True

    def add(self, layer: str, shape: BaseGeometry, **columns: Any) -> None:
        self.features.append(Feature(layer, shape, columns))

    def ground_m(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Return the height of the bare ground at places of the garden's own plane."""
        height = 100 + self.tilt_percent[0] / 100 * x + self.tilt_percent[1] / 100 * y
        for direction, length, phase, percent in self.waves:
            along = x * np.cos(direction) + y * np.sin(direction)
            turns = 2 * np.pi / length
            height = height + percent / 100 / turns * np.sin(turns * along + phase)
        for axis, begin, width, percent in self.ramps:
            away = (x if axis == 0 else y) - begin
            height = height + percent / 100 * (_softplus(away) - _softplus(away - width))
        for line, fall in self.falls:
            height = height - np.where(y > line, fall, 0.0)
        return np.asarray(height)

    def surface_m(self, x: FloatArray, y: FloatArray, ground: FloatArray) -> FloatArray:
        """Return the height of the surface with what stands on it."""
        rise = np.zeros_like(ground)
        for feature in self.features:
            high = feature.columns.get("height_m") or 0.0
            if feature.layer in ("buildings", "hard_surfaces"):
                rise = np.where(shapely.contains_xy(feature.shape, x, y), np.maximum(rise, high), rise)
            elif feature.layer == "barriers" and feature.columns["kind"] in ("wall", "hedge"):
                wide = 0.4 if feature.columns["kind"] == "hedge" else 0.15
                rise = np.where(shapely.contains_xy(feature.shape.buffer(wide), x, y), np.maximum(rise, high), rise)
        return ground + rise

    def turned(self, shape: BaseGeometry) -> BaseGeometry:
        """Return a shape of the garden's plane as it lies in its tile."""
        return affinity.rotate(shape, self.angle_deg, origin=(0, 0))


def _softplus(x: FloatArray) -> FloatArray:
    return np.asarray(SMOOTH_M / 2 * np.logaddexp(0, x / (SMOOTH_M / 2)))


# --- one garden ------------------------------------------------------------------------------------------


def garden(seed: int, number: int) -> Garden:
    """Return a garden by seed and number: house, side passages, terrace, and sections one behind another.

    Passages of 0.7 to 2.4 m (house to boundary, bed to bed, bed to boundary), strips of flush paving 1.6 to 2.4 m long,
    openings to them of 0.7 to 1.3 m, banks of 14 to 45 % right across and of 14 to 30 % along a boundary, a lie of 0 to
    5 % with long waves, so that a pad lies at 0 to 8 %, a terrace 0 to 12 cm high, a retaining wall or fence 0 to 0.6 m
    from the boundary, a pond, trunks of 8 to 24 cm, a front lawn of 5 to 11 m² across the drive; every sixth is large
    and has long beds like a comb.
    """
    rng = np.random.default_rng([seed, number])
    large = number % 6 == 5
    wide, deep = (rng.uniform(30, 36), rng.uniform(58, 70)) if large else (rng.uniform(16, 24), rng.uniform(38, 48))
    lot = Garden(float(rng.uniform(0, 360)), level_known=bool(number % 2))
    direction = rng.uniform(0, 2 * np.pi)
    tilt = rng.uniform(0, 5)
    lot.tilt_percent = (tilt * np.cos(direction), tilt * np.sin(direction))
    lot.waves = [tuple(rng.uniform((0, 14, 0, 0.5), (2 * np.pi, 30, 2 * np.pi, 3))) for _ in range(2)]
    lot.add("parcels", box(0, 0, wide, deep))
    lot.add("streets", box(-5, -6, wide + 5, -1.5))
    back = _house(lot, rng, wide)
    end = _rear_edge(lot, rng, wide, deep)
    _side_edges(lot, rng, wide, deep)
    _sections(lot, rng, wide, back + 6.0, end - 3.5, large)
    _planting(lot, rng, wide, back + 1.5, end - 1.0)
    return lot


def _house(lot: Garden, rng: np.random.Generator, wide: float) -> float:
    """Add house, drive, terrace and outlet; return where the back garden begins."""
    front, depth = rng.uniform(6, 9), rng.uniform(7, 9)
    left, right = rng.uniform(1.0, 2.4, 2)
    back = front + depth
    lot.add("buildings", box(left, front, wide - right, back), height_m=6.0)
    for x in (left / 2, wide - right / 2):
        lot.passages.append(LineString([(x, front + 1), (x, back - 1)]))
    drive = wide * rng.uniform(0.5, 0.6)
    if rng.random() < 0.7:
        across, area = rng.uniform(2.4, 3.2), rng.uniform(5.5, 11.0)
        drive = wide - across - 3.0
        lot.small_lawns.append(box(drive + 3, 0, wide, area / across))
        lot.add("beds", box(drive + 2, area / across, wide + 1, front + 1), kind="shrubs")
    lot.add("hard_surfaces", box(drive, -1, drive + 3, front + 1), use="drive", level="flush", height_m=0.0)
    terrace, high = left + rng.uniform(1, 4), rng.uniform(0, 0.12)
    level = "flush" if high <= FLUSH_MAX_M else "raised"
    lot.add("hard_surfaces", box(terrace, back - 1, terrace + 5, back + 3), use="terrace", level=level, height_m=high)
    lot.add("outlets", Point(rng.uniform(left + 1, wide - right - 1), rng.choice([front + 0.05, back - 0.05])))
    lot.add("outlets", Point(wide - 0.1, back + rng.uniform(8, 18)))
    return float(back)


def _rear_edge(lot: Garden, rng: np.random.Generator, wide: float, deep: float) -> float:
    """Add a retaining wall or something else a little before the rear boundary; return where it stands."""
    line = deep - rng.uniform(0, 0.6)
    kind = rng.choice(["drop", "drop", "wall", "fence", "hedge"])
    fall = rng.uniform(0.5, 1.5)
    lot.add("barriers", LineString([(wide + 1, line), (-1, line)]), kind=str(kind), height_m=fall)
    if kind == "drop":
        lot.falls.append((float(line), float(fall)))
    return float(line)


def _side_edges(lot: Garden, rng: np.random.Generator, wide: float, deep: float) -> None:
    for side in (0.0, wide):
        inside = 1 if side == 0 else -1
        if rng.random() < 0.5:
            x = side + inside * rng.uniform(0, 0.4)
            kind = str(rng.choice(["fence", "wall", "hedge", "kerb"]))
            high = rng.uniform(0.01, 0.06) if kind == "kerb" else 1.2
            lot.add("barriers", LineString([(x, -0.5), (x, deep + 0.5)]), kind=kind, height_m=high)
    if rng.random() < 0.35:
        run, percent = rng.uniform(1.5, 2.5), rng.uniform(14, 30)
        lot.ramps.append((0, wide - run, run, percent))
        lot.banks.append(box(wide - run, 0, wide, deep))


def _sections(lot: Garden, rng: np.random.Generator, wide: float, begin: float, end: float, large: bool) -> None:
    """Add what parts the back garden, one behind another, with lawn between."""
    kinds: list[Callable[[Garden, np.random.Generator, float, float], float]] = [_strip, _gap, _bank]
    order = [kinds[index] for index in rng.permutation(3)]
    if large:
        order += [_comb] * int(rng.integers(3, 10))
    elif rng.random() < 0.3:
        order = order[:2]
    y = begin
    for section in order:
        if y > end - 3:
            return
        y += section(lot, rng, wide, y) + rng.uniform(3.0, 4.0)


def _strip(lot: Garden, rng: np.random.Generator, wide: float, y: float) -> float:
    long, opening = rng.uniform(1.6, 2.4), rng.uniform(0.7, 1.3)
    strip = box(-1, y, wide + 1, y + long)
    lot.add("hard_surfaces", strip, use="path", level="flush", height_m=0.0)
    lot.crossings.append(strip)
    if rng.random() < 0.5:
        x = rng.uniform(2, wide - 3)
        for begin, end in ((-1, x), (x + opening, wide + 1)):
            lot.add("beds", box(begin, y + long - 0.2, end, y + long + 0.8), kind="flowers")
    return float(long)


def _gap(lot: Garden, rng: np.random.Generator, wide: float, y: float) -> float:
    thick, gap = rng.uniform(1.0, 2.5), rng.uniform(0.7, 2.4)
    x = rng.uniform(2, wide - 2 - gap)
    lot.add("beds", box(-1, y, x, y + thick), kind="shrubs")
    lot.add("beds", box(x + gap, y, wide + 1, y + thick), kind="shrubs")
    lot.passages.append(LineString([(x + gap / 2, y + 0.2), (x + gap / 2, y + thick - 0.2)]))
    return float(thick)


def _bank(lot: Garden, rng: np.random.Generator, wide: float, y: float) -> float:
    run, percent = rng.uniform(2.0, 4.0), rng.uniform(14, 45)
    lot.ramps.append((1, y, run, percent))
    lot.banks.append(box(0, y, wide, y + run))
    return float(run)


def _comb(lot: Garden, rng: np.random.Generator, wide: float, y: float) -> float:
    reach = wide * rng.uniform(0.7, 0.85)
    x = rng.choice([-1.0, wide - reach])
    lot.add("beds", box(x, y, x + reach + 1, y + 0.8), kind="hedge")
    return 0.8


def _planting(lot: Garden, rng: np.random.Generator, wide: float, begin: float, end: float) -> None:
    """Add trees, a bed and a pond near a boundary, and a sprinkler."""
    taken = shapely.union_all([item.shape for item in lot.features if item.layer not in ("parcels", "streets")])
    for _ in range(int(rng.integers(3, 6))):
        at = Point(rng.uniform(0.6, wide - 0.6), rng.uniform(begin, end))
        trunk = rng.uniform(0.08, 0.24)
        if at.distance(taken) > 0.5:
            lot.add("trees", at, trunk_diameter_m=trunk, crown_diameter_m=rng.uniform(2, 5), height_m=6.0)
    if rng.random() < 0.6:
        gap, y = rng.uniform(1.0, 2.4), rng.uniform(begin + 2, end - 5)
        island = box(gap, y, gap + rng.uniform(1.5, 3), y + rng.uniform(2, 4))
        if island.distance(taken) > 0.3:
            lot.add("beds", island, kind="flowers")
            lot.passages.append(LineString([(gap / 2, island.bounds[1] + 0.5), (gap / 2, island.bounds[3] - 0.5)]))
    if rng.random() < 0.5:
        radius, gap, y = rng.uniform(0.8, 1.6), rng.uniform(0.4, 2.2), rng.uniform(begin + 2, end - 3)
        pond = Point(wide - gap - radius, y).buffer(radius, quad_segs=3)
        if pond.distance(taken) > 0.3:
            lot.add("water", pond, kind="pond")
    if rng.random() < 0.5:
        lot.add("sprinklers", Point(rng.uniform(1, wide - 1), rng.uniform(begin, end)))


# --- errors ----------------------------------------------------------------------------------------------


def mapped(features: Sequence[Feature], quality: Quality, level_known: bool, rng: np.random.Generator) -> list[Feature]:
    """Return features as a map of a quality has them."""
    if quality.position_sd_m == 0:
        return list(features)
    sd = quality.position_sd_m
    survey = rng.normal(0, sd * np.sqrt(SURVEY_SHARE), 2)
    found = []
    for feature in features:
        shift = survey + rng.normal(0, sd * np.sqrt(SHIFT_SHARE), 2)
        shape = shapely.transform(feature.shape, lambda xy, shift=shift: xy + shift + _vertex_errors(xy, sd, rng))
        columns = dict(feature.columns)
        if "trunk_diameter_m" in columns:
            columns["trunk_diameter_m"] = max(0.02, columns["trunk_diameter_m"] + rng.normal(0, quality.trunk_sd_m))
        if columns.get("use") == "terrace":
            columns["height_m"] = None
            columns["level"] = columns["level"] if level_known else None
        found.append(Feature(feature.layer, shapely.make_valid(shape), columns))
    return found


def _vertex_errors(xy: FloatArray, sd: float, rng: np.random.Generator) -> FloatArray:
    """Return an error for each vertex, the same where a ring closes."""
    _, which = np.unique(xy, axis=0, return_inverse=True)
    return rng.normal(0, sd * np.sqrt(VERTEX_SHARE), (which.max() + 1, 2))[which.ravel()]


def random_field(
    shape: tuple[int, int], cell_m: float, sd: float, correlation_m: float, rng: np.random.Generator
) -> FloatArray:
    """Return a Gaussian random field with covariance sd² exp(-r / L), shape `shape`, by circulant embedding.

    Dietrich and Newsam 1997, doi 10.1137/S1064827592240555; negative eigenvalues of the embedding are set to zero.
    """
    if sd == 0:
        return np.zeros(shape)
    pad = int(np.ceil(8 * correlation_m / cell_m))
    rows, columns = shape[0] + pad, shape[1] + pad
    dy = np.minimum(np.arange(rows), rows - np.arange(rows)) * cell_m
    dx = np.minimum(np.arange(columns), columns - np.arange(columns)) * cell_m
    covariance = sd**2 * np.exp(-np.hypot(dy[:, None], dx[None, :]) / correlation_m)
    power = np.maximum(np.fft.fft2(covariance).real, 0)
    white = np.fft.fft2(rng.normal(size=(rows, columns)))
    return np.asarray(np.fft.ifft2(np.sqrt(power) * white).real[: shape[0], : shape[1]])


# --- a site of many gardens ------------------------------------------------------------------------------


def parcel_name(number: int, copy: int) -> str:
    """Return the name of a garden's map as a parcel."""
    return f"G{number:02d}M{copy:02d}"


def corner(number: int, copy: int) -> tuple[float, float]:
    """Return where the origin of a garden's plane lies in the site's CRS [m]."""
    return X0 + (copy + 0.5) * TILE_M, Y0 + (number + 0.5) * TILE_M


def write_site(folder: Path, gardens: Sequence[Garden], quality: Quality, copies: int, seed: int) -> None:
    """Write one site with so many maps of every garden, as far apart as tiles are."""
    folder.mkdir(parents=True, exist_ok=True)
    layers: dict[str, list[dict[str, Any]]] = {}
    rows = columns = round(TILE_M / CELL_M)
    dem = np.zeros((len(gardens) * rows, copies * columns), dtype=np.float32)
    dsm = dem.copy()
    offset = (np.arange(rows) + 0.5) * CELL_M - TILE_M / 2
    for number, lot in enumerate(gardens):
        middle = _centred(lot)
        angle = np.radians(-lot.angle_deg)
        east, north = np.meshgrid(offset, offset[::-1])
        x = east * np.cos(angle) - north * np.sin(angle) + middle[0]
        y = east * np.sin(angle) + north * np.cos(angle) + middle[1]
        ground = lot.ground_m(x, y)
        surface = lot.surface_m(x, y, ground)
        for copy in range(copies):
            rng = np.random.default_rng([seed, number, copy, round(1000 * quality.position_sd_m)])
            for feature in mapped(lot.features, quality, lot.level_known or quality is TRUTH, rng):
                shape = affinity.translate(placed(lot, feature.shape), *corner(number, copy))
                name = {"parcel_id": parcel_name(number, copy)} if feature.layer == "parcels" else {}
                layers.setdefault(feature.layer, []).append({**name, **feature.columns, "geometry": shape})
            top, left = (len(gardens) - 1 - number) * rows, copy * columns
            for raster, truth in ((dem, ground), (dsm, surface)):
                error = random_field(truth.shape, CELL_M, quality.dem_sd_m, quality.dem_correlation_m, rng)
                raster[top : top + rows, left : left + columns] = truth + error
    _write_layers(folder / "site.gpkg", layers)
    for name, raster in (("dem", dem), ("dsm", dsm)):
        _write_raster(folder / f"{name}.tif", raster, Y0 + len(gardens) * TILE_M)
    tell_accuracy(folder, quality, sorted(layers))


def placed(lot: Garden, shape: BaseGeometry) -> BaseGeometry:
    """Return a shape of a garden's plane as it lies about the middle of its tile."""
    middle = _centred(lot)
    return lot.turned(affinity.translate(shape, -middle[0], -middle[1]))


def _centred(lot: Garden) -> tuple[float, float]:
    point = lot.features[0].shape.centroid
    return point.x, point.y


def tell_accuracy(folder: Path, quality: Quality, layers: Sequence[str]) -> None:
    """Say in `site.toml` all that lawngis can be told of a map's errors, and that nothing is missing on it."""
    sd_m, complete = quality.position_sd_m, sorted({*layers, *MAPPED_LAYERS} - {"parcels"})
    survey_m, feature_m, vertex_m = (sd_m * sqrt(share) for share in (SURVEY_SHARE, SHIFT_SHARE, VERTEX_SHARE))
    lines = [
        "[complete]",
        *(f'{name} = "all"' for name in complete),
        "[accuracy]",
        f"position_sd_m = {sd_m}",
        f"survey_sd_m = {survey_m}",
        f"dem_sd_m = {quality.dem_sd_m}",
        f"dem_correlation_m = {quality.dem_correlation_m}",
        'dem_error_form = "exponential"',
    ]
    for name in layers:
        lines += [f"[accuracy.{name}]", f"feature_sd_m = {feature_m}", f"vertex_sd_m = {vertex_m}"]
    (folder / "site.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_layers(path: Path, layers: dict[str, list[dict[str, Any]]]) -> None:
    path.unlink(missing_ok=True)
    for name, rows in layers.items():
        frame = geopandas.GeoDataFrame(rows, geometry="geometry", crs=CRS_WORD)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            pyogrio.write_dataframe(frame, path, layer=name, driver="GPKG", append=path.exists())


def _write_raster(path: Path, values: NDArray[np.float32], top: float) -> None:
    with rasterio.open(
        path, "w", driver="GTiff", width=values.shape[1], height=values.shape[0], count=1, dtype="float32",
        nodata=-9999, crs=CRS_WORD, transform=Affine(CELL_M, 0, X0, 0, -CELL_M, top), tiled=True,
    ) as file:  # fmt: skip
        file.write(values, 1)
        file.set_band_unit(1, "m")
