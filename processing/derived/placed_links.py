"""Passages and crossings where they lie, and what may be otherwise of them."""

from __future__ import annotations

from dataclasses import dataclass

from shapely import LineString, Point

from lawngis.lawn.widths import ExpectedWidth

from .decisions import BorderOption, Link


@dataclass(frozen=True)
class SurfaceDoubt:
    """A border of a length [m] that would be driven across were the paving at a place paved, and what that saves."""

    length_m: float
    place: Point
    option: BorderOption


@dataclass(frozen=True)
class PlacedLink(Link[int]):
    """A passage or crossing where it lies.

    Parameters
    ----------
    likely
        Width that it is expected to have, which the narrowest on a map isn't, and how far that may be off [m].
    measured
        Whether somebody measured it.
    along_border
        What driving across all along the border saves, where the mower does that.
    border
        The same led all along the border that its zones share, where that costs less.
    at_one_place
        The same as it crosses at one place, of one that leads along a border.
    if_paved
        Where it would were a surface that nobody told paved.
    """

    width_sd_m: float
    surface: str
    middle_line: LineString
    narrowest: Point
    likely: ExpectedWidth
    measured: bool = False
    along_border: BorderOption | None = None
    border: PlacedLink | None = None
    at_one_place: PlacedLink | None = None
    if_paved: SurfaceDoubt | None = None


@dataclass(frozen=True)
class NearMiss:
    """A place that is no link, and might be one, or a part of no zone, were it a little wider, narrower or shorter.

    Parameters
    ----------
    link
        What it is as the maps show it.
    parts
        Whether a zone comes apart if it is narrower.
    area_m2
        Ground of the place itself [m²].
    """

    link: PlacedLink
    parts: bool
    area_m2: float


@dataclass(frozen=True)
class CrossingDoubt:
    """What decides over a crossing, or a way over paving that is none.

    Parameters
    ----------
    link
        What it is as the maps show it.
    length_m
        Of the shortest way that is wide enough; the length is infinite where that is far too long [m].
    likely
        Length that this way is expected to have, which the shortest on a map isn't, and how far that may be off [m].
    width_m, width_sd_m
        Greatest width free along a way that is short enough [m].
    beyond_m
        How much deeper the way begins in a nook than what still belongs to its zone; None where it begins in none [m].
    """

    link: PlacedLink
    length_m: float
    likely: ExpectedWidth
    width_m: float
    width_sd_m: float
    beyond_m: float | None = None
