"""Whether a trunk is thick enough to be bumped, where its diameter is about the least that may be."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import shapely

from lawngis.lawn.obstacles import Keepout
from lawngis.mower import MowerProfile

from ..model.plan import VisitCheck
from ..model.site import Site
from .doubt import DoubtParameters, in_doubt

MEASURED_AT_M = 0.5
"""A diameter that was measured this near to a tree is its own."""


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
