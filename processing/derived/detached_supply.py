"""How a zone that the mower can't reach by itself is fed: what each supply takes in wire and price, and the best.

Shared by whatever decides about supplies and by the step that lays the leads.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts
from lawngis.geometry.routes import PricedGround
from lawngis.mower import MowerProfile
from lawngis.mowing.choice import ZoneDemand, one_charge_m2
from lawngis.prices import PriceBook, price_book_from
from lawngis.wire.outlying import LeadTerrain, lead_route

from ..model.catalogue import Said
from ..model.site import Site
from .mower_demands import mower_offer
from .paving import DRIVEN_ON

BED_COST = 2.0
PAVING_COST = 8.0
DRIVE_COST = 16.0
"""What a metre of lead costs to lay, relative to one in lawn; common practice, no source for the numbers."""

SHORTEST_CROSSED_M = 0.02


WIRE_INSET_M = 0.3
"""How far from the edge the wire is taken to lie while supplies are compared: a middling setback."""

Key = TypeVar("Key", bound=Hashable)


@dataclass(frozen=True)
class LeadCrossings:
    """What a lead crosses: surfaces by name with the length over each [m]."""

    over_m: dict[str, float]

    def __add__(self, other: LeadCrossings) -> LeadCrossings:
        """What two leads cross together."""
        names = dict.fromkeys([*self.over_m, *other.over_m])
        return LeadCrossings({name: self.over_m.get(name, 0.0) + other.over_m.get(name, 0.0) for name in names})

    @property
    def saw_cut_m(self) -> float:
        """Length through paving that people walk on [m]."""
        return sum(length for name, length in self.over_m.items() if name not in ("bed", *DRIVEN_ON))

    @property
    def duct_m(self) -> float:
        """Length under paving that cars drive on [m]."""
        return sum(length for name, length in self.over_m.items() if name in DRIVEN_ON)

    @property
    def parts(self) -> list[Said]:
        """What is crossed and how the wire is laid there, as parts of a sentence."""
        if not self.over_m:
            return [("crossed", {"case": "open_ground"})]
        ways = {"bed": "under", **dict.fromkeys(DRIVEN_ON, "duct")}
        return [
            ("crossed", {"case": ways.get(name, "saw_cut"), "surface": name, "length_m": length})
            for name, length in self.over_m.items()
        ]


@dataclass(frozen=True)
class DetachedZone:
    """What decides about a detached zone's supply.

    Parameters
    ----------
    area_m2, perimeter_m
        Its ground, and the length of its edges [m², m].
    ring_m
        Wire around it, islands included [m]; of zones between which the mower drives, all of them.
    lead_m
        One wire of the lead from the main wire; None where none gets there [m].
    crossed
        What that lead crosses.
    main_wire_m
        Wire in the main loop without it [m].
    """

    area_m2: float
    perimeter_m: float
    ring_m: float
    lead_m: float | None
    crossed: LeadCrossings | None
    main_wire_m: float


@dataclass(frozen=True)
class SupplyOption:
    """One supply: its wire [m] and price, what speaks for it, what forbids it if anything, and what a lead crosses."""

    supply: str
    wire_m: float
    price: float
    why: Said
    against: Said | None = None
    crossed: LeadCrossings = LeadCrossings({})


@dataclass(frozen=True)
class SupplyOptions:
    """All supplies of a zone; `chosen` is None when none that is offered serves."""

    options: tuple[SupplyOption, ...]
    chosen: SupplyOption | None
    currency: str

    @property
    def parts(self) -> list[Said]:
        """All supplies with wire, price and reason as parts of a sentence, the chosen one first."""
        ranked = sorted(self.options, key=lambda option: (option is not self.chosen, option.against is not None))
        return [self._part(option) for option in ranked]

    def _part(self, option: SupplyOption) -> Said:
        return "supply-option", {
            "case": "chosen" if option is self.chosen else "refused" if option.against else "served",
            "supply": option.supply,
            "wire_m": option.wire_m,
            "price": option.price,
            "currency": self.currency,
            "reason": option.against or option.why,
        }


def detached_offers(
    site: Site,
    zones: Mapping[Key, Polygon],
    groups: Sequence[Mapping[Key, Key | None]],
    lengths_m: Mapping[Key, float],
    mower: MowerProfile,
    price_book: str | None,
) -> list[SupplyOptions]:
    """Return for each group of detached zones what each supply takes.

    The main wire grows with each group that it is led to.

    Parameters
    ----------
    site
        The parcel, over which leads may run.
    zones
        Their ground.
    groups
        Zones between which the mower drives by itself, each with the link by which it comes; the main wire's first.
    lengths_m
        Of these links [m].
    mower
        Profile.
    price_book
        File with the prices.
    """
    if len(groups) < 2:
        return []
    terrain, prices = lead_terrain(site), price_book_from(price_book)
    inner = {name: ground_in_wire(zone, WIRE_INSET_M) for name, zone in zones.items()}
    laid = [inner[name] for name in zones if name in groups[0]]
    wire_m = sum(ground.length for ground in laid)
    offers: list[SupplyOptions] = []
    for group in groups[1:]:
        others = [inner[name] for name in zones if name not in group and inner[name] not in laid]
        own = [inner[name] for name in group]
        ways = [lead_route(laid, mine, terrain, others=[*others, *(o for o in own if o is not mine)]) for mine in own]
        way = min((way for way in ways if way is not None), key=lambda way: way.cost, default=None)
        passages_m = sum(lengths_m[link] for link in group.values() if link is not None)
        need = DetachedZone(
            area_m2=sum(zones[name].area for name in group),
            perimeter_m=sum(zones[name].length for name in group),
            ring_m=sum(ground.length for ground in own) + 2 * passages_m,
            lead_m=None if way is None else way.line.length,
            crossed=None if way is None else lead_crossings(site, way.line),
            main_wire_m=wire_m,
        )
        offers.append(supply_options(need, mower, prices))
        chosen = offers[-1].chosen
        if chosen is not None and chosen.supply == "main_wire":
            laid += own
            wire_m += chosen.wire_m
    return offers


def ground_in_wire(zone: Polygon, inset_m: float) -> Polygon:
    """Return about the ground inside a zone's wire, before the edges are known."""
    inner = polygon_parts(zone.buffer(-inset_m))
    return max(inner, key=lambda part: part.area) if inner else zone


