"""Whether a thing may be bumped: trunks about as thick as they must be, and room beside them about as wide."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.lawn.obstacles import Keepout, bump_gaps
from lawngis.mower import MowerProfile

from ..model.plan import VisitCheck
from ..model.site import Site
from .doubt import DoubtParameters, in_doubt
from .outline_spread import edge_distance_sd_m

MEASURED_AT_M = 0.5
"""A diameter that was measured this near to a tree is its own."""


def gap_checks(
    site: Site, keepouts: Sequence[Keepout], lawn: BaseGeometry, mower: MowerProfile, parameters: DoubtParameters
) -> list[VisitCheck]:
    """Return checks of the gaps between what may be bumped and what limits the mower, which it may not fit through.

    Parameters
    ----------
    site
        How far its features are off.
    keepouts
        All of a lawn, before those that leave no room are joined to the edge.
    lawn
        The lawn [m].
    mower
        Whose least passage decides.
    parameters
        How much doubt is looked at.
    """
    limit, sd_m = mower.passage_transit_min_m, edge_distance_sd_m(site)
    checks = []
    for gap in bump_gaps(keepouts, lawn=lawn).values():
        if gap.is_empty:
            continue
        check = VisitCheck(
            "trunk-gap",
            {"case": "room" if gap.length >= limit else "tight"},
            gap.interpolate(0.5, normalized=True),
            float(gap.length),
            sd_m,
            "m",
            limit,
            at_stake=2 * float(gap.length),
        )
        checks += in_doubt(check, parameters, whole=float(shapely.length(site.parcel)))
    return checks


def trunk_checks(
    site: Site, keepouts: Sequence[Keepout], mower: MowerProfile, parameters: DoubtParameters
) -> list[VisitCheck]:
    """Return checks of trunks that lawn surrounds, whose diameter a layer has and nobody measured.

    Parameters
    ----------
    site
        With its trees.
    keepouts
        Those of the layer of trees, whose `source` is the row there, parts of it counted one by one.
    mower
        Whose least trunk decides.
    parameters
        How much doubt is looked at.
    """
    if "trees" not in site.layers or not len(site.layers["trees"]):
        return []
    trees = site.layers["trees"].explode(ignore_index=True)
    trunks = trees["trunk_diameter_m"].to_numpy(dtype=float)
    measured = [fact.place for fact in site.facts.features if fact.column == "trunk_diameter_m" and fact.place]
    checks = []
    for kept in keepouts:
        place = trees.geometry.iloc[kept.source]
        told = trunks[kept.source] > 0 and not any(place.dwithin(other, MEASURED_AT_M) for other in measured)
        if kept.treatment == "outside" or not told:
            continue
        check = VisitCheck(
            "trunk",
            {"case": "bumped" if kept.treatment == "bump" else "island", "limit_m": mower.rigid_trunk_min_m},
            place,
            float(trunks[kept.source]),
            site.accuracy.trunk_sd_m,
            "m",
            mower.rigid_trunk_min_m,
            target_layer="trees",
            target_column="trunk_diameter_m",
            at_stake=2 * pi * (mower.sapling_island_radius_m + mower.setback_m.soft),
        )
        checks += in_doubt(check, parameters, whole=float(shapely.length(site.parcel)))
    return checks
