"""Crossings over level paving: at one place, or anywhere along the border that two zones share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import geopandas
import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.lawn.narrow import NearCrossing
from lawngis.lawn.shared_border import SharedBorder, shared_border
from lawngis.lawn.widths import ExpectedWidth
from lawngis.lawn.zones import Crossing, crossings
from lawngis.mower import MowerProfile

from ..model.plan import Row
from ..model.site import Site
from .decisions import LAWN, BorderOption, Served, border_option, link_kind
from .laying_hours import Books
from .paving import level_paving, made_as
from .placed_links import PlacedLink, SurfaceDoubt

AS_MAPPED_M = 0.1
"""A border in a plan off by no more is as long as derived: zones of a plan are rounded, and without trunks."""


def crossing_links(
    zones: Sequence[Polygon], paving: geopandas.GeoDataFrame, sd_m: float, mower: MowerProfile
) -> list[PlacedLink]:
    """Return crossings between zones over level paving, each at one place, with `sd_m` as the doubt of their widths."""
    return [
        crossing_link(way, paving, sd_m, mower)
        for way in crossings(
            zones,
            list(paving.geometry),
            length_max_m=mower.crossing_length_max_m,
            transit_width_m=mower.passage_transit_min_m,
        )
    ]


def crossing_link(
    way: Crossing | NearCrossing, paving: geopandas.GeoDataFrame, sd_m: float, mower: MowerProfile
) -> PlacedLink:
    """Return a way over paving as a link, over a surface and with a width of which `sd_m` is the doubt."""
    surface = f"flush {paving['use'].iloc[way.surface] or 'paving'}"
    line, length_m = way.middle_line, float(way.middle_line.length)
    kind = link_kind(way.width_m, surface, mower)
    middle = line.interpolate(0.5, normalized=True)
    likely = ExpectedWidth(way.width_m, sd_m)
    return PlacedLink(way.zone_a, way.zone_b, kind, way.width_m, length_m, sd_m, surface, line, middle, likely)


def along_borders(links: Mapping[int, PlacedLink], served: Served[int]) -> dict[int, PlacedLink]:
    """Return links in which each crossing by which a zone is reached leads all along the border, where that costs less.

    Wider than before it stays the way by which that zone is reached, and no other zone is reached otherwise. Given are
    crossings at one place.
    """
    driven = {service.reached_by for service in served.zones.values()}
    return {
        number: (link.border or link) if number in driven and link.kind == "crossing" else replace(link, if_paved=None)
        for number, link in links.items()
    }


def crossed_at_one_place(
    shown: Mapping[int, PlacedLink],
    links: Mapping[int, PlacedLink],
    mower: MowerProfile,
    books: Books,
) -> dict[int, PlacedLink]:
    """Return links as somebody measured them, those led along a border at one place, with the border as it is then.

    Parameters
    ----------
    shown
        As the maps show them, some of them led along a border.
    links
        As measured.
    mower, books
        By which a border that was measured is chosen or not.
    """
    return {
        number: link if link.at_one_place is None else _crossed_once(shown[number], link, mower, books)
        for number, link in links.items()
    }


def edited_crossing(
    site: Site, row: Row, one: Polygon, other: Polygon, mower: MowerProfile, books: Books
) -> PlacedLink | None:
    """Return a crossing that a plan leads along a border as it crosses at one place, with the border as it is then.

    Parameters
    ----------
    site
        With the paving.
    row
        Of the layer of links, as somebody edited it.
    one, other
        Ground of its zones.
    mower, books
        By which the border is chosen or not.

    Returns
    -------
    PlacedLink or None
        None where nothing between the two zones can be crossed.
    """
    paving = level_paving(site)
    if paving is None:
        return None
    found = crossing_links([one, other], paving, row["width_sd_m"], mower)
    links = with_borders(dict(enumerate(found)), [one, other], paving, mower, books).values()
    once = max(links, key=lambda link: (link.border is not None, link.width_m), default=None)
    if once is None or once.border is None:
        return once
    as_mapped = row["kind"] == once.kind and abs(row["width_m"] - once.border.width_m) <= AS_MAPPED_M
    return (
        once
        if as_mapped
        else _crossed_once(once.border, replace(once.border, kind=row["kind"], width_m=row["width_m"]), mower, books)
    )


def _crossed_once(shown: PlacedLink, link: PlacedLink, mower: MowerProfile, books: Books) -> PlacedLink:
    once, option = shown.at_one_place, shown.along_border
    if once is None or option is None:
        return link
    if link is shown:
        return replace(once, border=shown)
    measured = replace(once, kind=link.kind, measured=True)
    if link.width_m < once.width_m:
        measured = replace(measured, width_m=link.width_m, width_sd_m=link.width_sd_m)
    kept = border_option(link.width_m, option.cut_more_m, mower, books)
    return measured if kept is None else replace(measured, border=replace(link, along_border=kept))


def with_borders(
    links: Mapping[int, PlacedLink],
    zones: Sequence[Polygon],
    paving: geopandas.GeoDataFrame,
    mower: MowerProfile,
    books: Books,
) -> dict[int, PlacedLink]:
    """Return links, with each crossing as it leads all along the border of its zones, if safe and cheaper.

    Where nobody says what the paving is made of, what it would save is told.
    """
    found = dict(links)
    borders: dict[tuple[int, int, bool], SharedBorder | None] = {}
    for number, link in links.items():
        if link.surface == LAWN:
            continue
        for unknown in (False, True):
            key = (link.zone_a, link.zone_b, unknown)
            if key not in borders:
                borders[key] = _border(zones[link.zone_a], zones[link.zone_b], paving, mower, unknown=unknown)
            border = borders[key]
            cut_more_m = 0.0 if border is None else sum(border.ends_m) - 2 * link.length_m
            option = None if border is None else border_option(border.length_m, cut_more_m, mower, books)
            if border is not None and option is not None:
                found[number] = _offered(link, border, option, made_as(paving, "unknown") if unknown else None)
                break
    return found


def _border(
    one: Polygon, other: Polygon, paving: geopandas.GeoDataFrame, mower: MowerProfile, *, unknown: bool
) -> SharedBorder | None:
    free = shapely.union_all([one, other, made_as(paving, *(("paved", "unknown") if unknown else ("paved",)))])
    return shared_border(one, other, free, reach_m=mower.crossing_length_max_m)


def _offered(link: PlacedLink, border: SharedBorder, option: BorderOption, unknown: BaseGeometry | None) -> PlacedLink:
    """Return a crossing with the border that it may lead along, or that it might were an unknown surface paved."""
    if unknown is not None:
        place = shapely.intersection(border.band, unknown).representative_point()
        return replace(link, if_paved=SurfaceDoubt(border.length_m, place, option))
    line = border.across
    along = replace(
        link,
        middle_line=line,
        narrowest=line.interpolate(0.5, normalized=True),
        length_m=float(line.length),
        width_m=border.length_m,
        likely=ExpectedWidth(border.length_m, link.width_sd_m),
        along_border=option,
        at_one_place=link,
    )
    return replace(link, border=along)
