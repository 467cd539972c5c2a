"""Slopes that somebody measured: for which ground each holds, what is still to be measured there, and what follows.

A slope that is read at a point tells of the piece of ground that it was taken on, and of no other. Pieces are what the
terrain model can't decide on, and what it calls too steep; anywhere else a reading holds as far as :data:`REACH_M`.
Gentler than the map, a piece counts only when one reading was taken for every started :data:`READING_AREA_M2`, at its
steepest places, and then with the steepest of them. Steeper than the map counts at once around its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil, hypot, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import MultiPolygon, Point, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.geometry.polygons import polygon_parts, polygonal
from lawngis.ground.mower_slope import MowerSlope
from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.steep import SIMPLIFY_M
from lawngis.ground.zonal import zonal_cells
from lawngis.mower import MowerProfile

from ..model.facts import Fact
from ..model.plan import Finding, Plan, Row
from ..model.site import Site
from .matching import SURE_SDS
from .slope import SlopeParameters, doubtful_ground, mapped_slope, slope_under_wheels, steep_ground

READING_AREA_M2 = 10.0
"""Ground that one reading stands for [m²]."""

READING_SD_PERCENT = 2.0
"""Standard deviation of a slope read with a level on a board as long as the mower [percent]: a centimetre of grass
under half a metre of board. Common practice, no source."""

REACH_M = 1.5
"""A slope measured at a point holds this far around it where the terrain model sees no piece of steep or doubtful
ground; a steeper one holds as far within such a piece; and a place that was asked for counts as measured this near."""

SAME_PERCENT = 1e-6
"""Slopes that differ by no more than rounding [percent]."""

RULE_AREA_MIN_M2 = 1.0
"""The smallest connected piece of ground that is too steep to lie in a zone [m²]: rule 12 of the plan contract."""


@dataclass(frozen=True)
class Doubt:
    """How sure the slope of a piece of ground is against the limit that decides on it.

    Parameters
    ----------
    limit_percent
        The limit.
    mean_percent, sd_percent
        Mean slope by the terrain model of its less sure side, what is steeper than the limit or what isn't, and the
        standard deviation of that mean.
    flip_probability
        Chance that it lies beyond the limit.
    """

    limit_percent: float
    mean_percent: float
    sd_percent: float
    flip_probability: float


@dataclass(frozen=True, eq=False)
class Piece:
    """A piece of ground whose slope is decided as one, and the readings that were taken on it.

    Parameters
    ----------
    ground
        Its outline, on the lawn [m].
    mean_percent, sd_percent
        Mean slope of the terrain model and mean of the standard deviation of one place; None where it says nothing.
    asked
        Places where a reading is wanted, the steepest first [m].
    readings
        Taken there.
    doubt
        Of ground that is in doubt by the map: how much, and at which limit.
    """

    ground: Polygon | MultiPolygon
    mean_percent: float | None
    sd_percent: float | None
    asked: tuple[Point, ...] = ()
    readings: tuple[Fact[float], ...] = ()
    doubt: Doubt | None = None

    @property
    def gentle(self) -> bool:
        """Whether ground in doubt is gentle on the whole by the map; at the limit itself it is taken for steep."""
        if self.doubt is None or self.mean_percent is None:
            return False
        return self.mean_percent < self.doubt.limit_percent - SAME_PERCENT

    @property
    def far(self) -> list[Fact[float]]:
        """Readings that the terrain model contradicts."""
        return [fact for fact in self.readings if contradicted(fact.value, self.mean_percent, self.sd_percent)]

    @property
    def unconfirmed(self) -> list[Fact[float]]:
        """Readings that the terrain model contradicts and no second reading confirms."""
        return [fact for fact in self.far if not any(confirms(other, fact) for other in self.readings)]

    @property
    def open_places(self) -> list[Point]:
        """Places that were asked for and where no reading that counts was taken yet; each reading stands for one."""
        left = list(self.asked)
        for fact in self.readings:
            if fact in self.unconfirmed or fact.place is None or not left:
                continue
            nearest = min(left, key=fact.place.distance)
            if nearest.dwithin(fact.place, REACH_M):
                left.remove(nearest)
        return left

    @property
    def settled_percent(self) -> float | None:
        """Slope that the piece has by its readings, the steepest of them; None while one is missing or unconfirmed.

        A steep place on ground that is gentle by the map tells of itself alone.
        """
        if not self.readings or self.unconfirmed or self.open_places:
            return None
        steepest = max(fact.value for fact in self.readings)
        if self.doubt is not None and self.gentle and steepest > self.doubt.limit_percent:
            return None
        return steepest


# --- what decides ----------------------------------------------------------------------------------------


def readings_needed(area_m2: float) -> int:
    """Return how many readings a piece of ground takes: one for every started :data:`READING_AREA_M2`."""
    return max(1, ceil(area_m2 / READING_AREA_M2))


def contradicted(percent: float, mean_percent: float | None, sd_percent: float | None) -> bool:
    """Return whether a reading is too far from a terrain model for both to be right, by the doubt of the two."""
    if mean_percent is None or sd_percent is None:
        return False
    return abs(percent - mean_percent) > SURE_SDS * hypot(READING_SD_PERCENT, sd_percent)


def confirms(other: Fact[float], reading: Fact[float]) -> bool:
    """Return whether another reading says the same as one; the same row written twice is no other reading."""
    told = [(fact.value, fact.note, fact.place and fact.place.wkb) for fact in (other, reading)]
    return told[0] != told[1] and abs(other.value - reading.value) <= SURE_SDS * sqrt(2) * READING_SD_PERCENT


# --- pieces and the readings on them ---------------------------------------------------------------------


def slope_pieces(
    site: Site,
    lawn: BaseGeometry,
    mapped: MowerSlope,
    readings: Sequence[Fact[float]],
    mower: MowerProfile,
    parameters: SlopeParameters,
) -> list[Piece]:
    """Return the pieces of lawn that the terrain model can't decide on, and all others that somebody measured.

    Parameters
    ----------
    site
        The parcel.
    lawn
        The lawn [m].
    mapped
        Slope under the mower and its standard deviation as the maps have it [percent].
    readings
        Slopes that somebody measured, each with its place: a point, or the ground that it holds for.
    mower, parameters
        Whose limit decides, and what is worth a look.
    """
    near = [fact for fact in readings if fact.place is not None and fact.place.dwithin(lawn, REACH_M)]
    drawn = list(_drawn(site, mapped, near))
    told = shapely.union_all([piece.ground for piece in drawn if piece.settled_percent is not None])
    rest = shapely.difference(lawn, told)
    points = [fact for fact in near if not shapely.area(fact.place) and not told.intersects(fact.place)]
    known = _doubtful(site, lawn, rest, mapped, mower, parameters)
    if points:
        known += _too_steep(site, rest, mapped, known, mower)
    on: dict[int, list[Fact[float]]] = {}
    free: list[Fact[float]] = []
    for fact in points:
        away_m = [piece.ground.distance(fact.place) for piece in known]
        if min(away_m, default=np.inf) <= REACH_M / 2:
            on.setdefault(int(np.argmin(away_m)), []).append(fact)
        else:
            free.append(fact)
    pieces = [
        replace(
            piece,
            asked=_asked(site, mapped.slope_percent, piece),
            readings=tuple(on.get(number, ())),
        )
        for number, piece in enumerate(known)
        if piece.doubt is not None or number in on
    ]
    return [
        *pieces,
        *_around(site, mapped, free, shapely.union_all([told, *(piece.ground for piece in known)])),
        *drawn,
    ]


def _doubtful(
    site: Site,
    lawn: BaseGeometry,
    rest: BaseGeometry,
    mapped: MowerSlope,
    mower: MowerProfile,
    parameters: SlopeParameters,
) -> list[Piece]:
    return [
        replace(
            _piece(site, mapped, part),
            doubt=Doubt(limit, area.slope_mean_percent, area.sd_percent, area.flip_probability),
        )
        for limit, area in doubtful_ground(site, mapped, lawn, mower, parameters)
        for part in polygon_parts(shapely.intersection(area.polygon, rest))
        if part.area >= parameters.doubt_area_min_m2
    ]


def _too_steep(
    site: Site, lawn: BaseGeometry, mapped: MowerSlope, doubtful: Sequence[Piece], mower: MowerProfile
) -> list[Piece]:
    """Return the pieces that the terrain model calls too steep without a doubt."""
    rest = shapely.difference(lawn, shapely.union_all([piece.ground for piece in doubtful]))
    return [
        _piece(site, mapped, part)
        for area in steep_ground(site, mapped, mower.slope_limit_percent, mower)
        for part in polygon_parts(shapely.intersection(area.polygon, rest))
        if part.area >= mower.steep_area_min_m2
    ]


def _asked(site: Site, slope: Grid, piece: Piece) -> tuple[Point, ...]:
    """Return where the readings of a piece are taken.

    Ground that the map calls gentle takes them for what of it is steeper than the limit: no more can be opened.
    """
    opened_m2 = piece.ground.area
    if piece.doubt is not None and piece.gentle:
        cells = zonal_cells(slope, piece.ground, site.frame)
        steep = slope.values[cells.rows, cells.cols] > piece.doubt.limit_percent
        opened_m2 *= float(cells.weights[steep].sum() / cells.weights.sum())
    return _steepest_places(site, slope, piece.ground, readings_needed(opened_m2))


def _drawn(site: Site, mapped: MowerSlope, readings: Sequence[Fact[float]]) -> Iterator[Piece]:
    """Return grounds that somebody drew with their slopes, each with all readings that were taken on it."""
    for fact in readings:
        if fact.place is not None and fact.place.area > 0:
            ground = polygonal(fact.place)
            on = [other for other in readings if _lies_in(other, ground)]
            piece = _piece(site, mapped, ground)
            yield replace(piece, asked=_asked(site, mapped.slope_percent, piece), readings=tuple(on))


def _lies_in(fact: Fact[float], ground: BaseGeometry) -> bool:
    return fact.place is not None and fact.place.intersects(ground) and not fact.place.touches(ground)


def _around(site: Site, mapped: MowerSlope, readings: Sequence[Fact[float]], others: BaseGeometry) -> Iterator[Piece]:
    """Return the surroundings of readings that were taken on no piece of steep or doubtful ground."""
    for fact in readings:
        reached = around(fact)
        on = [other for other in readings if shapely.dwithin(other.place, fact.place, REACH_M)]
        piece = _piece(site, mapped, polygonal(reached.difference(others)))
        yield replace(piece, asked=(reached.centroid,), readings=tuple(on))


def _piece(site: Site, mapped: MowerSlope, ground: Polygon | MultiPolygon) -> Piece:
    here = _cells_in(site, mapped.slope_percent, ground)
    slope, sd = mapped.slope_percent.values[here], mapped.sd_percent.values[here]
    known = np.isfinite(slope) & np.isfinite(sd)
    if not known.any():
        return Piece(ground, None, None)
    return Piece(ground, float(slope[known].mean()), float(sd[known].mean()))


def _steepest_places(site: Site, slope: Grid, ground: BaseGeometry, count: int) -> tuple[Point, ...]:
    """Return so many places for readings: the steepest, as far apart as what one stands for is wide.

    Where the piece is too small for that they stand closer.
    """
    xy = centres_in(slope, site.frame)
    steepness = np.where(np.isfinite(slope.values), slope.values, -np.inf).ravel()
    inside = np.flatnonzero(shapely.contains_xy(ground, xy[:, 0], xy[:, 1]))
    wanted = min(count, max(1, len(inside)))
    if not len(inside):
        return (ground.representative_point(),)
    order = inside[np.argsort(-steepness[inside], kind="stable")]
    apart_m, found = sqrt(READING_AREA_M2), [order[0]]
    while len(found) < wanted:
        away_m = np.hypot(*(xy[order, None, :] - xy[None, found, :]).transpose(2, 0, 1)).min(axis=1)
        enough = np.flatnonzero(away_m >= apart_m)
        if len(enough):
            found.append(order[enough[0]])
        else:
            apart_m /= 2
    return tuple(Point(x, y) for x, y in xy[found])


def _cells_in(site: Site, grid: Grid, place: BaseGeometry) -> NDArray[np.bool_]:
    xy = centres_in(grid, site.frame)
    return np.asarray(shapely.contains_xy(place, xy[:, 0], xy[:, 1]).reshape(grid.shape))


# --- the slope that follows ------------------------------------------------------------------------------


def with_readings(site: Site, slope: MowerSlope, pieces: Iterable[Piece]) -> MowerSlope:
    """Return slope and its standard deviation as measured, on the ground of the pieces alone.

    A piece that is settled has the steepest of its readings for sure; elsewhere a reading that is steeper than the map
    counts around its place.
    """
    values, sd = slope.slope_percent.values.copy(), slope.sd_percent.values.copy()
    for piece in pieces:
        percent = piece.settled_percent
        told: list[tuple[BaseGeometry, float]] = []
        if percent is None:
            told = [(around(fact).intersection(piece.ground), fact.value) for fact in piece.readings]
        else:
            here = _cells_in(site, slope.slope_percent, piece.ground)
            values[here], sd[here] = percent, 0.0
        for ground, steeper in told:
            raised = _cells_in(site, slope.slope_percent, ground) & ~(values >= steeper)
            values[raised], sd[raised] = steeper, 0.0
    return slope._replace(
        slope_percent=slope.slope_percent.with_values(values), sd_percent=slope.sd_percent.with_values(sd)
    )


def around(fact: Fact[float]) -> BaseGeometry:
    """Return the ground on which a reading counts at once where it is steeper than the map."""
    place = Polygon() if fact.place is None else fact.place
    return place if place.area > 0 else place.buffer(REACH_M)


def zone_slope(site: Site, plan: Plan, lawn: BaseGeometry, mower: MowerProfile) -> Grid:
    """Return the slope [%] that figures of zones are taken from: under the wheels, as measured where somebody did."""
    return _as_measured(site, plan, slope_under_wheels(site, plan, mower), lawn, mower).slope_percent


def measured_slope(site: Site, plan: Plan, lawn: BaseGeometry, mower: MowerProfile) -> MowerSlope:
    """Return the slope under the mower and its standard deviation [percent] by which ground is too steep or not."""
    return _as_measured(site, plan, mapped_slope(site, plan, mower, SlopeParameters()), lawn, mower)


def _as_measured(site: Site, plan: Plan, slope: MowerSlope, lawn: BaseGeometry, mower: MowerProfile) -> MowerSlope:
    if not site.facts.slopes:
        return slope
    parameters = SlopeParameters()
    mapped = mapped_slope(site, plan, mower, parameters)
    return with_readings(site, slope, slope_pieces(site, lawn, mapped, site.facts.slopes, mower, parameters))


def steep_zone_findings(site: Site, plan: Plan, zones: Sequence[Row], mower: MowerProfile) -> list[Finding]:
    """Return a stop for each connected piece of zone that is too steep, whatever was measured elsewhere.

    It has the slope of its own readings where it was measured, else that of the terrain model.
    """
    slope = measured_slope(site, plan, shapely.union_all(plan.geometries("lawn")), mower)
    findings = []
    for area in steep_ground(site, slope, mower.slope_limit_percent, mower):
        for zone in zones:
            for part in polygon_parts(area.polygon.intersection(zone["geometry"]).buffer(-SIMPLIFY_M)):
                mean = _piece(site, slope, part).mean_percent
                if part.area >= RULE_AREA_MIN_M2 and mean is not None and mean > mower.slope_limit_percent:
                    values = {
                        "zone_id": zone["zone_id"],
                        "area_m2": part.area,
                        "slope_percent": mean,
                        "limit_percent": mower.slope_limit_percent,
                    }
                    findings.append(Finding("stop", "rule-12-steep", values, part.representative_point()))
    return findings
