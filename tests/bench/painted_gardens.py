"""Gardens painted with published reflectances, of which every cell's cover is known: what is read of them is scored.

Reflectances are those of the spectral library of Johns Hopkins University in ECOSTRESS (Meerdink, Hook, Roberts and
Abbott, 2019, Remote Sensing of Environment 230, 111196): its green and dry grass, loam, asphalt, concrete, limestone,
terracotta tile, deciduous and conifer crowns. The mean of each band is from memory, to about a fifth of itself. The
share of the light that the clear sky gives, by which shade is lit, is after Bird and Riordan, 1986, Journal of Climate
and Applied Meteorology 25(1), 87-97, likewise from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from affine import Affine
from pyproj import CRS
from scipy.ndimage import binary_dilation, gaussian_filter

from lawngis.ground.imagery import Imagery
from lawngis.ground.raster import Grid

CELL_M = 0.2
SIDE_M = 50.0

REFLECTANCE = {  # red, green, blue, near infrared
    "grass": (0.045, 0.090, 0.035, 0.48),
    "dry grass": (0.29, 0.20, 0.12, 0.43),
    "soil": (0.20, 0.13, 0.07, 0.30),
    "asphalt": (0.12, 0.11, 0.09, 0.13),
    "concrete": (0.33, 0.30, 0.24, 0.37),
    "gravel": (0.30, 0.27, 0.22, 0.33),
    "tile": (0.28, 0.13, 0.08, 0.37),
    "crown": (0.035, 0.065, 0.030, 0.50),
    "conifer": (0.025, 0.040, 0.020, 0.35),
}
KINDS = tuple(REFLECTANCE)

SPREAD = {"grass": 0.22, "dry grass": 0.20, "soil": 0.20, "crown": 0.30, "conifer": 0.35}
"""Standard deviation of brightness within a kind, as a share; paving and roofs: `SPREAD_BUILT`."""
SPREAD_BUILT = 0.10

SKY_SHARE = np.array([0.13, 0.18, 0.26, 0.09])
"""Share of the light that comes from the sky: red, green, blue, near infrared."""


@dataclass(frozen=True, eq=False)
class PaintedGarden:
    """A garden's image, heights, and truth; arrays of shape (rows, cols)."""

    imagery: Imagery
    height_m: np.ndarray
    kind: np.ndarray
    ground: np.ndarray
    shaded: np.ndarray

    @property
    def lawn(self) -> np.ndarray:
        """Cells that are open lawn, green or dry."""
        return np.isin(self.kind, (KINDS.index("grass"), KINDS.index("dry grass")))

    def visible(self) -> Imagery:
        """Return the image without its near infrared."""
        return Imagery(self.imagery.red, self.imagery.green, self.imagery.blue)


