"""What the zones of a plan ask of mowers: the same for the weekly plan, the ranking and the choice of mowers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import charging_hours
from lawngis.mowing.choice import MowerOffer, ParcelDemand, Shortfall, ZoneDemand, offered_hours

from ..model.catalogue import Said, sentences, stored_values
from ..model.plan import FINDING_PARTS, Plan, Row
from .coverage import ZoneAccess

INSCRIBED_TOLERANCE_M = 0.05

DEMAND_LAYERS = ("zones", "links", "dock_candidates", "wire_path", "supply_route")
"""Layers of a plan that say what it asks of mowers."""


WEEK_CODES: Mapping[str, tuple[str, str]] = {
    "keeps_up": ("info", "keeps-up"),
    "longest_hours": ("caution", "longest-hours"),
    "cannot": ("stop", "hours-missing"),
}
"""How much each outcome of a mower's week matters, and the code of the finding that says it."""

LACKS = "lacks"
"""Case of the part of such a finding on a mower that can't do it."""


@dataclass(frozen=True)
class MowerDemand:
    """What one mower is to do: its zones, and what they ask of it."""

    zones: tuple[Row, ...]
    demand: ParcelDemand


@dataclass(frozen=True)
class PricedMower:
    """A mower that parcels may be given: its profile, and what it offers at what price."""

    profile: MowerProfile
    offer: MowerOffer


def mower_offer(name: str, mower: MowerProfile) -> MowerOffer:
    """Return the mower of a profile as one that may be chosen, its price unknown."""
    return MowerOffer(
        name=name,
        cutting_width_m=mower.cutting_width_m,
        speed_mps=mower.speed_mps,
        run_minutes=mower.run_minutes,
        charge_minutes=mower.charge_minutes,
        coverage_share=mower.coverage_share,
        mowings_week=mower.mowings_week,
        slope_limit_percent=mower.slope_limit_percent,
        passage_transit_min_m=mower.passage_transit_min_m,
        loop_length_max_m=mower.loop_length_max_m,
        signal_reach_max_m=mower.signal_reach_max_m,
        supply_cable_max_m=mower.supply_cable_max_m,
    )


def mower_demands(
    parcel_id: str,
    layers: Mapping[str, Sequence[Row]],
    accesses: Mapping[str, ZoneAccess],
    *,
    own_mowers: bool,
) -> list[MowerDemand]:
    """Return what each mower of a plan is to do, that of the home zone first.

    Parameters
    ----------
    parcel_id
        The parcel.
    layers
        Rows of :data:`DEMAND_LAYERS`, in the measuring frame.
    accesses
        The way into each zone, from :func:`.coverage.zone_accesses`.
    own_mowers
        Zones apart with a dock of their own have a mower of their own, one for each loop; else one mower serves all.
    """
    found: list[MowerDemand] = []
    for zones in _groups(layers["zones"], own_mowers=own_mowers):
        name = f"{parcel_id}/{zones[0]['zone_id']}" if found else parcel_id
        found.append(MowerDemand(tuple(zones), _demand(name, zones, layers, accesses)))
    return found


def week_values(plan: Plan) -> list[dict[str, Any]]:
    """Return what the findings on the week of each mower of a plan hold: its hours, and what others would do."""
    codes = {code for _, code in WEEK_CODES.values()}
    return [stored_values(row, FINDING_PARTS) for row in plan.rows("findings") if row["code"] in codes]


def able_mowers(plan: Plan) -> list[str]:
    """Return the mowers that the weekly plan was compared with and that can do all of the parcel, in their order."""
    weeks = [
        [values["mower"] for _, told in week["compared"] for _, values in told["fits"] if values["case"] != LACKS]
        for week in week_values(plan)
    ]
    return [mower for mower in weeks[0] if all(mower in able for able in weeks)] if weeks else []


def zone_hours_week(
    zone: Polygon, slope_percent: float | None, mower: MowerProfile, *, grass_mowings_week: float
) -> float:
    """Return the hours a week that a zone takes, charging included, the way to it not.

    Parameters
    ----------
    zone
        Its ground.
    slope_percent
        Its median slope [percent]; None where it isn't known.
    mower
        What mows it.
    grass_mowings_week
        How often a week the grass asks for it.
    """
    alone = ParcelDemand("", (ZoneDemand(zone.area, zone.length, slope_percent or 0.0, 0.0),), np.inf, 0.0)
    (mowing,) = offered_hours(alone, mower_offer("", mower), grass_mowings_week=grass_mowings_week)
    return mowing + float(charging_hours(mowing, run_minutes=mower.run_minutes, charge_minutes=mower.charge_minutes))


