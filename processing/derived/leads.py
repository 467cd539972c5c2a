"""What a lead to a detached zone may cross on a parcel; shared by the steps that choose supplies and lay the wire."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import shapely
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.routes import PricedGround
from lawngis.wire.outlying import LeadTerrain

from ..model.site import Site
from .paving import DRIVEN_ON

BED_COST = 2.0
PAVING_COST = 8.0
DRIVE_COST = 16.0
"""What a metre of lead costs to lay, relative to one in lawn; common practice, no source for the numbers."""

SHORTEST_CROSSED_M = 0.02


@dataclass(frozen=True)
class LeadCrossings:
    """What a lead crosses: surfaces by name with the length over each [m]."""

    over_m: dict[str, float]

    @property
    def saw_cut_m(self) -> float:
        """Length through paving that people walk on [m]."""
        return sum(length for name, length in self.over_m.items() if name not in ("bed", *DRIVEN_ON))

    @property
    def duct_m(self) -> float:
        """Length under paving that cars drive on [m]."""
        return sum(length for name, length in self.over_m.items() if name in DRIVEN_ON)

    @property
    def words(self) -> str:
        """What is crossed and how the wire is laid there."""
        parts = []
        for name, length in self.over_m.items():
            way = "under it" if name == "bed" else "in a duct" if name in DRIVEN_ON else "in a saw cut"
            parts.append(f"{length:.1f} m of {name} {way}")
        return " and ".join(parts) if parts else "lawn and open ground only"


def lead_terrain(site: Site) -> LeadTerrain:
    """Return what leads may cross and at what cost: the parcel without buildings and water."""
    on_walk, on_drive = _paving(site)
    priced = [(site.geometries("beds"), BED_COST), (on_walk, PAVING_COST), (on_drive, DRIVE_COST)]
    return LeadTerrain(
        site.parcel,
        [*site.geometries("buildings"), *site.geometries("water")],
        [PricedGround(shapely.union_all(shapes), cost) for shapes, cost in priced if shapes],
    )


def _paving(site: Site) -> tuple[list[BaseGeometry], list[BaseGeometry]]:
    if "hard_surfaces" not in site.layers:
        return [], []
    surfaces = site.layers["hard_surfaces"]
    driven = surfaces["use"].isin(DRIVEN_ON)
    return list(surfaces.geometry[~driven]), list(surfaces.geometry[driven])


def lead_crossings(site: Site, line: LineString) -> LeadCrossings:
    """Return what a lead crosses on a parcel."""
    names: list[str] = []
    shapes: list[BaseGeometry] = []
    if "hard_surfaces" in site.layers:
        surfaces = site.layers["hard_surfaces"]
        names += [str(use) if use else "paving" for use in surfaces["use"].where(surfaces["use"].notna(), None)]
        shapes += list(surfaces.geometry)
    beds = site.geometries("beds")
    names += ["bed"] * len(beds)
    shapes += beds
    found: dict[str, float] = {}
    for name, length in zip(names, _lengths(line, shapes), strict=True):
        if length >= SHORTEST_CROSSED_M:
            found[name] = found.get(name, 0.0) + length
    return LeadCrossings(found)


def _lengths(line: LineString, shapes: Sequence[BaseGeometry]) -> list[float]:
    return [float(shapely.length(shapely.intersection(line, shape))) for shape in shapes]
