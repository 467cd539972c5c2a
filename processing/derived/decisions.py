"""What is decided about passages, zones and edges: each rule once, for what was derived, measured or edited."""

from __future__ import annotations

from collections.abc import Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Generic, TypeVar

from shapely import LineString, Polygon

from lawngis.lawn.drops import drop_setback_m
from lawngis.lawn.zones import zone_groups
from lawngis.mower import MowerProfile

from ..model.catalogue import Said, sentences
from ..model.plan import Finding, Row
from ..model.site import Site
from .detached_supply import SupplyOptions, detached_offers, wire_price
from .drops import drop_beyond
from .laying_hours import Books
from .plan_cost import ONE_PLACE_M, laying_price

Key = TypeVar("Key", bound=Hashable)
"""How zones and links are called: by number while a plan is made, by name in a plan that is there."""

LAWN = "lawn"
"""Surface of a passage that leads over lawn; any other is paving."""

LINK_CODES = frozenset({"crossing", "passage-blocked"})
ZONE_CODES = frozenset({"zone-detached", "zone-unreachable"})
"""Codes of the findings that say what was decided."""


# --- passages and edges ----------------------------------------------------------------------------------


def link_kind(width_m: float, surface: str, mower: MowerProfile) -> str:
    """Return what the mower does in a passage: nothing, cross paving, drive through, or mow it.

    Parameters
    ----------
    width_m
        At its narrowest, edge to edge [m].
    surface
        What it leads over.
    mower
        Whose widths decide.
    """
    if width_m < mower.passage_transit_min_m:
        return "blocked"
    if surface != LAWN:
        return "crossing"
    return "open" if width_m >= mower.passage_mow_min_m else "transit"


@dataclass(frozen=True)
class BorderOption:
    """What driving across paving all along a border takes less than crossing it at one place.

    Parameters
    ----------
    cut_more_m
        Cuts that are longer than at one place [m].
    wire_less_m
        Wire that needn't be laid [m].
    material
        Price of that wire, less that of longer cuts.
    saves
        That, and the hours of laying at their price: what a plan costs less as a whole.
    """

    cut_more_m: float
    wire_less_m: float
    material: float
    saves: float


def border_option(length_m: float, cut_more_m: float, mower: MowerProfile, books: Books) -> BorderOption | None:
    """Return what driving across all along a shared border saves; None where one crossing costs as little.

    Either way each of two wires has its cut. At one place they run side by side; at the ends of a border each is a
    place of work of its own.

    Parameters
    ----------
    length_m
        Of the border that two lawns share over flush, paved ground [m].
    cut_more_m
        Cuts at its ends that are longer than two at one place [m].
    mower
        Who must fit between the two ends.
    books
        Prices of wire, pegs and cuts, and what hours cost.
    """
    if length_m < mower.passage_transit_min_m:
        return None
    less_m = 2 * (length_m - mower.passage_wire_gap_m) - cut_more_m
    prices = books.prices
    material = wire_price(less_m, mower, prices) - cut_more_m * prices.saw_cut_per_m
    saves = material + laying_price(books.labour, wire_m=less_m, crossings=-int(length_m > ONE_PLACE_M))
    return BorderOption(cut_more_m, less_m, material, saves) if saves > 0 else None


def leads_along_border(link: Row) -> bool:
    """Return whether the mower crosses all along a border, given a row of links; older plans don't tell of that."""
    return bool(link.get("along_border") == 1)


def least_setback_m(edge_class: str, mower: MowerProfile) -> float:
    """Return how far the wire keeps at least from any edge of a class [m]."""
    return float(getattr(mower.setback_m, edge_class))


def setback_m(site: Site, edge_class: str, edge: LineString, mower: MowerProfile) -> float:
    """Return how far the wire keeps from an edge of a class, above a drop by what the site tells of that [m]."""
    least_m = least_setback_m(edge_class, mower)
    if edge_class != "drop":
        return least_m
    drop = drop_beyond(site, edge)
    return drop_setback_m(least_m, fall_m=drop.fall_m, edge_sd_m=drop.edge_sd_m)


# --- which zones are reached, and what feeds them -------------------------------------------------------


@dataclass(frozen=True)
class Link(Generic[Key]):
    """What links two zones, as far as decisions hang on it; lengths in metres."""

    zone_a: Key
    zone_b: Key
    kind: str
    width_m: float
    length_m: float


@dataclass(frozen=True)
class Service(Generic[Key]):
    """What becomes of a zone that gets a wire.

    Parameters
    ----------
    role
        home, linked or detached.
    supply, why
        What feeds it, and why that.
    reached_by
        The link by which the mower comes; None where it sets out or is carried to.
    loop
        Number of the loop: 1 is the main wire's.
    mower_no
        Number of the mower that mows it.
    """

    role: str
    supply: str
    why: str
    reached_by: Key | None
    loop: int
    mower_no: int = 1


@dataclass(frozen=True)
class Served(Generic[Key]):
    """All zones that get a wire, in the order given, and what was offered to each group of detached ones."""

    zones: Mapping[Key, Service[Key]]
    groups: Sequence[tuple[Sequence[Key], SupplyOptions]] = ()

    def loops(self) -> list[list[Key]]:
        """Return the zones of each loop, the main wire's first."""
        count = max((service.loop for service in self.zones.values()), default=0)
        return [
            [zone for zone, service in self.zones.items() if service.loop == number] for number in range(1, count + 1)
        ]