def shortfall_words(shortfalls: Sequence[Shortfall]) -> list[str]:
    """Return what a mower lacks, in words."""
    return [sentences().said("part", code, "text", values) for code, values in shortfall_parts(shortfalls)]


def shortfall_parts(shortfalls: Sequence[Shortfall]) -> list[Said]:
    """Return what a mower lacks as parts of a sentence."""
    return [
        ("mower-lacks", {"case": shortfall.code, "asked": shortfall.asked, "limit": shortfall.limit})
        for shortfall in shortfalls
    ]


def _groups(zones: Sequence[Row], *, own_mowers: bool) -> list[list[Row]]:
    """Return the zones of each mower, the first one's first."""
    groups: dict[tuple[int, str], list[Row]] = {}
    for zone in zones:
        apart = own_mowers and zone["role"] == "detached" and zone["supply"] == "own_dock"
        mower = (mower_no(zone), str(zone["loop_id"]) if apart else "")
        groups.setdefault(mower, []).append(zone)
    return [groups[mower] for mower in sorted(groups)]


def mower_shares(zones: Mapping[str, Row]) -> list[list[str]]:
    """Return the zones of each of several mowers that share a lawn, by name, those that one is carried to left out."""
    shares: dict[int, list[str]] = {}
    for name, zone in zones.items():
        if zone["role"] != "detached":
            shares.setdefault(mower_no(zone), []).append(name)
    return list(shares.values()) if len(shares) > 1 else []


def mower_no(zone: Row) -> int:
    """Return the number of the mower that mows a zone; plans made before there were several say none."""
    return int(zone.get("mower_no") or 1)


def _demand(
    name: str, zones: Sequence[Row], layers: Mapping[str, Sequence[Row]], accesses: Mapping[str, ZoneAccess]
) -> ParcelDemand:
    names, used, loops = ({zone[column] for zone in zones} for column in ("zone_id", "reached_by", "loop_id"))
    wires = {wire["loop_id"]: wire for wire in layers["wire_path"] if wire["loop_id"] in loops}
    docks = {dock["candidate_id"] for dock in layers["dock_candidates"] if dock["chosen"] and dock["zone_id"] in names}
    cables = (float(cable["length_m"]) for cable in layers["supply_route"] if cable["candidate_id"] in docks)
    widths = (float(link["width_m"]) for link in layers["links"] if link["link_id"] in used)
    return ParcelDemand(
        name,
        tuple(_zone_demand(zone, accesses[str(zone["zone_id"])], wires.get(zone["loop_id"])) for zone in zones),
        passage_m=min(widths, default=np.inf),
        loop_m=max((float(wire["length_m"]) for wire in wires.values()), default=0.0),
        cable_m=max(cables, default=0.0),
    )


def _zone_demand(zone: Row, way: ZoneAccess, wire: Row | None) -> ZoneDemand:
    return ZoneDemand(
        float(zone["area_m2"]),
        float(zone["perimeter_m"]),
        float(zone["slope_p50_percent"] or 0.0),
        float(zone["slope_p95_percent"] or 0.0),
        way.access_m,
        0.0 if wire is None else _farthest_m(zone["geometry"], wire["geometry"]),
        without_dock=zone["role"] == "detached" and zone["supply"] != "own_dock",
    )


def _farthest_m(zone: Polygon, wire: BaseGeometry) -> float:
    """Return the distance from the wire of the farthest of a zone's corners and the middle of its widest place [m].

    Corners count, as ground that the plan's mower doesn't hear is a hole without wire around it.
    """
    radius = shapely.maximum_inscribed_circle(zone, INSCRIBED_TOLERANCE_M)
    places = np.vstack([shapely.get_coordinates(radius)[:1], shapely.get_coordinates(zone)])
    shapely.prepare(wire)
    return float(shapely.distance(wire, shapely.points(places)).max())
