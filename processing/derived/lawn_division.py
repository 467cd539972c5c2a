"""Whether one mower can do a lawn, and how a lawn that none can is divided among several."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, inf

import shapely
from shapely import Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.lawn.division import (
    CutRules,
    Division,
    LinkedGround,
    Piece,
    PieceLink,
    division,
    with_common_vertices,
)
from lawngis.mower import MowerProfile
from lawngis.mowing.capacity import mowing_room_h
from lawngis.mowing.choice import Limit, MowerOffer, ParcelDemand, Shortfall, ZoneDemand, mower_fit, offered_hours
from lawngis.mowing.week import permitted_hours_week
from lawngis.prices import price_book_from

from ..model.plan import GRID_M, Plan, Row
from ..model.site import Site
from .decisions import Served
from .detached_supply import WIRE_INSET_M, ground_in_wire, wire_price
from .mower_demands import mower_offer
from .mowing_windows import WeekHours
from .placed_links import PlacedLink

SHARED_FOR: frozenset[Limit] = frozenset({"hours", "loop", "signal", "way"})
"""What a mower may lack for a whole lawn and not for a part of it."""

RESERVE = 1.04
"""A part's loop and ways are reckoned longer by this, as wire is laid and docks are placed only later."""

STANDING_CLEAR_M = 0.5
"""No cut passes nearer to what may be bumped: the wires on both its sides need the room. Ours, no source."""

OUT_OF_REACH = 1e5
"""Price of a part that no supply cable reaches: any other division is better."""


@dataclass(frozen=True)
class SharedLawn:
    """A lawn in parts, each for a mower of its own.

    Parameters
    ----------
    zones
        Ground of zones and pieces of zones, by number: the largest piece of a zone keeps its number.
    links
        Between them.
    parts
        Numbers of the zones of each mower, that of the home zone first.
    cut_m
        Length of all borders along which zones were cut [m].
    """

    zones: Mapping[int, Polygon]
    links: Mapping[int, PlacedLink]
    parts: Sequence[Collection[int]]
    cut_m: float


@dataclass(frozen=True)
class MowerWeek:
    """The mower of a plan, the hours of its week, and how often the grass asks for it."""

    mower: MowerProfile
    hours: WeekHours
    mowings_week: float

    @property
    def offer(self) -> MowerOffer:
        """The mower as one that may be chosen."""
        return mower_offer(self.mower.title, self.mower)

    @property
    def room_h(self) -> float:
        """Hours of mowing that a week has room for [h]."""
        charging = {"run_minutes": self.mower.run_minutes, "charge_minutes": self.mower.charge_minutes}
        return mowing_room_h(permitted_hours_week(self.hours.permitted), **charging)

    def lacks(self, demand: ParcelDemand) -> list[Shortfall]:
        """Return what the mower lacks for a ground and need not lack for parts of it."""
        hours = {"wanted": self.hours.wanted, "permitted": self.hours.permitted}
        fit = mower_fit(demand, self.offer, **hours, grass_mowings_week=self.mowings_week)
        return [shortfall for shortfall in fit.shortfalls if shortfall.code in SHARED_FOR]


def one_mower_lacks(
    rows: Sequence[Row], grounds: Mapping[str, Polygon], lengths_m: Mapping[str, float], week: MowerWeek
) -> list[Shortfall]:
    """Return what one mower lacks for all zones of a plan, before their wire is laid.

    Parameters
    ----------
    rows
        Rows of the zones, as one mower serves them.
    grounds
        Ground of each, by name: what may be bumped and what is out of signal is part of it.
    lengths_m
        Of the links by which zones are reached [m].
    week
        The mower and its week.
    """
    loops: dict[str, float] = {}
    for row in rows:
        if row["role"] != "detached" or row["supply"] == "own_dock":
            more_m = ring_m(grounds[row["zone_id"]]) + 2 * lengths_m.get(row["reached_by"], 0.0)
            loops[row["loop_id"]] = loops.get(row["loop_id"], 0.0) + more_m
    zones = [ZoneDemand(row["area_m2"], row["perimeter_m"], row["slope_p50_percent"] or 0.0, 0.0) for row in rows]
    return week.lacks(ParcelDemand("", tuple(zones), inf, max(loops.values(), default=0.0)))


