"""Passages and crossings between zones: as the maps show them, and as somebody measured them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from shapely import LineString, MultiPolygon, Point, Polygon

from lawngis.lawn.zones import ZonePartition, crossings, width_sd_m
from lawngis.mower import MowerProfile

from ..model.facts import GONE, Facts
from ..model.plan import Finding, Plan
from ..model.site import Site
from .decisions import LAWN, Link, link_kind
from .matching import SURE_SDS, applied, contradicts, follows, matched
from .outline_accuracy import seen_outlines
from .paving import level_paving

TAPE_SD_M = 0.02
"""Standard deviation of a width measured by tape between two lawn edges. Common practice, no source."""


@dataclass(frozen=True)
class PlacedLink(Link[int]):
    """A passage or crossing where it lies; `measured` says that somebody measured it."""

    width_sd_m: float
    surface: str
    middle_line: LineString
    narrowest: Point
    measured: bool = False


def mapped_links(
    site: Site, plan: Plan, ground: Polygon | MultiPolygon, partition: ZonePartition, mower: MowerProfile
) -> dict[int, PlacedLink]:
    """Return passages and crossings as the maps show them, by number.

    Widths are less sure between outlines that are only seen in an image.
    """
    seen = seen_outlines(site, plan)
    mapped_sd_m = width_sd_m(site.accuracy.position_sd_m)
    links = []
    for passage in partition.passages:
        width_m, narrowest = passage.width_m, passage.narrowest
        sd_m = mapped_sd_m if seen is None else width_sd_m(*seen.passage_sides_sd_m(ground, narrowest, width_m))
        kind = link_kind(width_m, LAWN, mower)
        ends = (passage.zone_a, passage.zone_b)
        links.append(PlacedLink(*ends, kind, width_m, passage.length_m, sd_m, LAWN, passage.middle_line, narrowest))
    flush = level_paving(site)
    if flush is None or not partition.zones:
        return dict(enumerate(links))
    for way in crossings(
        partition.zones,
        list(flush.geometry),
        length_max_m=mower.crossing_length_max_m,
        transit_width_m=mower.passage_transit_min_m,
    ):
        surface = f"flush {flush['use'].iloc[way.surface] or 'paving'}"
        kind = link_kind(way.width_m, surface, mower)
        middle = way.middle_line.interpolate(0.5, normalized=True)
        links.append(
            PlacedLink(
                way.zone_a, way.zone_b, kind, way.width_m, way.length_m, mapped_sd_m, surface, way.middle_line, middle
            )
        )
    return dict(enumerate(links))


def measured_links(
    links: Mapping[int, PlacedLink], names: Mapping[int, str], facts: Facts, mower: MowerProfile
) -> tuple[dict[int, PlacedLink], list[Finding]]:
    """Return links as somebody found them, and what is said of that; a kind that he saw stays whatever the width.

    Parameters
    ----------
    links
        As the maps show them, by number.
    names
        Those that a plan of the maps alone shows, by number.
    facts
        What was measured.
    mower
        Whose widths decide.
    """
    found, findings = dict(links), list[Finding]()
    numbers = list(links)
    features = [(names.get(number, ""), link.middle_line) for number, link in links.items()]
    for fact, index in matched(facts.widths, features, findings):
        number, link = numbers[index], links[numbers[index]]
        name, width_m = names.get(number, "a passage that no plan showed"), fact.value
        findings.append(applied(fact, f"{name} width_m {link.width_m:.2f} → {width_m:.2f}", link.middle_line))
        if abs(width_m - link.width_m) > SURE_SDS * link.width_sd_m:
            said = f"the map says {link.width_m:.2f} ± {link.width_sd_m:.2f} m: the measurement counts"
            text = f"{name}: measured {width_m:.2f} m, but {said}"
            findings.append(contradicts(text, "Check which edges were measured.", link.middle_line))
        kind = link_kind(width_m, link.surface, mower)
        if kind != link.kind:
            text = f"{name} is {kind} by its measured width of {width_m:.2f} m, no longer {link.kind}"
            findings.append(follows(text, link.middle_line))
        found[number] = replace(link, kind=kind, width_m=width_m, width_sd_m=TAPE_SD_M, measured=True)
    for seen, index in matched(facts.passages, features, findings):
        number, link = numbers[index], links[numbers[index]]
        name = names.get(number, "a passage that no plan showed")
        text = f"{name} is gone" if seen.value == GONE else f"{name} kind {link.kind} → {seen.value}"
        findings.append(applied(seen, text, link.middle_line))
        if seen.value == GONE:
            found.pop(number, None)
        elif number in found:
            found[number] = replace(found[number], kind=seen.value, measured=True)
    return found, findings
