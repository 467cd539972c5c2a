"""What lies on each of the twelve parcels, drawn in the parcel's own frame (x right, y into the plot, metres)."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from place import Plot, parcelled, to_map
from scipy.interpolate import make_interp_spline
from shapely import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import polygonize

XY = tuple[float, float]
Feature = tuple[str, BaseGeometry, dict[str, Any]]

# What takes ground from what: a layer is cut by all that stand before it, and within a layer by what came first.
PRECEDENCE = ("buildings", "water", "hard_surfaces", "beds")


@dataclass
class Garden:
    """A plot being furnished: features as (layer, geometry in map coordinates, columns)."""

    plot: Plot
    features: list[Feature] = field(default_factory=list)

    def _add(self, layer: str, geometry: BaseGeometry, **columns: Any) -> None:
        self.features.append((layer, to_map(self.plot.frame.to_site(geometry)), columns))

    def building(self, shape: Polygon, height_m: float) -> None:
        self._add("buildings", shape, height_m=height_m)

    def hard(
        self, shape: Polygon, use: str, level: str = "flush", height_m: float | None = None, surface: str = "paved"
    ) -> None:
        self._add("hard_surfaces", shape, use=use, level=level, height_m=height_m, surface=surface)

    def bed(self, shape: Polygon, kind: str) -> None:
        self._add("beds", shape, kind=kind)

    def water(self, shape: Polygon, kind: str) -> None:
        self._add("water", shape, kind=kind)

    def tree(self, x: float, y: float, *, trunk_m: float, crown_m: float, height_m: float) -> None:
        columns = {"trunk_diameter_m": trunk_m, "crown_diameter_m": crown_m, "height_m": height_m}
        self._add("trees", Point(x, y), **columns)

    def sapling(self, x: float, y: float, *, trunk_m: float, crown_m: float) -> None:
        self.tree(x, y, trunk_m=trunk_m, crown_m=crown_m, height_m=round(1.2 + crown_m, 1))

    def barrier(self, line: LineString, kind: str, height_m: float) -> None:
        self._add("barriers", line, kind=kind, height_m=height_m)

    def boundary(self, side: str, kind: str, height_m: float) -> None:
        """Put a barrier along a side of the plot, open where a drive or path comes through."""
        self.features.append(("boundary", self.plot.sides[side], {"kind": kind, "height_m": height_m}))

    def sprinklers(self, *places: XY) -> None:
        for place in places:
            self._add("sprinklers", Point(place))

    def outlet(self, x: float, y: float) -> None:
        self._add("outlets", Point(x, y))

    def obstacle(self, shape: Polygon | Point, *, rigid: bool, height_m: float) -> None:
        self._add("obstacles", shape, rigid=rigid, height_m=height_m)


def smooth(points: list[XY], closed: bool = False, step: int = 8) -> np.ndarray:
    """Return points along a smooth curve through the given ones."""
    xy = np.array([*points, points[0]] if closed else points, dtype=float)
    spline = make_interp_spline(np.arange(len(xy)), xy, k=min(3, len(xy) - 1), bc_type="periodic" if closed else None)
    return np.round(spline(np.linspace(0, len(xy) - 1, step * (len(xy) - 1) + 1)), 3)


def blob(points: list[XY]) -> Polygon:
    """Return a rounded shape through the given points."""
    return Polygon(smooth(points, closed=True))


def border(edge: list[XY], far_y: float) -> Polygon:
    """Return a bed with a curved edge towards the lawn that reaches back to `far_y`."""
    return Polygon([*smooth(edge), (edge[-1][0], far_y), (edge[0][0], far_y)])


def oval(x: float, y: float, half_x: float, half_y: float, lean: float = 0.0) -> Polygon:
    """Return an ellipse, sheared by `lean` so that it is not quite one."""
    t = np.linspace(0, 2 * np.pi, 33)[:-1]
    return Polygon(np.round(np.column_stack([x + half_x * np.cos(t) + lean * np.sin(t), y + half_y * np.sin(t)]), 3))


def path(points: list[XY], width_m: float) -> Polygon:
    """Return a winding path of even width."""
    return LineString(smooth(points)).buffer(width_m / 2, cap_style="flat", quad_segs=6)


def p01(g: Garden) -> None:
    """Plain lawn."""
    g.building(Polygon([(2, 7), (14, 7), (14, 16), (9.5, 16), (9.5, 17.2), (2, 17.2)]), 7.8)
    g.building(box(14, 8, 18.5, 15), 3.4)
    g.hard(box(14.3, -4, 18.3, 8.0), "drive")
    g.hard(box(8.2, -4, 9.4, 7), "path")
    g.hard(box(-4, 6.2, 2, 17.2), "path")
    g.hard(box(9.52, 16.02, 14.5, 20.4), "terrace")  # 2 cm off the house: a digitising gap
    g.bed(box(-6, -6, 14.3, 8), "shrubs")
    g.bed(Polygon([(18.3, -6), (30, -6), (30, 10.5), (18.3, 9.4)]), "shrubs")
    g.bed(border([(-3, 31.8), (3, 31.2), (9, 29.4), (16, 28.9), (22, 27.4), (32, 26.8)], 40), "flowers")
    g.outlet(13.2, 16.05)
    g.boundary("back", "fence", 1.6)
    g.boundary("left", "fence", 1.6)
    g.boundary("front", "hedge", 1.0)


def p02(g: Garden) -> None:
    """An L around a house."""
    g.building(Polygon([(1.6, 5), (13, 5), (13, 16.5), (7, 16.5), (7, 13.8), (1.6, 13.8)]), 8.2)
    g.building(box(2.2, 25.4, 5.2, 28.2), 2.4)
    g.hard(box(2.4, -4, 7.0, 5), "drive")
    g.hard(box(10.4, -4, 11.6, 5), "path")
    g.hard(box(-4, 4.4, 1.6, 13.8), "path")
    g.hard(box(7.6, 16.5, 12.6, 18.9), "terrace")
    g.bed(box(-5, -5, 13, 5), "flowers")
    g.bed(box(0, 28.2, 7.4, 29.6), "vegetables")
    g.bed(Polygon([*smooth([(20.6, -4), (21.0, 1), (22.8, 4.6), (26, 6.8), (30, 7.4)]), (30, -4)]), "shrubs")
    g.tree(19.6, 23.0, trunk_m=0.22, crown_m=4.2, height_m=5.5)
    g.outlet(13.05, 12.2)
    g.boundary("back", "fence", 1.5)
    g.boundary("left", "hedge", 1.4)
    g.boundary("front", "fence", 0.9)


def p03(g: Garden) -> None:
    """A front lawn cut off by a drive."""
    g.building(Polygon([(1.8, 14), (16, 14), (16, 22.4), (10, 22.4), (10, 23.6), (1.8, 23.6)]), 7.4)
    g.building(box(16, 14.5, 22.4, 21), 3.2)
    inner = smooth([(4.3, 3.0), (4.5, 6.4), (6.0, 9.2), (9.0, 10.2), (14.0, 10.2)])
    g.hard(Polygon([(0.8, -4), (4.3, -4), *inner, (22.4, 10.2), (22.4, 14.5), (0.8, 14.5)]), "drive")
    g.hard(box(-4, 14, 1.8, 23.6), "path", "raised", 0.35)
    g.hard(box(3.5, 23.6, 9.6, 26.4), "terrace", "raised", 0.3)
    g.bed(box(-5, -5, 0.8, 14), "shrubs")
    g.bed(Polygon([(22.4, 8.6), (24, 8.2), (32, 8.2), (32, 22.0), (22.4, 21.2)]), "shrubs")
    g.bed(oval(15.5, 4.2, 1.9, 1.2, 0.3), "flowers")
    g.tree(20.8, 28.2, trunk_m=0.06, crown_m=1.4, height_m=2.6)
    g.obstacle(Point(14.0, 28.0), rigid=True, height_m=1.9)
    g.outlet(12.0, 22.45)
    g.outlet(9.0, 13.95)
    g.boundary("back", "fence", 1.6)
    g.boundary("left", "wall", 1.2)
    g.boundary("front", "wall", 0.6)


def p04(g: Garden) -> None:
    """Two lawns joined by a passage of 1.2 m: the house wall on one side, a deep hedge on the other."""
    g.building(Polygon([(6, 8.6), (11, 8.6), (11, 7.6), (20.6, 7.6), (20.6, 16.6), (6, 16.6)]), 7.9)
    g.building(box(0.9, 9, 6, 15.5), 3.1)
    g.hard(box(1.3, -4, 5.3, 9), "drive")
    g.hard(box(5.3, 6.9, 11, 9.0), "path")
    g.hard(box(8, 16.6, 15.4, 20.0), "terrace")
    g.bed(box(-5, -5, 1.3, 9), "shrubs")
    g.bed(box(-5, 9, 0.9, 16.4), "shrubs")
    g.bed(Polygon([(21.8, 6.2), (32, 5.0), (32, 20), (21.8, 18.2)]), "hedge")
    g.bed(border([(-3, 32.4), (3, 32.6), (8, 33.6), (13, 33.9), (18, 34.9), (28, 35.6)], 45), "flowers")
    g.tree(9.8, 3.0, trunk_m=0.05, crown_m=1.2, height_m=2.4)
    g.outlet(16.6, 16.65)
    g.boundary("back", "fence", 1.7)
    g.boundary("left", "fence", 1.6)
    g.boundary("front", "hedge", 0.9)


def p05(g: Garden) -> None:
    """Two lawns joined by a passage of 0.6 m: a shrub border that stops short of a raised terrace."""
    g.building(Polygon([(3, 7), (14, 7), (14, 15.4), (3, 15.4)]), 7.2)
    g.building(box(14, 7.4, 19.6, 14), 3.3)
    g.hard(box(14.6, -4, 19.2, 7.4), "drive")
    g.hard(box(7.0, -4, 8.2, 7), "path")
    g.hard(box(-4, 7, 3, 15.4), "path")
    g.hard(box(3.6, 15.4, 13.6, 18.9), "terrace", "raised", 0.18)
    g.bed(box(-5, -5, 14.6, 7.4), "flowers")
    g.bed(box(19.2, -5, 32, 12.8), "shrubs")
    border = [(10.3, 19.5), (12.9, 19.5), *smooth([(12.9, 19.5), (13.4, 23), (12.6, 27), (13.2, 31), (12.8, 40)])[1:]]
    g.bed(Polygon([*border, (9.8, 40), *smooth([(9.8, 40), (9.9, 31), (10.8, 26), (10.3, 19.5)])[1:-1]]), "shrubs")
    g.building(box(20.2, 26.2, 22.8, 28.6), 2.3)
    g.tree(5.2, 26.5, trunk_m=0.19, crown_m=3.4, height_m=4.2)
    g.outlet(4.4, 15.45)
    g.outlet(17.0, 14.05)
    g.boundary("back", "fence", 1.6)
    g.boundary("left", "fence", 1.5)
    g.boundary("front", "fence", 0.8)


def p06(g: Garden) -> None:
    """Pond, beds and saplings as islands, some of them 0.4 m apart."""
    g.building(Polygon([(2.2, 6), (7, 6), (7, 5.2), (11, 5.2), (11, 6), (15, 6), (15, 13.6), (2.2, 13.6)]), 7.6)
    g.building(box(15, 6.4, 20.2, 12.6), 3.2)
    g.hard(box(15.4, -4, 19.8, 6.4), "drive")
    g.hard(path([(6.2, -4), (6.6, 0), (5.8, 2.4), (6.4, 6.2)], 1.1), "path")
    g.hard(box(-5, 6, 2.2, 13.6), "path")
    g.hard(Polygon([(3.4, 13.6), (11, 13.6), (11, 15.6), (9.4, 17), (3.4, 17)]), "terrace")
    g.hard(path([(7.8, 16.5), (8.6, 17.4), (8.4, 18.6)], 0.8), "path")
    g.bed(box(-6, -6, 15.4, 6.4), "flowers")
    g.bed(box(19.8, -6, 32, 12.2), "shrubs")
    g.water(blob([(5.8, 22.6), (8.2, 22.0), (9.8, 23.0), (9.4, 24.6), (7.4, 25.2), (5.6, 24.2)]), "pond")
    g.bed(oval(15.2, 19.4, 1.3, 1.0), "flowers")
    g.bed(oval(18.2, 19.4, 1.3, 1.1), "flowers")  # 0.4 m of grass between the two
    g.bed(blob([(12.4, 26.0), (14.2, 25.2), (16.8, 25.4), (17.2, 26.6), (14.6, 27.2)]), "flowers")
    g.sapling(17.4, 23.1, trunk_m=0.05, crown_m=1.2)
    g.sapling(17.85, 23.1, trunk_m=0.05, crown_m=1.0)
    g.sapling(13.0, 22.6, trunk_m=0.04, crown_m=1.1)
    g.sapling(3.2, 19.6, trunk_m=0.07, crown_m=1.6)
    g.outlet(12.4, 13.65)
    g.boundary("back", "hedge", 1.6)
    g.boundary("left", "hedge", 1.5)
    g.boundary("right", "fence", 1.6)
    g.boundary("front", "fence", 0.9)


def p07(g: Garden) -> None:
    """A grown tree, some soft ones, and a flush path between two lawns."""
    g.building(Polygon([(7, 7), (20, 7), (20, 15.4), (14.5, 15.4), (14.5, 17.0), (7, 17.0)]), 8.4)
    g.building(box(1.4, 7.6, 7, 13.8), 3.2)
    g.hard(box(2.0, -4, 6.4, 7.6), "drive")
    g.hard(box(12.6, -4, 13.8, 7), "path")
    g.hard(box(14.5, 15.4, 20.0, 19.0), "terrace")
    g.hard(box(-4, 13.0, 1.4, 14.2), "path")
    g.hard(path([(16.8, 18.5), (17.4, 22.0), (16.2, 26.0), (17.0, 31.0), (16.8, 36.0)], 1.0), "path")
    g.bed(box(-5, -5, 12.6, 7.6), "shrubs")
    g.bed(box(-5, 6, 1.4, 13.0), "shrubs")
    g.bed(box(13.8, -5, 34, 6.4), "flowers")
    g.tree(8.2, 25.4, trunk_m=0.45, crown_m=9.0, height_m=11.5)
    g.sapling(22.0, 24.6, trunk_m=0.06, crown_m=1.4)
    g.sapling(23.4, 12.0, trunk_m=0.08, crown_m=1.6)
    g.sapling(2.6, 19.6, trunk_m=0.04, crown_m=1.0)
    g.bed(oval(22.6, 20.2, 1.2, 0.9, 0.2), "shrubs")
    g.outlet(10.0, 17.05)
    g.outlet(20.05, 12.5)
    g.boundary("back", "fence", 1.5)
    g.boundary("left", "hedge", 1.6)
    g.boundary("front", "hedge", 1.1)


def p08(g: Garden) -> None:
    """A steep bank in the far left of the back lawn."""
    g.building(Polygon([(5, 6), (18, 6), (18, 13.2), (12, 13.2), (12, 14.6), (5, 14.6)]), 7.7)
    g.building(box(18, 6.4, 23.4, 12.6), 3.2)
    g.hard(box(18.4, -4, 23.0, 6.4), "drive")
    g.hard(box(9.0, -4, 10.2, 6), "path")
    g.hard(box(-5, 6, 5, 8.4), "path")
    g.hard(box(12, 13.2, 17.2, 16.4), "terrace")
    g.bed(box(-6, -6, 18.4, 6.4), "shrubs")
    g.bed(box(23.0, -6, 34, 12.0), "shrubs")
    g.tree(21.6, 20.2, trunk_m=0.24, crown_m=4.6, height_m=6.0)
    g.obstacle(oval(16.6, 22.4, 1.5, 1.5), rigid=True, height_m=0.9)
    g.outlet(17.2, 13.25)
    g.boundary("back", "fence", 1.4)
    g.boundary("left", "fence", 1.6)
    g.boundary("front", "hedge", 1.0)


# The retaining wall of P09 in its own frame: left to right, so that it falls away to the house.
DROP_LINE = LineString(smooth([(-2.5, 22.4), (4, 21.8), (10, 22.2), (15, 22.8), (18.6, 22.6)], step=6))
DROP_HEIGHT_M = 0.9


def p09(g: Garden) -> None:
    """A retaining-wall drop across most of the back lawn, with a grass ramp round its right end."""
    g.building(Polygon([(5, 6), (18, 6), (18, 14.2), (9, 14.2), (9, 13.0), (5, 13.0)]), 7.5)
    g.building(box(0.6, 6.6, 5, 12.8), 3.1)
    g.hard(box(0.9, -4, 4.7, 6.6), "drive")
    g.hard(box(11.0, -4, 12.2, 6), "path")
    g.hard(box(10, 14.2, 17.4, 17.0), "terrace")
    g.bed(box(-6, -6, 11.0, 6.6), "flowers")
    g.bed(box(-6, 5, 0.6, 12.4), "shrubs")
    g.bed(box(12.2, -6, 34, 5.6), "shrubs")
    g.bed(border([(3.0, 30.6), (5.4, 28.6), (9, 28.2), (14, 28.8), (17.4, 30.8)], 40), "shrubs")
    g.barrier(DROP_LINE, "drop", DROP_HEIGHT_M)
    g.tree(22.6, 27.6, trunk_m=0.2, crown_m=3.6, height_m=4.8)
    g.boundary("back", "fence", 1.6)
    g.boundary("left", "wall", 1.5)
    g.boundary("front", "hedge", 1.0)


def p10(g: Garden) -> None:
    """A terrace at lawn level, a raised kerb along the drive, a hedge, sprinklers."""
    g.building(Polygon([(5.4, 9), (17, 9), (17, 17.6), (11.6, 17.6), (11.6, 18.8), (5.4, 18.8)]), 7.9)
    g.building(box(0.9, 9.4, 5.4, 15.8), 2.8)
    g.hard(box(1.2, -4, 5.2, 9.4), "drive")
    g.hard(box(5.2, 7.6, 11.4, 9), "path")
    g.hard(Polygon([(11.62, 17.6), (17, 17.6), (17, 20.0), (15.4, 22.2), (11.62, 22.2)]), "terrace")
    g.barrier(LineString([(5.2, 0.6), (5.2, 7.6), (11.4, 7.6)]), "kerb", 0.1)
    g.bed(box(-5, -5, 1.2, 9.4), "shrubs")
    g.bed(box(-5, 9, 0.9, 18.2), "shrubs")
    g.bed(oval(13.8, 27.0, 1.6, 1.1, 0.4), "flowers")
    g.bed(box(12.0, 7.9, 16.6, 9), "flowers")
    g.sprinklers((9.0, 3.0), (16.0, 3.4), (21.8, 9.0), (21.6, 18.4), (7.4, 24.6), (20.0, 26.2))
    g.obstacle(Polygon([(4.0, 26.0), (6.4, 26.2), (6.2, 28.4), (3.8, 28.2)]), rigid=True, height_m=2.2)
    g.outlet(16.2, 17.65)
    g.outlet(8.4, 8.95)
    g.boundary("back", "hedge", 1.8)
    g.boundary("left", "fence", 1.6)
    g.boundary("right", "hedge", 1.6)
    g.boundary("front", "hedge", 1.2)


def _orchard(g: Garden) -> None:
    rng = np.random.default_rng(1107)
    for row in range(4):
        for column in range(6):
            shift = rng.uniform(-0.35, 0.35, 2)
            x, y = 166.6 + 5.3 * column + 0.9 * row + shift[0], 20.0 + 5.5 * row + 0.35 * column + shift[1]
            trunk, crown = round(rng.uniform(0.18, 0.30), 2), round(rng.uniform(3.2, 4.4), 1)
            height = round(1.0 + crown, 1)
            g.tree(round(x, 2), round(y, 2), trunk_m=trunk, crown_m=crown, height_m=height)


def p11(g: Garden) -> None:
    """An estate lawn with an orchard, its own drive and buildings; drawn in site coordinates."""
    house = [
        (172, 60),
        (191, 62.4),
        (190.2, 69.4),
        (198.1, 70.4),
        (196.7, 81.4),
        (187.4, 80.2),
        (188.1, 73.4),
        (170.6, 71.2),
    ]
    g.building(Polygon(house), 10.5)
    g.building(Polygon([(150.5, 83.5), (163.5, 85.6), (162.4, 92.4), (149.4, 90.3)]), 5.6)
    g.building(Polygon([(199.4, 44.0), (202.2, 44.3), (201.8, 48.3), (199.0, 48.0)]), 2.5)
    g.hard(
        path([(155, 47.5), (161, 49.0), (165.0, 54.0), (164.5, 61.0), (162.5, 68.0), (160, 76.0), (157.5, 86.0)], 3.4),
        "drive",
        surface="gravel",
    )
    g.hard(
        Polygon(
            [
                *smooth([(163.5, 59), (166.5, 57.8), (170.5, 58.6), (172.4, 60.2)]),
                (170.4, 72.0),
                *smooth([(169.4, 72.6), (165, 72.4), (162.0, 70)]),
            ]
        ),
        "drive",
        surface="gravel",
    )
    g.hard(Polygon([(176.4, 52.8), (190.6, 54.6), (189.6, 62.3), (175.4, 60.5)]), "terrace")
    g.bed(Polygon([(175.9, 51.6), (183.0, 52.5), (182.9, 53.7), (175.8, 52.8)]), "flowers")
    g.bed(Polygon([(185.2, 52.8), (191.2, 53.6), (191.1, 54.8), (185.1, 54.0)]), "flowers")
    g.bed(blob([(150.5, 57), (154.0, 59.6), (155.2, 66), (152.2, 72.5), (146.5, 70.5), (147.5, 62)]), "shrubs")
    g.bed(blob([(200.6, 56), (203.4, 60), (202.4, 68), (199.6, 70.0), (210, 76), (214, 54), (206, 50)]), "shrubs")
    g.bed(blob([(172, 86.6), (180, 87.2), (188, 85.2), (189.4, 87.4), (181, 89.6), (172.4, 88.8)]), "flowers")
    g.bed(Polygon([(136.0, 86.2), (143.6, 87.4), (143.0, 91.6), (135.4, 90.4)]), "vegetables")
    g.water(oval(160.5, 33.5, 3.6, 2.6, 0.8), "pond")
    g.tree(168.2, 80.8, trunk_m=0.7, crown_m=11.0, height_m=15.0)
    g.tree(156.4, 24.4, trunk_m=0.55, crown_m=9.6, height_m=13.0)
    g.tree(198.8, 87.2, trunk_m=0.5, crown_m=8.6, height_m=12.0)
    g.sapling(142.6, 78.6, trunk_m=0.08, crown_m=1.6)
    g.obstacle(Point(181.4, 48.6), rigid=True, height_m=1.1)
    _orchard(g)
    g.outlet(189.5, 62.35)
    g.outlet(163.0, 85.6)
    g.boundary("back", "wall", 1.8)
    g.boundary("front", "hedge", 1.4)


def p12(g: Garden) -> None:
    """A garden where no mower makes sense: scraps in front, a bank of more than 50 % behind."""
    g.building(Polygon([(3.2, 4.8), (15.6, 4.8), (15.6, 11.2), (8, 11.2), (8, 12.4), (3.2, 12.4)]), 7.3)
    g.hard(box(15.6, -4, 19.6, 11.6), "drive")
    g.hard(box(9.4, -4, 10.6, 4.8), "path")
    g.hard(Polygon([(-6, 12.4), (8, 12.4), (8, 11.2), (30, 11.2), (30, 15.0), (-6, 15.4)]), "terrace")
    g.bed(box(-6, -6, 2.6, 12.4), "shrubs")
    g.bed(box(3.5, -6, 8.7, 4.1), "flowers")
    g.bed(box(11.3, -6, 15.6, 4.1), "flowers")
    g.bed(box(2.6, 4.4, 3.2, 12.4), "shrubs")
    g.bed(box(19.6, -6, 32, 11.7), "shrubs")
    g.bed(blob([(3.0, 19.4), (7.4, 18.6), (9.2, 20.0), (6.6, 21.8), (3.4, 21.4)]), "shrubs")
    g.bed(blob([(12.8, 22.4), (16.8, 21.6), (18.2, 23.6), (15.0, 25.0)]), "shrubs")
    g.tree(11.0, 18.2, trunk_m=0.07, crown_m=1.5, height_m=2.6)
    g.outlet(14.6, 11.25)
    g.boundary("back", "fence", 1.2)
    g.boundary("left", "hedge", 1.6)
    g.boundary("front", "wall", 0.7)


LABELS = {
    "P01": "Plain lawn",
    "P02": "An L around a house",
    "P03": "Front lawn cut off by a drive",
    "P04": "Two lawns, passage 1.2 m wide",
    "P05": "Two lawns, passage 0.6 m wide",
    "P06": "Pond, beds and saplings",
    "P07": "Grown tree, flush path between lawns",
    "P08": "Steep bank",
    "P09": "Retaining-wall drop",
    "P10": "Flush terrace, kerb, hedge, sprinklers",
    "P11": "Estate lawn with orchard",
    "P12": "No garden for a mower",
}

DESIGNS: dict[str, Callable[[Garden], None]] = {
    "P01": p01, "P02": p02, "P03": p03, "P04": p04, "P05": p05, "P06": p06,
    "P07": p07, "P08": p08, "P09": p09, "P10": p10, "P11": p11, "P12": p12,
}  # fmt: skip


@dataclass(frozen=True)
class Neighbourhood:
    """The furnished gardens and the lane between them, in map coordinates."""

    gardens: list[Garden]
    lane: Polygon


def neighbourhood() -> Neighbourhood:
    """Return everything on one network of lines with vertices on whole millimetres.

    What touches shares its vertices, so that no hairline gap opens between a path and the terrace it leaves.
    """
    drawn = []
    plots, public = parcelled()
    for parcel_id, plot in plots.items():
        garden = Garden(plot)
        DESIGNS[parcel_id](garden)
        drawn.append(garden)
    lines = [public.boundary, *(garden.plot.outline.boundary for garden in drawn)]
    for garden in drawn:
        covers = [shape for layer, shape, _ in garden.features if layer in PRECEDENCE]
        lines += [shape.intersection(garden.plot.outline).boundary for shape in covers]
    network = shapely.union_all(lines, grid_size=0.001)
    faces = np.array(list(polygonize(network.geoms)))
    return Neighbourhood([_fitted(garden, faces) for garden in drawn], _joined(faces, public)[0])


def _joined(faces: NDArray[Any], shape: BaseGeometry) -> list[Polygon]:
    """Return the faces inside a shape, joined where they touch."""
    inside = shapely.contains_properly(shape, shapely.point_on_surface(faces))
    return list(shapely.get_parts(shapely.coverage_union_all(faces[inside])))


def _fitted(garden: Garden, faces: NDArray[Any]) -> Garden:
    """Return the garden cut to its parcel and to the faces, each face belonging to one thing."""
    outline = garden.plot.outline
    free = faces[shapely.contains_properly(outline, shapely.point_on_surface(faces))]
    plot = replace(garden.plot, outline=_joined(free, outline)[0])
    fitted: list[Feature] = []
    for layer in PRECEDENCE:
        for _, shape, columns in [f for f in garden.features if f[0] == layer]:
            fitted += [(layer, part, columns) for part in _joined(free, shape) if part.area > 0.05]
            free = free[~shapely.contains_properly(shape, shapely.point_on_surface(free))]
    return Garden(plot, fitted + _uncovering(garden, fitted))


def _uncovering(garden: Garden, fitted: list[Feature]) -> list[Feature]:
    """Return the features that take no ground, with barriers open where one walks or drives through."""
    ways = [s for layer, s, c in fitted if layer == "buildings" or c.get("use") in ("drive", "path")]
    openings = shapely.union_all(ways).buffer(0.05)
    found: list[Feature] = []
    for layer, shape, columns in garden.features:
        if layer == "boundary":
            parts = shapely.get_parts(shape.difference(openings))
            found += [("barriers", part, columns) for part in parts if part.length > 0.3]
        elif layer == "barriers":
            found.append((layer, shape.intersection(garden.plot.outline), columns))
        elif layer not in PRECEDENCE:
            found.append((layer, shape, columns))
    return found