def ring_m(ground: Polygon) -> float:
    """Return about the length of the wire around a zone, around its islands, and of the leads to these [m]."""
    inner = ground_in_wire(ground, WIRE_INSET_M)
    leads = shapely.distance(list(inner.interiors), inner.exterior).sum() if inner.interiors else 0.0
    return float(inner.length + 2 * leads)


def shared_lawn(
    site: Site,
    plan: Plan,
    zones: Mapping[int, Polygon],
    links: Mapping[int, PlacedLink],
    served: Served[int],
    slopes_percent: Mapping[int, float],
    week: MowerWeek,
    price_book: str | None,
    *,
    mowers_max: int,
) -> SharedLawn | None:
    """Return a lawn divided among as few mowers as can do it; None where no division helps.

    Zones that the mower is carried to, and those to which the main wire is led, stay with the first mower; zones apart
    with a dock of their own get a mower of their own.

    Parameters
    ----------
    site, plan
        The parcel, and its plan as far as keep-outs.
    zones, links, served
        As one mower serves them.
    slopes_percent
        Median slope of each zone [percent].
    week
        The mower and its week.
    price_book
        File with the prices by which divisions are compared.
    mowers_max
        Mowers at most.
    """
    own = [[zone for zone in loop if served.zones[zone].supply != "own_source"] for loop in served.loops()]
    own = [[zone for zone in loop if not _is_led(served, zone)] for loop in own]
    groups = [loop for loop in own if loop]
    carried = [zone for zone in served.zones if not any(zone in group for group in groups)]
    if not week.room_h or mowers_max < 2:
        return None
    decided = _Decided(site, plan, zones, links, slopes_percent, week, price_book)
    parts: list[LinkedGround] = []
    cut_m = 0.0
    for group in groups:
        found = decided.division(group, served, mowers_max - len(parts))
        if found is None:
            return None
        parts += found.parts
        cut_m += found.border_m
    numbered = _numbered(zones, links, _home_first(parts, [zones[zone] for zone in carried], decided))
    return None if len(parts) < 2 else replace(numbered, cut_m=cut_m)


def _is_led(served: Served[int], zone: int) -> bool:
    service = served.zones[zone]
    return service.role == "detached" and service.supply == "main_wire"


