"""Whether a thing may be bumped: trunks about as thick as they must be, things about as high, room about as wide."""

from __future__ import annotations

from collections.abc import Sequence
from math import pi

import geopandas
import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from lawngis.lawn.obstacles import Keepout, bump_gaps
from lawngis.mower import MowerProfile

from ..model.plan import VisitCheck
from ..model.site import Site, single_parts
from .doubt import DoubtParameters, in_doubt
from .outline_spread import edge_distance_sd_m

MEASURED_AT_M = 0.5
"""A diameter or height that was measured this near to a thing is its own."""


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
    trees = single_parts(site.layers["trees"])
    trunks = trees["trunk_diameter_m"].to_numpy(dtype=float)
    checks = []
    for kept in keepouts:
        place = trees.geometry.iloc[kept.source]
        told = trunks[kept.source] > 0 and not _measured(site, "trees", "trunk_diameter_m", place)
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


def height_checks(
    site: Site,
    layer: str,
    things: geopandas.GeoDataFrame,
    keepouts: Sequence[Keepout],
    mower: MowerProfile,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return checks of rigid things that lawn surrounds, whose height is in doubt or unknown and nobody measured.

    Parameters
    ----------
    site
        How far heights are off, and what was measured.
    layer
        Of the site, which has the things: obstacles or barriers.
    things
        Their rows: whether each is ``rigid``, and ``height_m``.
    keepouts
        Those of the things, whose `source` is the row there.
    mower
        Whose lowest thing that the bumper feels decides.
    parameters
        How much doubt is looked at.
    """
    limit_m, sd_m, checks = mower.bump_height_min_m, site.accuracy.height_sd_m, []
    for kept in keepouts:
        thing = things.iloc[kept.source]
        rigid = thing["rigid"] in (True,)  # else soft, or nobody says
        if kept.treatment == "outside" or not rigid or _measured(site, layer, "height_m", kept.polygon):
            continue
        unknown = bool(np.isnan(thing["height_m"]))
        case = "unknown" if unknown else "bumped" if kept.treatment == "bump" else "island"
        check = VisitCheck(
            "bump-height",
            {"case": case, "thing": thing.get("kind", "obstacle"), "limit_m": limit_m},
            kept.polygon.representative_point(),
            None if unknown else float(thing["height_m"]),
            None if unknown else sd_m,
            "m",
            limit_m,
            target_layer=layer,
            target_column="height_m",
            at_stake=float(kept.polygon.buffer(mower.setback_m.raised).length),
        )
        chance = 0.5 if unknown else None
        checks += in_doubt(check, parameters, chance=chance, whole=float(shapely.length(site.parcel)))
    return checks


def _measured(site: Site, layer: str, column: str, place: BaseGeometry) -> bool:
    """Return whether somebody measured a column of the thing at a place."""
    return any(
        fact.place is not None and place.dwithin(fact.place, MEASURED_AT_M)
        for fact in site.facts.features
        if (fact.layer, fact.column) == (layer, column)
    )
