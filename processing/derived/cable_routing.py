"""Where the supply cable may run and start; shared by the steps that place the dock and route its cable."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.dock.supply import LayingCosts, LayingGround, laying_grid, wall_starts
from lawngis.geometry.routes import CostField, cost_field, crossed_surfaces
from lawngis.mower import MowerProfile

from ..model.plan import Derived, Plan
from ..model.site import Site

WALL_BAND_M = 0.4
"""A cable this near a house wall is fixed to it."""

_SUPPLY_FIELD = Derived(
    "supply field",
    (
        "site:parcels",
        "site:outlets",
        *(f"site:{layer}" for layer in ("buildings", "hard_surfaces", "beds", "water", "barriers")),
    ),
)


@dataclass(frozen=True, eq=False)
class SupplyField:
    """Cheapest ways from the supply points over the parcel; `starts_at` says what they start from."""

    field: CostField
    starts_at: str


def supply_field(site: Site, plan: Plan, mower: MowerProfile) -> SupplyField | None:
    """Return the ways of supply cable on a parcel, or None when nothing is there to start from."""
    found: SupplyField | None = plan.derived(_SUPPLY_FIELD, lambda: _supply_field(site, mower))
    return found


def _supply_field(site: Site, mower: MowerProfile) -> SupplyField | None:
    outlets = [point for point in site.geometries("outlets") if site.parcel.buffer(0.5).intersects(point)]
    buildings = [shape for shape in site.geometries("buildings") if shape.intersects(site.parcel)]
    if outlets:
        starts, starts_at = shapely.get_coordinates(outlets), "outlet"
    elif buildings:
        walls = [shape.boundary.intersection(site.parcel) for shape in buildings]
        starts, starts_at = wall_starts([wall for wall in walls if not wall.is_empty]), "nearest house wall (assumed)"
    else:
        return None
    if not len(starts):
        return None
    costs = LayingCosts(**mower.supply_cost.model_dump())
    grid = laying_grid(_laying_ground(site), costs=costs, band_m=WALL_BAND_M)
    return SupplyField(cost_field(grid, starts), starts_at)


def cable_crossings(site: Site, cable: LineString) -> list[tuple[str, BaseGeometry]]:
    """Return the use of each paving that a cable crosses, with the stretch of cable on it.

    Along a wall above paving it trips nobody: only what people walk or drive on counts.
    """
    if "hard_surfaces" not in site.layers:
        return []
    surfaces = site.layers["hard_surfaces"]
    near = surfaces[surfaces.intersects(cable)]
    walls = shapely.union_all([shapely.boundary(shape) for shape in _on_parcel(site, "buildings")])
    walked_on = shapely.difference(near.geometry.to_numpy(), shapely.buffer(walls, WALL_BAND_M))
    uses = near["use"].fillna("paving").tolist()
    crossed: list[int] = crossed_surfaces(cable, walked_on, end_m=0.0).tolist() if len(walked_on) else []
    return [(uses[number], cable.intersection(walked_on[number])) for number in crossed]


def _laying_ground(site: Site) -> LayingGround:
    buildings, beds, water = _on_parcel(site, "buildings"), _on_parcel(site, "beds"), _on_parcel(site, "water")
    paving = _on_parcel(site, "hard_surfaces")
    walls = [shapely.boundary(shape) for shape in buildings] + _on_parcel(site, "barriers")
    edges = [shapely.boundary(shape) for shape in (*beds, *paving)] + [shapely.boundary(site.parcel)]
    blocked = [*buildings, *water]
    return LayingGround(site.parcel, blocked=blocked, walls=walls, edges=edges, beds=beds, paving=paving)


def _on_parcel(site: Site, layer: str) -> list[BaseGeometry]:
    """Return a layer's geometries clipped to the parcel: the cable may not leave it."""
    shapes = np.array(site.geometries(layer), dtype=object)
    if not len(shapes):
        return []
    clipped = shapely.intersection(shapes, site.parcel)
    return list(clipped[~shapely.is_empty(clipped)])
