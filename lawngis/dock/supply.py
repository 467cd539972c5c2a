"""How the supply cable gets from an outlet to the dock: the route, and the voltage it loses on the way.

A cable lies well along walls, beds and edges. Over open lawn it has to be buried, and over a path or drive it trips
people up; so each of those costs more per metre (common practice, no source for the numbers).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry.base import BaseGeometry

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.geometry.routes import CostGrid, PricedGround, cost_grid


@dataclass(frozen=True)
class LayingCosts:
    """What a metre of supply cable costs to lay, relative to a metre beside an edge.

    Parameters
    ----------
    beside_edge
        Along a wall, fence, hedge, bed or the edge of paving.
    bed
        Through a bed.
    wall_over_paving
        Fixed to a wall above paving.
    open_lawn
        Buried across open lawn.
    paving
        Across a path, terrace, drive or steps.
    """

    beside_edge: float = 1.0
    bed: float = 1.5
    wall_over_paving: float = 4.0
    open_lawn: float = 3.0
    paving: float = 10.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not (0 < value < np.inf):
                raise ParameterError(f"laying cost {name} = {value} is not a finite number above zero")


@dataclass(frozen=True)
class LayingGround:
    """The ground between outlets and docks, all in metres of the measuring frame.

    Parameters
    ----------
    area
        Where the cable may lie: the parcel.
    blocked
        Where it may not: buildings, water.
    walls
        Lines that it may be fixed to: house walls, garden walls, fences.
    edges
        Other lines that it may follow: edges of beds, paving and the parcel.
    beds, paving
        Polygons.
    """

    area: BaseGeometry
    blocked: Sequence[BaseGeometry] = ()
    walls: Sequence[BaseGeometry] = ()
    edges: Sequence[BaseGeometry] = ()
    beds: Sequence[BaseGeometry] = ()
    paving: Sequence[BaseGeometry] = ()


def laying_grid(
    ground: LayingGround, *, costs: LayingCosts | None = None, band_m: float = 0.4, cell_m: float = 0.25
) -> CostGrid:
    """Return the cost grid on which supply routes are searched.

    Parameters
    ----------
    ground
        What lies where.
    costs
        Cost per metre by kind of ground; by default :class:`LayingCosts`.
    band_m
        How far from a wall or edge the cable still lies beside it [m]; at least the width of a cell is taken.
    cell_m
        Side of a cell [m].
    """
    price = costs or LayingCosts()
    reach = max(band_m, cell_m)
    beside_wall = shapely.buffer(_united(ground.walls), reach)
    paving = _united(ground.paving)
    grounds = (
        PricedGround(_united(ground.beds), price.bed),
        PricedGround(shapely.buffer(_united(ground.edges), reach), price.beside_edge),
        PricedGround(beside_wall, price.beside_edge),
        PricedGround(paving, price.paving),
        PricedGround(shapely.intersection(beside_wall, paving), price.wall_over_paving),
        PricedGround(_united(ground.blocked), np.inf),
    )
    return cost_grid(ground.area, grounds, open_cost_per_m=price.open_lawn, cell_m=cell_m)


def wall_starts(walls: Sequence[BaseGeometry], *, spacing_m: float = 1.0) -> FloatArray:
    """Return points along walls, shape (n, 2) [m], to start from where no outlet is known.

    Parameters
    ----------
    walls
        Lines, or polygons whose outlines are taken.
    spacing_m
        Distance between points [m]; every line gets one at least.
    """
    if not spacing_m > 0:
        raise ParameterError(f"the spacing {spacing_m} m of supply starts is not above zero")
    given = np.array([wall for wall in walls if not wall.is_empty], dtype=object)
    areal = shapely.get_dimensions(given) == 2
    given[areal] = shapely.boundary(given[areal])
    lines = shapely.get_parts(given)
    if lines.size == 0:
        return np.zeros((0, 2))
    lengths = shapely.length(lines)
    counts = np.maximum(1, np.round(lengths / spacing_m)).astype(np.int64)
    which = np.repeat(np.arange(len(lines)), counts)
    within = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    at = (within + 0.5) * lengths[which] / counts[which]
    return np.asarray(shapely.get_coordinates(shapely.line_interpolate_point(lines[which], at)))


def voltage_drop_percent(
    length_m: ArrayLike,
    *,
    current_a: float,
    voltage_v: float,
    ohm_per_m: float,
    power_factor: float = 1.0,
    reactance_ohm_per_m: float = 0.0,
) -> FloatArray:
    """Return the voltage lost over a two-core cable, as a share of the supply voltage [percent].

    Parameters
    ----------
    length_m
        Length of the cable, one way [m].
    current_a
        Current at full load [A].
    voltage_v
        Voltage at the beginning of the cable [V].
    ohm_per_m
        Resistance of one conductor at its temperature in use [ohm/m].
    power_factor
        cos φ of the load; 1 for direct current.
    reactance_ohm_per_m
        Reactance of one conductor [ohm/m]; 0 for direct current.

    Notes
    -----
    u = 2 (R cos φ + X sin φ) L I (IEC 60364-5-52:2009, annex G, single phase). Which drop is still allowed, local codes
    and the power supply's maker decide.
    """
    if not (voltage_v > 0 and current_a >= 0 and ohm_per_m >= 0 and 0 <= power_factor <= 1):
        raise ParameterError(
            f"no voltage drop for {voltage_v} V, {current_a} A, {ohm_per_m} ohm/m, power factor {power_factor}"
        )
    sine = np.sqrt(1 - power_factor**2)
    ohm = ohm_per_m * power_factor + reactance_ohm_per_m * sine
    return np.asarray(200 * ohm * current_a / voltage_v * np.asarray(length_m, dtype=np.float64))


def _united(geometries: Sequence[BaseGeometry]) -> BaseGeometry:
    return shapely.union_all(np.array([*geometries], dtype=object))