def served_zones(
    site: Site,
    zones: Mapping[Key, Polygon],
    links: Mapping[Key, Link[Key]],
    mower: MowerProfile,
    price_book: str | None,
    *,
    home: Key | None = None,
    shared: Sequence[Collection[Key]] = (),
    own_mowers: bool = False,
) -> Served[Key]:
    """Return which zones the mower reaches, and how each of the others is fed, if any supply that is offered serves.

    Parameters
    ----------
    site
        The parcel, over which leads may run.
    zones
        Their ground; what may be bumped and what is out of signal is part of it.
    links
        Between them; those to other zones are passed over.
    mower
        Profile.
    price_book
        File with the prices by which supplies are compared.
    home
        Home zone; the largest when absent.
    shared
        Zones that have a mower each, where one can't do them all; that of the home zone is the first.
    own_mowers
        Zones apart with a dock of their own have a mower of their own.
    """
    part_of = {zone: number for number, part in enumerate(shared) for zone in part}
    driven = {
        way: (link.zone_a, link.zone_b, link.width_m)
        for way, link in links.items()
        if link.kind != "blocked"
        and {link.zone_a, link.zone_b} <= zones.keys()
        and part_of.get(link.zone_a) == part_of.get(link.zone_b)
    }
    all_groups = zone_groups({name: zone.area for name, zone in zones.items()}, driven, home=home)
    groups = all_groups[:1] + [group for group in all_groups[1:] if not part_of.keys() & group.keys()]
    lengths_m = {way: links[way].length_m for way in driven}
    offers = detached_offers(site, zones, groups, lengths_m, mower, price_book)
    found: dict[Key, Service[Key]] = {}
    by_itself = _why(("supply-reason", {"case": "driven"}))
    for zone, way in groups[0].items() if groups else ():
        at_home: Service[Key] = Service("home", "own_dock", _why(("supply-reason", {"case": "home"})), None, 1)
        found[zone] = at_home if way is None else Service("linked", "main_wire", by_itself, way, 1)
    loops = mowers = 1
    shares = _why(("supply-reason", {"case": "shared"}))
    for group in all_groups[1:]:
        if part_of.keys() & group.keys():
            loops, mowers = loops + 1, mowers + 1
            for zone, way in group.items():
                alone: Service[Key] = Service("home", "own_dock", shares, None, loops, mowers)
                found[zone] = alone if way is None else Service("linked", "main_wire", by_itself, way, loops, mowers)
    for group, offer in zip(groups[1:], offers, strict=True):
        best = offer.chosen
        if best is not None:
            loops += best.supply != "main_wire"
            loop = 1 if best.supply == "main_wire" else loops
            mowers += own_mowers and best.supply == "own_dock"
            mower_no = mowers if own_mowers and best.supply == "own_dock" else 1
            for zone, way in group.items():
                why = best.why if way is None else ("supply-reason", {"case": "driven_once_carried"})
                found[zone] = Service("detached", best.supply, _why(why), way, loop, mower_no)
    served = {name: found[name] for name in zones if name in found}
    return Served(served, [(list(group), offer) for group, offer in zip(groups[1:], offers, strict=True)])


def _why(reason: Said) -> str:
    """Return a reason in words, as the layer of zones has it."""
    code, values = reason
    return sentences().said("part", code, "text", values)


# --- what is said of it ----------------------------------------------------------------------------------


def supply_findings(served: Served[Key], zones: Mapping[Key, Polygon], names: Mapping[Key, str]) -> list[Finding]:
    """Return for each group of detached zones what feeds it, or that nothing does; `names` as a plan calls them."""
    findings = []
    for group, offer in served.groups:
        place = zones[group[0]].representative_point()
        if offer.chosen is None:
            area = sum(zones[zone].area for zone in group)
            values = {"area_m2": area, "options": offer.parts}
            findings.append(Finding("caution", "zone-unreachable", values, place))
        else:
            who = {"zone_ids": [names[zone] for zone in group], "zones": len(group)}
            findings.append(Finding("info", "zone-detached", {**who, "options": offer.parts}, place))
    return findings


def link_findings(links: Sequence[Row], mower: MowerProfile) -> list[Finding]:
    """Return what has to be said of links, given as rows of that layer."""
    findings = []
    for link in links:
        middle = link["geometry"].interpolate(0.5, normalized=True)
        between = {"zone_ids": [link["zone_a"], link["zone_b"]]}
        if link["kind"] == "crossing":
            case = "border" if leads_along_border(link) else "place"
            told = {"surface": link["surface"], "length_m": link["length_m"]}
            saved = {name: link[name] for name in ("width_m", "border_saves", "currency")} if case == "border" else {}
            crossed = {"case": case, **between, **told, **saved}
            findings.append(Finding("caution", "crossing", crossed, middle))
        if link["kind"] == "blocked":
            missing_m = ceil(round(100 * (mower.passage_transit_min_m - link["width_m"]), 3)) / 100
            case = "narrow" if link["width_m"] < mower.passage_transit_min_m else "closed"
            blocked = {"case": case, **between, "width_m": link["width_m"], "missing_m": missing_m}
            findings.append(Finding("info", "passage-blocked", blocked, middle))
    return findings