@dataclass(frozen=True)
class _Decided:
    """What decides about parts of a lawn."""

    site: Site
    plan: Plan
    zones: Mapping[int, Polygon]
    links: Mapping[int, PlacedLink]
    slopes_percent: Mapping[int, float]
    week: MowerWeek
    price_book: str | None

    def division(self, group: Sequence[int], served: Served[int], most: int) -> Division | None:
        """Return the zones of a loop in parts; in one where a mower can do them."""
        ground = self._ground(group, served)
        alone = self.cost(ground)
        if alone is not None:
            return Division((ground,), alone, 0.0)
        if most < 2:
            return None
        least = max(2, ceil(ground.load / self.week.room_h))
        return division(ground, least, most, self.cost, self._rules())

    def cost(self, part: LinkedGround) -> float | None:
        """Return what feeding a part costs, None where one mower can't do it."""
        if self.week.lacks(self._demand(part)):
            return None
        return self._supply_price(part)

    def _ground(self, group: Sequence[int], served: Served[int]) -> LinkedGround:
        pieces = [Piece(zone, self.zones[zone], self._work(zone)) for zone in group]
        ways = [served.zones[zone].reached_by for zone in group]
        links = []
        for way in ways:
            if way is not None and {self.links[way].zone_a, self.links[way].zone_b} <= set(group):
                link = self.links[way]
                ends = Point(link.middle_line.coords[0]), Point(link.middle_line.coords[-1])
                links.append(PieceLink(way, (group.index(link.zone_a), group.index(link.zone_b)), ends))
        return LinkedGround(tuple(pieces), tuple(links))

    def _work(self, zone: int) -> float:
        """Return the hours a week that a square metre takes in a compact part as large as a mower can do [h/m²]."""
        area_m2 = self.zones[zone].area
        whole_h = self._square_hours(zone, area_m2)
        part_m2 = min(area_m2, area_m2 * self.week.room_h / whole_h)
        return self._square_hours(zone, part_m2) / part_m2

    def _square_hours(self, zone: int, area_m2: float) -> float:
        square = ZoneDemand(area_m2, 4 * area_m2**0.5, self.slopes_percent.get(zone, 0.0), 0.0)
        demand = ParcelDemand("", (square,), inf, 0.0)
        return sum(offered_hours(demand, self.week.offer, grass_mowings_week=self.week.mowings_week))

    def _demand(self, part: LinkedGround) -> ParcelDemand:
        mower = self.week.mower
        least_m = min(mower.setback_m.model_dump().values())
        lengths_m = [self.links[link.link].length_m for link in part.links]
        loop_m = sum(ring_m(piece.outline) for piece in part.pieces) + 2 * sum(lengths_m)
        # The dock may stand anywhere along the wire of the first piece: half way around is the farthest.
        away_m = RESERVE * (part.pieces[0].outline.exterior.length / 2 + sum(lengths_m)) if lengths_m else 0.0
        zones = [
            ZoneDemand(
                piece.outline.area,
                piece.outline.length,
                self.slopes_percent.get(piece.zone, 0.0),
                0.0,
                away_m if number else 0.0,
                float(shapely.maximum_inscribed_circle(piece.outline, INSCRIBED_M).length) - least_m,
            )
            for number, piece in enumerate(part.pieces)
        ]
        return ParcelDemand("", tuple(zones), inf, RESERVE * loop_m)

    def _supply_price(self, part: LinkedGround) -> float:
        starts = self.site.geometries("outlets")
        starts = [start for start in starts if self.site.parcel.dwithin(start, 0.5)] or [
            shape for shape in self.site.geometries("buildings") if shape.intersects(self.site.parcel)
        ]
        if not starts:
            return 0.0
        away_m = float(shapely.distance([piece.outline for piece in part.pieces], shapely.union_all(starts)).min())
        reached = away_m <= self.week.mower.supply_cable_max_m
        return away_m * price_book_from(self.price_book).supply_cable_per_m + (0.0 if reached else OUT_OF_REACH)

    def _rules(self) -> CutRules:
        mower = self.week.mower
        bumps = shapely.buffer(self.plan.geometries("keepouts", treatment="bump"), STANDING_CLEAR_M)
        mouths = shapely.buffer([link.middle_line for link in self.links.values()], mower.passage_mow_min_m)
        keep_off: BaseGeometry = shapely.union_all([*bumps, *mouths])
        price = 2 * wire_price(1.0, mower, price_book_from(self.price_book))
        return CutRules(self.week.room_h, mower.passage_mow_min_m, keep_off, max(price, 1e-6))


INSCRIBED_M = 0.1
"""How exactly the place farthest from the wire is found [m]."""


def _home_first(parts: Sequence[LinkedGround], carried: Sequence[Polygon], decided: _Decided) -> Sequence[LinkedGround]:
    """Return parts with that first whose mower has the most hours left where it is carried on, else the largest."""
    return sorted(parts, key=lambda part: part.load if carried else -part.load)


def _numbered(
    zones: Mapping[int, Polygon], links: Mapping[int, PlacedLink], parts: Sequence[LinkedGround]
) -> SharedLawn:
    """Return parts whose pieces have numbers: the largest of a zone its own, others new ones."""
    pieces = [(number, piece) for number, part in enumerate(parts) for piece in part.pieces]
    outlines = with_common_vertices([piece.outline for _, piece in pieces], GRID_M)
    pieces = [(number, replace(piece, outline=o)) for (number, piece), o in zip(pieces, outlines, strict=True)]
    largest: dict[int, Piece] = {}
    for _, piece in sorted(pieces, key=lambda item: item[1].outline.area):
        largest[piece.zone] = piece
    free = max(zones) + 1
    shared, members = dict(zones), [list[int]() for _ in parts]
    of_piece: dict[int, list[int]] = {}
    for part, piece in pieces:
        number = piece.zone
        if largest[piece.zone] is not piece:
            number, free = free, free + 1
        shared[number] = piece.outline
        members[part].append(number)
        of_piece.setdefault(piece.zone, []).append(number)
    moved = {
        number: replace(
            link,
            zone_a=_nearest(shared, of_piece.get(link.zone_a, [link.zone_a]), link.middle_line.coords[0]),
            zone_b=_nearest(shared, of_piece.get(link.zone_b, [link.zone_b]), link.middle_line.coords[-1]),
        )
        for number, link in links.items()
    }
    return SharedLawn(shared, moved, members, 0.0)


def _nearest(zones: Mapping[int, Polygon], numbers: Sequence[int], end: Sequence[float]) -> int:
    return min(numbers, key=lambda number: zones[number].distance(Point(end)))
