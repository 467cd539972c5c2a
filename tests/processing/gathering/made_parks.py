"""Clouds of a park whose trees, walls and drops are known, thin as surveys of whole countries are."""

from __future__ import annotations

import laspy
import numpy as np
from pyproj import CRS

EAST, NORTH, SIDE_M = 500_000.0, 5_400_000.0, 96.0
WALL_X, WALL_M, WALL_HALF_M = 48.3, 1.0, 0.15
DROP_Y, DROP_M = 70.2, 0.8
"""A wall along y at x 48.3, 0.3 m thick, below the drop; the ground falls by 0.8 m to the north of y 70.2."""


def trees(seed=3):
    """Place, height and crown's diameter of trees, shape (n, 4) [m]: on a grid of 12 m, moved and of any size."""
    random = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(8, 92, 12.0), np.arange(8, 62, 12.0))
    x, y = x.ravel() + random.uniform(-1.5, 1.5, x.size), y.ravel() + random.uniform(-1.5, 1.5, x.size)
    far = np.abs(x - WALL_X) > 4.5
    size = random.uniform(3.0, 7.0, x.size)
    return np.column_stack([x, y, 2.5 + size * random.uniform(0.9, 1.4, x.size), size])[far]


def ground_m(x, y):
    """Elevation of the ground, x and y from the corner [m]."""
    return 40 + 0.05 * x + 0.03 * y - np.where(y > DROP_Y, DROP_M, 0.0)


def write_park(path, *, density_m2=2.0, classes=True, seed=5, side_m=SIDE_M):
    """Write the park as a cloud of so many pulses to the square metre, and return its path."""
    random = np.random.default_rng(seed)
    number = int(side_m**2 * density_m2)
    x, y = random.uniform(0, side_m, number), random.uniform(0, side_m, number)
    z, kind, returns = ground_m(x, y), np.full(number, 2), np.ones(number, dtype=int)
    top = z.copy()
    for tree_x, tree_y, height, crown in trees():
        share = np.hypot(x - tree_x, y - tree_y) / (crown / 2)
        hit = (share < 1) & (random.random(number) > 0.1)
        top[hit] = z[hit] + height * (1 - 0.6 * share[hit] ** 2)
        kind[hit] = 5
        returns[hit & (random.random(number) < 0.5)] = 2
    wall = (np.abs(x - WALL_X) < WALL_HALF_M) & (y < DROP_Y)
    top[wall], kind[wall] = z[wall] + WALL_M, 1
    through = returns == 2
    first = np.column_stack([x, y, top, kind, np.ones(number), returns])
    last = np.column_stack([x, y, z, np.full(number, 2), np.full(number, 2), returns])[through]
    points = np.vstack([first, last])
    points[:, 2] += random.normal(0, 0.03, len(points))
    if not classes:
        points[:, 3] = 0
    header = laspy.LasHeader(point_format=6, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [EAST, NORTH, 0]
    header.add_crs(CRS.from_user_input("EPSG:25832+5783"))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = EAST + points[:, 0], NORTH + points[:, 1], points[:, 2]
    cloud.classification = points[:, 3].astype(np.uint8)
    cloud.return_number, cloud.number_of_returns = points[:, 4].astype(np.uint8), points[:, 5].astype(np.uint8)
    cloud.write(str(path))
    return path
