"""Step `lawn`: what of the parcel is lawn."""

from __future__ import annotations

from collections.abc import Sequence

from pydantic import Field
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import discs
from lawngis.lawn.derive import Taken, derived_lawn, ground_account_m2, surveyed_lawn
from lawngis.mower import MowerProfile

from ..plans import Finding, Plan, Row, StepResult
from ..sites import Site
from ..step import Parameters, Step

SURVEYED_CONFIDENCE = 1.0
DERIVED_CONFIDENCE = 0.7
"""Derived lawn is whatever nothing else covers; a shed or a bed that no layer has is lawn by mistake."""

TRUNK_UNKNOWN_M = 0.1
"""Trunk diameter where no layer gives one: it only leaves a hole as large as a hand. Least one drawn: 0.06 m."""


class LawnParameters(Parameters):
    """How the lawn is cleaned."""

    sliver_width_m: float = Field(default=0.10, ge=0, le=1, description="strips narrower than this are no lawn [m]")
    gap_close_m: float = Field(
        default=0.05,
        ge=0,
        le=0.5,
        description="gaps between what covers the ground, narrower than this, are closed [m]",
    )


def lawn(site: Site, plan: Plan, mower: MowerProfile, parameters: LawnParameters) -> StepResult:
    """Return the pieces of lawn: surveyed where somebody did, else what is left of the parcel."""
    del plan, mower
    surveyed = [shape for shape in site.geometries("lawns") if shape.intersects(site.parcel)]
    if surveyed:
        pieces = surveyed_lawn(site.parcel, surveyed, sliver_width_m=parameters.sliver_width_m)
        return StepResult({"lawn": _rows(site, pieces, "surveyed", SURVEYED_CONFIDENCE)})
    taken = _taken(site)
    pieces = derived_lawn(
        site.parcel, taken, sliver_width_m=parameters.sliver_width_m, gap_close_m=parameters.gap_close_m
    )
    account = ground_account_m2(site.parcel, pieces, taken)
    words = ", ".join(f"{reason} {area:.0f} m²" for reason, area in account.items() if area >= 0.5)
    text = f"lawn was derived: the parcel's {site.parcel.area:.0f} m² less {words or 'nothing'}"
    finding = Finding("info", "lawn-derived", text, "Survey the lawn's edge where it matters.")
    return StepResult({"lawn": _rows(site, pieces, "derived", DERIVED_CONFIDENCE)}, [finding])


def _taken(site: Site) -> list[Taken]:
    taken = [
        Taken(site.geometries("buildings"), "buildings"),
        Taken(site.geometries("hard_surfaces"), "paving"),
        Taken(site.geometries("beds"), "beds"),
        Taken(site.geometries("water"), "water"),
        Taken(_areas(site.geometries("streets")), "streets"),
        Taken(_trunks(site), "trunks"),
        Taken(_areas(site.geometries("obstacles")), "obstacles"),
    ]
    return [item for item in taken if len(item.geometries)]


def _areas(geometries: list[BaseGeometry]) -> list[BaseGeometry]:
    return [geometry for geometry in geometries if geometry.geom_type.endswith("Polygon")]


def _trunks(site: Site) -> list[BaseGeometry]:
    if "trees" not in site.layers:
        return []
    trees = site.layers["trees"].explode(ignore_index=True)
    radius = trees["trunk_diameter_m"].fillna(TRUNK_UNKNOWN_M).clip(lower=0.06).to_numpy() / 2
    return list(discs(trees.geometry.get_coordinates().to_numpy(), radius))


def _rows(site: Site, pieces: Sequence[BaseGeometry], source: str, confidence: float) -> list[Row]:
    return [
        {
            "lawn_id": f"{site.parcel_id}-G{number}",
            "area_m2": piece.area,
            "source": source,
            "confidence": confidence,
            "geometry": piece,
        }
        for number, piece in enumerate(pieces, start=1)
    ]


STEP = Step(
    id="lawn",
    title="Lawn from layers",
    description="Takes a surveyed lawn as it is, else the parcel less everything that covers it, with an account.",
    reads=(
        "site:parcels",
        "site:lawns",
        "site:buildings",
        "site:hard_surfaces",
        "site:beds",
        "site:water",
        "site:streets",
        "site:trees",
        "site:obstacles",
    ),
    writes=("lawn",),
    compute=lawn,
    parameters=LawnParameters,
)