def supply_options(zone: DetachedZone, mower: MowerProfile, prices: PriceBook) -> SupplyOptions:
    """Return the three supplies of a zone that the mower can't reach by itself, and the cheapest that serves.

    A zone that one charge can't mow needs a dock of its own, as the mower can't get back to charge. Else it is
    carried there, and needs only a signal.
    """
    one_charge = one_charge_m2(ZoneDemand(zone.area_m2, zone.perimeter_m, 0.0, 0.0), mower_offer("", mower))
    size = {"area_m2": zone.area_m2, "charge_m2": one_charge}
    too_large: Said | None = ("supply-reason", {"case": "too_large", **size}) if zone.area_m2 > one_charge else None
    ring = wire_price(zone.ring_m, mower, prices)
    carried = ("supply-reason", {"case": "carried", **size})
    charges: Said = ("supply-reason", {"case": "charges"})
    options = (
        _main_wire(zone, mower, prices, too_large, size),
        SupplyOption("own_source", zone.ring_m, ring + prices.signal_source_each, carried, too_large),
        SupplyOption("own_dock", zone.ring_m, ring + prices.dock_each, too_large or charges),
    )
    offered = tuple(_refused_unless_offered(option, mower) for option in options)
    fit = [option for option in offered if not option.against]
    return SupplyOptions(offered, min(fit, key=lambda option: option.price) if fit else None, prices.currency)


def _refused_unless_offered(option: SupplyOption, mower: MowerProfile) -> SupplyOption:
    if option.against or option.supply in mower.supplies_offered:
        return option
    return replace(option, against=("supply-reason", {"case": "not_offered"}))


def _main_wire(
    zone: DetachedZone, mower: MowerProfile, prices: PriceBook, too_large: Said | None, size: Mapping[str, float]
) -> SupplyOption:
    if zone.lead_m is None or zone.crossed is None:
        wire = wire_price(zone.ring_m, mower, prices)
        carried, no_lead = ("supply-reason", {"case": "carried", **size}), ("supply-reason", {"case": "no_lead"})
        return SupplyOption("main_wire", zone.ring_m, wire, carried, no_lead)
    wire_m = zone.ring_m + 2 * zone.lead_m
    cuts = zone.crossed.saw_cut_m * prices.saw_cut_per_m + zone.crossed.duct_m * prices.duct_per_m
    price = wire_price(wire_m, mower, prices) + cuts
    against = too_large
    if not against and zone.main_wire_m + wire_m > mower.loop_length_max_m:
        against = ("supply-reason", {"case": "too_long", "limit_m": mower.loop_length_max_m})
    why = ("supply-reason", {"case": "led", **size, "lead_m": zone.lead_m, "crossed": zone.crossed.parts})
    return SupplyOption("main_wire", wire_m, price, why, against, zone.crossed)


def wire_price(wire_m: float, mower: MowerProfile, prices: PriceBook) -> float:
    """Return what wire of a length costs, with its slack and pegs."""
    pegs = wire_m / mower.peg_spacing_straight_m
    return wire_m * (1 + mower.wire_slack_percent / 100) * prices.wire_per_m + pegs * prices.peg_each


# --- leads ----------------------------------------------------------------------------------------------


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


def lead_crossings(site: Site, line: BaseGeometry) -> LeadCrossings:
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


def _lengths(line: BaseGeometry, shapes: Sequence[BaseGeometry]) -> list[float]:
    return [float(shapely.length(shapely.intersection(line, shape))) for shape in shapes]
