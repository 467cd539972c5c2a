"""How far the wire of a loop may be longer or shorter than planned, and what of it is looked at on site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import hypot, sqrt

import shapely
from shapely import Polygon

from lawngis.mower import MowerProfile

from ..model.plan import Plan, Row, VisitCheck
from ..model.site import Site
from .doubt import DoubtParameters, in_doubt
from .loops import filled_zone, passed_over
from .outline_spread import edge_distance_sd_m, ways_doubt, zones_spread
from .wire_checks import LaidWire

RADIUS_TOLERANCE_M = 0.05

LEAD_WAY_SHARE = 0.4
"""Standard deviation of a lead that goes another way, as a share of its length. Measured on made gardens, off by 0.2 m:
lead wire of 27 m in the mean was off by 15 m where the same zones were led to, most of it in few gardens."""

REST_SHARE = 0.05
"""Standard deviation of a loop's length by what no decision on the list explains, as a share: ground too steep that is
shaped otherwise, a zone that is parted otherwise. Measured on 16 made gardens off by 0.2 m: without it 82 % of
intervals of 90 % held the truth."""

SURE_SDS = 3.5
"""What is so many standard deviations off its limit is none for sure."""


def add_length_sds(site: Site, plan: Plan, paths: Sequence[Row], runs: Sequence[Row]) -> None:
    """Say in rows of `wire_path` how far the length of each loop is off, by what bounds its zones and its leads.

    Both wires of a lead grow by as much as the grounds that it links are farther apart; and it may go another way. What
    is parted or shaped otherwise adds a share of its length.
    """
    ignored = passed_over(plan)
    for path in paths:
        zones = [filled_zone(zone, ignored) for zone in plan.select("zones", loop_id=path["loop_id"])]
        leads = sum(run["loop_id"] == path["loop_id"] and run["run_kind"] == "lead_out" for run in runs)
        by_leads_m = 2 * edge_distance_sd_m(site) * sqrt(leads)
        by_ways_m = ways_doubt(site) * hypot(LEAD_WAY_SHARE * path["lead_m"], REST_SHARE * path["length_m"])
        path["length_sd_m"] = hypot(zones_spread(site, zones).length_sd_m, by_leads_m, by_ways_m)  # type: ignore[index]


def loop_checks(
    site: Site, wires: Sequence[LaidWire], paths: Sequence[Row], mower: MowerProfile, parameters: DoubtParameters
) -> list[VisitCheck]:
    """Return what is to be measured of loops whose length, or whose width, lies near what the mower can do."""
    checks: list[VisitCheck] = []
    for wire, path in zip(wires, paths, strict=True):
        name = {"loop_id": path["loop_id"]}
        place = shapely.Point(shapely.get_coordinates(path["geometry"])[0])
        length = VisitCheck(
            "loop-length", name, place, path["length_m"], path["length_sd_m"], "m", mower.loop_length_max_m
        )
        checks += in_doubt(length, parameters)
        for ground in wire.enclosed:
            checks += _reach_checks(site, name["loop_id"], ground, mower, parameters)
    return checks


def _reach_checks(
    site: Site, loop_id: str, ground: Polygon, mower: MowerProfile, parameters: DoubtParameters
) -> list[VisitCheck]:
    """Return the question how far the middle of a ground is from its wire, where that is about the mower's reach.

    It is half the distance of the edges on both sides.
    """
    sd_m, limit_m = edge_distance_sd_m(site) / 2, mower.signal_reach_max_m
    x_min, y_min, x_max, y_max = ground.bounds
    if min(x_max - x_min, y_max - y_min) / 2 < limit_m - SURE_SDS * sd_m:
        return []
    radius = shapely.maximum_inscribed_circle(ground, RADIUS_TOLERANCE_M)
    middle = shapely.Point(shapely.get_coordinates(radius)[0])
    check = VisitCheck("signal-reach", {"loop_id": loop_id}, middle, radius.length, sd_m, "m", limit_m)
    beyond_m2 = float(ground.buffer(-(limit_m - sd_m)).area)
    return in_doubt(replace(check, at_stake=beyond_m2), parameters, whole=ground.area)