def garden(
    seed: int, *, dry_share: float = 0.0, grass: bool = True, paved: bool = True, gamma: float = 2.2, haze: float = 0.01
) -> PaintedGarden:
    """Return a garden: a house, paving, beds, lawn, trees and hedges, and what they shade.

    Parameters
    ----------
    dry_share
        Share of the lawn that is dry, in patches; between the two it is mixed.
    grass, paved
        Whether there is any grass (else soil and gravel), and anything else than what grows.
    gamma
        Exponent by which counts are brightened, as cameras do; 1 for counts that follow the light.
    haze
        Light that air adds to each band, as reflectance; twice as much in blue.
    """
    rng = np.random.default_rng(seed)
    size = round(SIDE_M / CELL_M)
    rows, cols = np.mgrid[:size, :size] * CELL_M
    green = np.full((size, size), 1.0 if grass else 0.0)
    patch = gaussian_filter(rng.normal(size=(size, size)), 12)
    dryness = _mixed(patch, dry_share) if grass else np.zeros_like(green)
    kind = np.full((size, size), KINDS.index("grass" if grass else "soil"))
    kind[dryness > 0.5] = KINDS.index("dry grass")
    height = np.zeros((size, size))

    def box(name: str, west: float, south: float, wide: float, deep: float, high_m: float = 0.0) -> None:
        inside = (cols >= west) & (cols < west + wide) & (rows >= south) & (rows < south + deep)
        kind[inside], height[inside], dryness[inside] = KINDS.index(name), high_m, 0.0

    def crown(name: str, x: float, y: float, radius: float, high_m: float) -> None:
        away = np.hypot(cols - x, rows - y) / radius
        inside = (away < 1 + 0.15 * gaussian_filter(rng.normal(size=away.shape), 3) * 8) & (height < 2)
        kind[inside], dryness[inside] = KINDS.index(name), 0.0
        height[inside] = np.maximum(high_m * np.sqrt(np.clip(1.2 - away[inside] ** 2, 0.1, 1)), height[inside])

    x, y = rng.uniform(8, 20, 2)
    if paved:
        box("asphalt", 0, 0, SIDE_M, 4)
        box("gravel", x + 2, 4, 3, y - 4)
        box("concrete", x - 2, y + 9, 14, rng.uniform(3, 6))
        box("asphalt", rng.uniform(35, 44), 4, 3.5, rng.uniform(8, 14))
    for _ in range(3 if grass else 8):
        box("soil", *rng.uniform(4, 42, 2), *rng.uniform(1.5, 5, 2))
    ground = kind.copy()
    if paved:
        box("tile", x, y, 10, 9, 6.0)
    box("crown", 1, 5, 1.2, rng.uniform(20, 40), 1.8)
    for _ in range(5):
        crown(rng.choice(["crown", "conifer"]), *rng.uniform(5, 47, 2), rng.uniform(1.5, 4), rng.uniform(4, 9))
    shaded = _cast(height)
    bands = _counts(kind, dryness, shaded, rng, gamma, haze)
    crs = CRS(32631)
    place = Affine(CELL_M, 0, 500_000, 0, -CELL_M, 4_700_000)
    return PaintedGarden(Imagery(*(Grid(band, place, crs) for band in bands)), height, kind, ground, shaded)


def _mixed(patch: np.ndarray, share: float) -> np.ndarray:
    """Return how dry grass is, from a smooth field: so much of it is more than half, with a soft border."""
    if share <= 0:
        return np.zeros_like(patch)
    return np.clip(0.5 + (np.quantile(patch, share) - patch) / patch.std() * 1.5, 0.0, 1.0)


def _cast(height: np.ndarray) -> np.ndarray:
    """Return the cells in shade of a sun 45° high in the south-east; rows grow to the north-west of it."""
    shaded = np.zeros(height.shape, dtype=bool)
    steps = int(height.max() / CELL_M)
    for step in range(1, steps + 1):
        by = round(step / np.sqrt(2))
        from_there = np.zeros_like(height)
        from_there[by:, by:] = height[: height.shape[0] - by, : height.shape[1] - by]
        shaded |= from_there > height + step * CELL_M
    return binary_dilation(shaded) & (height < 2)


def _counts(
    kind: np.ndarray, dryness: np.ndarray, shaded: np.ndarray, rng: np.random.Generator, gamma: float, haze: float
) -> np.ndarray:
    table = np.array([REFLECTANCE[name] for name in KINDS])
    light = table[kind].transpose(2, 0, 1)
    on_lawn = np.isin(kind, (0, 1))
    mixed = table[0][:, None, None] * (1 - dryness) + table[1][:, None, None] * dryness
    light = np.where(on_lawn, mixed, light)
    spread = np.array([SPREAD.get(name, SPREAD_BUILT) for name in KINDS])[kind]
    fine = gaussian_filter(rng.normal(size=kind.shape), 1.0) * 3.5
    coarse = gaussian_filter(rng.normal(size=kind.shape), 8.0) * 28
    rough = np.isin(kind, (KINDS.index("crown"), KINDS.index("conifer")))
    light = light * np.exp(spread * np.where(rough, fine, 0.4 * fine + 0.6 * coarse))
    light = light * np.exp(0.06 * gaussian_filter(rng.normal(size=light.shape), (0, 4, 4)) * 14)  # colour differs too
    light = light * np.where(shaded, SKY_SHARE[:, None, None], 1.0)
    light = gaussian_filter(light, (0, 0.6, 0.6)) + haze * np.array([1.0, 1.3, 2.0, 0.5])[:, None, None]
    counts = 255 * (np.clip(light * [[[1.6]], [[1.6]], [[1.6]], [[1.2]]], 0, 1) ** (1 / gamma))
    return np.clip(np.round(counts + rng.normal(0, 2.0, counts.shape)), 1, 255)
