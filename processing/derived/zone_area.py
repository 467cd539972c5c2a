"""Whether a zone that is about as small as may be is worth its wire."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from shapely import Polygon

from lawngis.mower import MowerProfile
from lawngis.trust import flip_probability

from ..model.plan import VisitCheck
from ..model.site import Site, vector_error
from .doubt import DoubtParameters, in_doubt
from .outline_spread import zones_spread

LOOK_SDS = 3.0
"""An area is looked at where its whole edge, moved by so many standard deviations, reaches the limit."""


def zone_area_checks(
    site: Site,
    zones: Mapping[int, Polygon],
    scraps: Sequence[Polygon],
    names: Mapping[int, str],
    mower: MowerProfile,
    parameters: DoubtParameters,
) -> list[VisitCheck]:
    """Return checks of zones that may be too small, and of pieces too small for a zone that may be large enough.

    Parameters
    ----------
    site
        Whose features bound them.
    zones, scraps
        Ground that is a zone, by number, and ground that is wide enough for one but too small [m].
    names
        Of the zones, as the plan calls them.
    mower
        Whose least area decides.
    parameters
        How much doubt is looked at.
    """
    limit = mower.zone_area_min_m2
    edge_sd_m = vector_error(site.accuracy).total_m
    pieces = [("zone", names.get(number, ""), zone) for number, zone in zones.items()]
    pieces += [("small", "", scrap) for scrap in scraps]
    checks = []
    for case, name, ground in pieces:
        if abs(ground.area - limit) > LOOK_SDS * edge_sd_m * ground.length:
            continue
        sd_m2 = zones_spread(site, [ground]).area_sd_m2
        check = VisitCheck(
            "zone-area",
            {"case": case, "zone_id": name, "area_m2": ground.area, "limit_m2": limit},
            ground.representative_point(),
            ground.area,
            sd_m2,
            "m²",
            limit,
            float(flip_probability(ground.area, sd_m2, limit)),
            area=ground,
            at_stake=ground.area,
        )
        checks += in_doubt(check, parameters, whole=sum(piece.area for _, _, piece in pieces))
    return checks
