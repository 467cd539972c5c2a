"""Links of an edited plan that lead along a border: where the mower still crosses along it, else at one place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from shapely import Polygon

from lawngis.mower import MowerProfile

from ..derived.border_crossings import edited_crossing
from ..derived.decisions import Link, Served, leads_along_border
from ..derived.laying_hours import Books
from ..derived.placed_links import PlacedLink
from ..model.plan import Row
from ..model.site import Site


def crossed_anew(
    site: Site, links: Sequence[Row], ground: Mapping[str, Polygon], mower: MowerProfile, books: Books
) -> dict[str, PlacedLink | None]:
    """Return by name the links that lead along a border as they cross at one place, each with its border as it is now.

    Parameters
    ----------
    site
        With the paving.
    links
        Rows of the layer, some of them edited.
    ground
        Of the zones, by name.
    mower, books
        By which a border is chosen or not.
    """
    return {
        link["link_id"]: edited_crossing(site, link, ground[link["zone_a"]], ground[link["zone_b"]], mower, books)
        for link in links
        if leads_along_border(link)
    }


def links_as_crossed(links: Sequence[Row], crossed: Mapping[str, PlacedLink | None]) -> dict[str, Link[str]]:
    """Return links by name, as decisions take them: no border is wider than its crossing while ways are compared."""
    found = {}
    for link in links:
        once = crossed.get(link["link_id"])
        width_m = link["width_m"] if once is None else once.width_m
        found[link["link_id"]] = Link(link["zone_a"], link["zone_b"], link["kind"], width_m, link["length_m"])
    return found


def lead_anew(
    site: Site, links: Sequence[dict[str, Any]], crossed: Mapping[str, PlacedLink | None], served: Served[str]
) -> None:
    """Lead links along their border only where the mower comes by them and that pays as it is now; else at one place.

    Parameters
    ----------
    site
        In whose CRS the narrowest place is told.
    links
        Rows of the layer, which are changed.
    crossed
        From :func:`crossed_anew`.
    served
        Zones that get a wire, and by which links they are reached.
    """
    driven = {service.reached_by for service in served.zones.values()}
    for link in links:
        name = link["link_id"]
        if name in crossed:
            _lead(site, link, crossed[name], along=name in driven and link["kind"] == "crossing")


def _lead(site: Site, link: dict[str, Any], crossed: PlacedLink | None, *, along: bool) -> None:
    border = crossed.border if crossed is not None and along else None
    if border is not None and border.along_border is not None:
        link["border_saves"] = border.along_border.saves
        return
    link |= {"along_border": False, "border_saves": None, "currency": None}
    if crossed is not None:
        x, y = site.frame.coordinates_in(site.frame.source, [[crossed.narrowest.x, crossed.narrowest.y]])[0]
        link |= {"width_m": crossed.width_m, "length_m": crossed.length_m, "geometry": crossed.middle_line}
        link |= {"narrowest_x": float(x), "narrowest_y": float(y)}
