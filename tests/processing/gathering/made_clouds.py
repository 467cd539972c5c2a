"""Clouds of a garden whose ground is known: a house, a tree that pulses pass through, a wall, a bush, noise."""

from __future__ import annotations

import laspy
import numpy as np
from pyproj import CRS

EAST, NORTH = 500_000.0, 5_400_000.0
SIDE_M = 60.0
NOISE_M = 0.03
HOUSE_TOP_M, TREE_M, WALL_M = 66.0, 8.0, 1.2
TREE = (45.0, 20.0)


def ground_m(x, y):
    """Elevation of the ground, x and y from the corner [m]."""
    return 60 + 0.12 * x - 0.25 * y + 0.4 * np.sin(x / 9) * np.cos(y / 11)


def in_house(x, y, margin_m=0.0):
    """Whether places are within the house, 10 x 8 m."""
    return (np.abs(x - 20) < 5 + margin_m) & (np.abs(y - 40) < 4 + margin_m)


def write_cloud(path, *, density_m2=8.0, classes=True, crs="EPSG:25832+5783", unit_m=1.0, seed=1, point_format=6):
    """Write the garden as a cloud, and return its path; class 0 throughout without classes."""
    random = np.random.default_rng(seed)
    number = int(SIDE_M**2 * density_m2)
    x, y = random.uniform(0, SIDE_M, number), random.uniform(0, SIDE_M, number)
    z, kind = ground_m(x, y), np.full(number, 2)
    house, wall = in_house(x, y), (np.abs(x - 35) < 0.2) & (y < 30)
    kind[house], kind[wall] = 6, 1
    bush = np.hypot(x - 50, y - 50) < 0.8
    kind[bush] = 3
    top = np.where(house, HOUSE_TOP_M, z + np.where(wall, WALL_M, np.where(bush, 1.0, 0.0)))
    crown = (np.hypot(x - TREE[0], y - TREE[1]) < 4) & (random.random(number) > 0.15)  # the others slip through
    top[crown] += TREE_M - np.hypot(x - TREE[0], y - TREE[1])[crown] ** 2 * 0.2
    kind[crown] = 5
    through = crown & (random.random(number) < 0.4)
    last = through.sum()
    points = np.column_stack([x, y, top + random.normal(0, NOISE_M, number), kind, np.ones(number), 1 + through])
    below = np.column_stack(
        [x[through], y[through], z[through] + random.normal(0, NOISE_M, last), *np.full((3, last), 2)]
    )
    astray = np.array([[10.0, 10.0, 90.0, 18 if classes else 7, 1, 1], [12.0, 10.0, 20.0, 7, 1, 1]])
    points = np.vstack([points, below, astray])
    points = points[np.argsort(points[:, 1] // 10 * 1000 + points[:, 0], kind="stable")]
    if not classes:
        points[points[:, 3] != 7, 3] = 0
    header = laspy.LasHeader(point_format=point_format, version="1.4")
    header.scales, header.offsets = [0.001] * 3, [EAST / unit_m, NORTH / unit_m, 0]
    if crs:
        header.add_crs(CRS.from_user_input(crs))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y = (EAST + points[:, 0]) / unit_m, (NORTH + points[:, 1]) / unit_m
    cloud.z = points[:, 2] / unit_m
    cloud.classification = points[:, 3].astype(np.uint8)
    cloud.return_number, cloud.number_of_returns = points[:, 4].astype(np.uint8), points[:, 5].astype(np.uint8)
    cloud.write(str(path))
    return path
