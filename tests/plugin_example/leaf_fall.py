"""Step `leaf_fall`: where leaves fall on ground that is mown, so that they are raked before the mower shreds them."""

from __future__ import annotations

from pydantic import Field
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.processing.model import (
    Area,
    Column,
    Finding,
    Layer,
    Parameters,
    Plan,
    Site,
    Step,
    StepResult,
    single_symbol,
)


class LeafFallParameters(Parameters):
    """How far leaves fall from a tree, and on how much of a zone that is worth a word."""

    drift_m: float = Field(default=1.0, ge=0, le=20, description="how far beyond the crown leaves fall [m]")
    share_min: float = Field(default=0.2, ge=0, le=1, description="share of a zone from which raking is advised")


LEAF_FALL = Layer(
    name="leaf_fall",
    title="Leaf fall",
    description="Mown ground on which leaves fall in autumn.",
    geometry="Polygon",
    columns=(
        Column("leaf_fall_id", "text", "name of the piece", nullable=False),
        Column("zone_id", "text", "zone that it is in", nullable=False),
        Column("area_m2", "real", "ground area", "m²", nullable=False),
    ),
    key="leaf_fall_id",
    style=single_symbol("Leaves fall here", Area("#8a5f00", 0.2, "rising", "#8a5f00")),
)


def leaf_fall(site: Site, plan: Plan, mower: MowerProfile, parameters: LeafFallParameters) -> StepResult:
    """Return the parts of zones under the crowns of trees and around them, and the zones that are worth raking."""
    del mower
    zones = plan.frame("zones")[["zone_id", "geometry"]]
    pieces = zones.set_geometry(zones.intersection(_under_trees(site, parameters.drift_m))).explode(ignore_index=True)
    pieces = pieces[pieces.geom_type == "Polygon"].reset_index(drop=True)
    pieces["area_m2"] = pieces.area
    pieces["leaf_fall_id"] = [f"{site.parcel_id}-F{number}" for number in range(1, len(pieces) + 1)]
    shares = pieces.groupby("zone_id")["area_m2"].sum() / zones.set_index("zone_id").area
    return StepResult(
        layers={"leaf_fall": pieces},
        findings=[
            Finding(
                "info",
                "leaf-fall",
                {"zone_id": zone_id, "share_percent": 100 * share},
                pieces[pieces["zone_id"] == zone_id].geometry.iloc[0].representative_point(),
            )
            for zone_id, share in shares.items()
            if share >= parameters.share_min
        ],
    )


def _under_trees(site: Site, drift_m: float) -> BaseGeometry:
    if "trees" not in site.layers:
        return Polygon()
    trees = site.layers["trees"]
    known = trees[trees["crown_diameter_m"] > 0]
    return known.buffer(known["crown_diameter_m"] / 2 + drift_m).union_all()


STEP = Step(
    id="leaf_fall",
    title="Leaf fall",
    description="Finds mown ground under the crowns of trees, where leaves are raked before the mower runs.",
    reads=("zones", "site:trees"),
    writes=("leaf_fall",),
    compute=leaf_fall,
    parameters=LeafFallParameters,
    layers=(LEAF_FALL,),
    sentences={
        "finding": {
            "leaf-fall": {
                "text": "leaves fall on {share_percent:.0f} % of {zone_id}",
                "advice": "Rake them in autumn before the mower runs.",
            }
        }
    },
)
