"""What stays thin under random paths, from where to set out so that it doesn't, and what else helps.

Built on :mod:`lawngis.mowing.bounce`: a few places along the wire are tried as set-out places, each with some
departures; their shares are then chosen so that the most of the zone is mown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from math import ceil, pi, sqrt

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from shapely import Point, Polygon
from shapely.ops import nearest_points

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.mowing.bounce import Cells, Reach, bounced, reached, turning_ground

CELLS_WANTED = 2500
"""Sample places in a zone: a share is then known to a point or so, and a plan stays quick."""

CELL_MIN_M = 0.1
"""No finer sample places than this [m]."""

SMOOTHING_MIN_M = 0.4
"""Chances of single cells are averaged over at least this far [m]."""

HITS_WANTED = 150
"""And so far that about so many hits count: a chance is then known to a tenth or so."""

NUDGE_M = 0.01
"""Set-out places lie this far inside the ground [m]."""

START_SHARE_MIN = 0.1
"""A set-out place that gets less of the departures than this isn't worth its setting; our own rule, no source."""

START_GAIN_MIN = 0.015
"""Further set-out places are proposed only when they mow so much more of the zone; our own rule, no source."""

CLIMB_ENOUGH = 2e-4
"""Shares of departures are good enough when no others mow more than this share of the zone more."""

NEAR_ISLAND_M = 1.5
"""A thin place this near to an island lies behind it [m]; our own rule, no source."""

NARROW_M = 3.0
"""Ground no wider than this is a narrow end [m]; our own rule, no source."""


@dataclass(frozen=True)
class Effort:
    """What one mowing of a zone takes.

    Parameters
    ----------
    driven_m
        Length driven [m].
    departures
        In how many departures, a charge each at most.
    """

    driven_m: float
    departures: int

    @property
    def departure_m(self) -> float:
        """Length driven in one departure [m]."""
        return self.driven_m / self.departures


@dataclass(frozen=True)
class StartingPoint:
    """A place on the wire from which the mower sets out across the lawn.

    Parameters
    ----------
    along_m
        From where the mower enters the zone, along the zone's outer edge against the clock [m].
    place
        Where it is.
    share
        Share of the departures, 0 to 1.
    """

    along_m: float
    place: Point
    share: float


@dataclass(frozen=True, eq=False)
class Coverage:
    """A simulated mowing of one zone.

    Parameters
    ----------
    ground
        Where the middle of the mower gets to from its entry.
    cells
        Sample places.
    effort
        What one mowing takes.
    starts
        Set-out places proposed, those with a share only.
    reaches
        What departures reach from each place that was tried.
    log_missed
        Logarithm of the chance that one departure from each of them misses each cell, shape (places, cells).
    shares
        Share of the departures from each of those, adding up to 1.
    """

    ground: Polygon
    cells: Cells
    effort: Effort
    starts: tuple[StartingPoint, ...]
    reaches: tuple[Reach, ...]
    log_missed: FloatArray
    shares: FloatArray

    @cached_property
    def chance(self) -> FloatArray:
        """Chance that one mowing reaches each cell, shape (cells,), 0 to 1."""
        return 1 - _missed(self.log_missed, self.shares, self.effort.departures)

    @cached_property
    def entry_chance(self) -> FloatArray:
        """The same when every departure is from the entry."""
        only = np.eye(len(self.reaches))[0]
        return 1 - _missed(self.log_missed, only, self.effort.departures)

    @property
    def share_mown(self) -> float:
        """Share of the zone cut at least once in one mowing, 0 to 1."""
        return float(self.chance.mean())

    def share_after(self, driven_m: ArrayLike) -> FloatArray:
        """Return the share of the zone cut after lengths driven from the entry alone, 0 to 1.

        Whole departures count with the smoothed chance of each cell, the rest as it was driven.
        """
        lengths = np.asarray(driven_m, dtype=np.float64)
        log, first = self.log_missed[0], self.reaches[0].first_m
        shares = []
        for length in lengths.ravel():
            whole, rest_m = divmod(float(length), self.effort.departure_m)
            shares.append(1 - (np.exp(whole * log) * (first >= rest_m).mean(axis=0)).mean())
        return np.asarray(shares).reshape(lengths.shape)


@dataclass(frozen=True, eq=False)
class ThinPlace:
    """A place that one mowing often misses.

    Parameters
    ----------
    place
        A point in it.
    area_m2
        Its area [m²].
    chance
        Mean chance that one mowing reaches it, 0 to 1.
    why
        Where it lies: `behind_island`, in a `narrow_end`, or `far` from where the mower sets out.
    remedy
        `start` (another set-out place mends it) or `hand` (mown by hand).
    start
        The set-out place that mends it, for `start`.
    """

    place: Point
    area_m2: float
    chance: float
    why: str
    remedy: str
    start: Point | None


def mowing_effort(area_m2: float, *, cutting_width_m: float, passes: float, departure_max_m: float) -> Effort:
    """Return what one mowing of a zone takes.

    Parameters
    ----------
    area_m2
        Of the zone [m²].
    cutting_width_m
        Width of the cut [m].
    passes
        How often the area is swept, from :func:`lawngis.mowing.capacity.search_effort`.
    departure_max_m
        What one charge drives [m].
    """
    if not (area_m2 > 0 and cutting_width_m > 0 and passes > 0 and departure_max_m > 0):
        raise ParameterError(
            f"no mowing of {area_m2} m² with a cut of {cutting_width_m} m, {passes} times, {departure_max_m} m a charge"
        )
    driven = area_m2 * passes / cutting_width_m
    return Effort(driven, max(1, ceil(driven / departure_max_m - 1e-9)))


def coverage(
    zone: Polygon, entry: Point, *, cutting_width_m: float, effort: Effort, departures: int = 24, seed: int = 1
) -> Coverage | None:
    """Return a simulated mowing of a zone, with set-out places chosen to even it out.

    Parameters
    ----------
    zone
        Ground to be mown; islands are holes.
    entry
        Where the mower enters: its dock, or the mouth of the passage.
    cutting_width_m
        Width of the cut [m].
    effort
        What one mowing takes, from :func:`mowing_effort`.
    departures
        How many to simulate altogether: more are surer and slower.
    seed
        The same seed gives the same result.

    Returns
    -------
    Coverage or None
        None when the zone has no area, or is narrower than the cut everywhere.
    """
    parts = turning_ground(zone, cutting_width_m=cutting_width_m)
    if not parts:
        return None
    ground = parts[int(np.argmin([part.distance(entry) for part in parts]))]
    size = max(CELL_MIN_M, sqrt(zone.area / CELLS_WANTED))
    cells = Cells.inside(zone, size_m=size)
    if cells.count == 0:
        return None
    along, places = _starts_tried(ground, entry)
    each = max(4, departures // len(places))
    paths = bounced(ground, np.repeat(places, each, axis=0), length_m=effort.departure_m, seed=seed)
    all_reached = reached(paths, cells, cutting_width_m=cutting_width_m)
    reaches = tuple(
        Reach(cells, all_reached.first_m[first : first + each], effort.departure_m)
        for first in range(0, len(places) * each, each)
    )
    log_missed = _log_missed(reaches)
    shares = start_shares(np.exp(log_missed), effort.departures)
    starts = tuple(
        StartingPoint(float(along[k]), Point(places[k]), float(shares[k])) for k in np.flatnonzero(shares > 0)
    )
    return Coverage(ground, cells, effort, starts, reaches, log_missed, shares)


def start_shares(missed: ArrayLike, departures: int) -> FloatArray:
    """Return which share of the departures each set-out place should get, so that the most is mown.

    Parameters
    ----------
    missed
        Chance that a departure from each set-out place misses each cell, shape (starts, cells); the first is the
        entry, which needs no setting.
    departures
        How many there are in one mowing.

    Returns
    -------
    ndarray
        Shape (starts,), adding up to 1. Only the entry when others gain less than :data:`START_GAIN_MIN`; none less
        than :data:`START_SHARE_MIN`.

    Notes
    -----
    The share mown, the mean over cells of 1 - Π missedₖ^(departures × shareₖ), is concave in the shares: multiplying
    each by the exponential of its gradient climbs to the best (J. Kivinen and M. K. Warmuth, 1997, "Exponentiated
    gradient versus gradient descent for linear predictors"). It ends when no other shares can mow :data:`CLIMB_ENOUGH`
    more, which the gradient tells of a concave function.
    """
    logs = np.log(np.clip(np.asarray(missed, dtype=np.float64), 1e-9, 1.0))
    if logs.ndim != 2 or departures < 1:
        raise ParameterError(f"no shares for an array of {logs.ndim} dimensions and {departures} departures")
    entry = np.eye(len(logs))[0]
    slope = _gradient(logs, entry, departures)
    if slope.max() - slope[0] < START_GAIN_MIN:  # concave: no shares gain more than the steepest way up promises
        return entry
    shares = _climbed(logs, departures, np.ones(len(logs)) > 0)
    shares = _climbed(logs, departures, shares >= START_SHARE_MIN)
    gain = _missed(logs, entry, departures).mean() - _missed(logs, shares, departures).mean()
    return shares if gain >= START_GAIN_MIN else entry


def thin_places(
    zone: Polygon,
    mowing: Coverage,
    *,
    cutting_width_m: float,
    chance_min: float = 0.8,
    area_min_m2: float = 1.0,
    most: int = 3,
    departures: int = 12,
    seed: int = 1,
) -> list[ThinPlace]:
    """Return the places that stay thin when every departure is from the entry, largest first, with a remedy each.

    Parameters
    ----------
    zone
        Ground to be mown.
    mowing
        From :func:`coverage`.
    cutting_width_m
        Width of the cut [m].
    chance_min
        A place is thin where one mowing reaches it with less than this chance.
    area_min_m2
        Smaller places are left out [m²].
    most
        Only so many, the largest.
    departures, seed
        To simulate for each place that the set-out places do not mend.
    """
    cells = mowing.cells
    thin = cells.raster(mowing.entry_chance) < chance_min
    label, count = ndimage.label(thin, structure=np.ones((3, 3)))
    number = label[cells.number >= 0]
    areas = np.bincount(number, minlength=count + 1)[1:] * cells.size_m**2
    largest = [int(place) for place in np.argsort(-areas, kind="stable")[:most] if areas[place] >= area_min_m2]
    return [
        _thin_place(zone, mowing, np.flatnonzero(number == place + 1), cutting_width_m, chance_min, departures, seed)
        for place in largest
    ]


def _thin_place(
    zone: Polygon,
    mowing: Coverage,
    own: NDArray[np.int64],
    cutting_width_m: float,
    chance_min: float,
    departures: int,
    seed: int,
) -> ThinPlace:
    xy = mowing.cells.xy[own]
    middle = xy[np.argmin(((xy - xy.mean(axis=0)) ** 2).sum(axis=1))]
    place, area = Point(middle), len(own) * mowing.cells.size_m**2
    chance = float(mowing.entry_chance[own].mean())
    why = _where(zone, xy)
    start: Point | None = None
    if mowing.chance[own].mean() >= chance_min:
        start = min((point.place for point in mowing.starts), key=place.distance)
    elif mowing.ground.distance(place) <= cutting_width_m:
        start = _mending_start(mowing, own, place, cutting_width_m, chance_min, departures, seed)
    return ThinPlace(place, area, chance, why, "hand" if start is None else "start", start)


def _mending_start(
    mowing: Coverage,
    own: NDArray[np.int64],
    place: Point,
    cutting_width_m: float,
    chance_min: float,
    departures: int,
    seed: int,
) -> Point | None:
    """Return the place on the wire next to a thin place if setting out there for a third of the time mends it."""
    ground = mowing.ground
    (at,) = _just_inside(ground, [nearest_points(ground.boundary, place)[0]])
    if at is None:
        return None
    length = mowing.effort.departure_m
    paths = bounced(ground, np.repeat(at, departures, axis=0), length_m=length, seed=seed)
    here = _log_missed([reached(paths, mowing.cells, cutting_width_m=cutting_width_m)])[0]
    logs = np.stack([mowing.log_missed[0], here])
    mown = 1 - _missed(logs[:, own], np.array([2 / 3, 1 / 3]), mowing.effort.departures)
    return Point(at[0]) if mown.mean() >= chance_min else None


def _starts_tried(ground: Polygon, entry: Point) -> tuple[FloatArray, FloatArray]:
    """Return chainages from the entry and places of the set-out places tried: the entry and both thirds."""
    ring = ground.exterior if ground.exterior.is_ccw else ground.exterior.reverse()
    first = ring.project(entry)
    along = np.arange(3) / 3 * ring.length
    on_ring = [ring.interpolate((first + length) % ring.length) for length in along]
    inside = _just_inside(ground, on_ring)
    kept = [k for k, xy in enumerate(inside) if xy is not None]
    if not kept:
        return np.zeros(1), shapely.get_coordinates(ground.representative_point())
    return along[kept], np.concatenate([inside[k] for k in kept])


def _just_inside(ground: Polygon, points: Sequence[Point]) -> list[FloatArray | None]:
    """Return the place nearest to each point that lies clearly inside, shape (1, 2); None in ground all too narrow."""
    inner = ground.buffer(-NUDGE_M)
    if inner.is_empty:
        return [None] * len(points)
    near = [shapely.get_coordinates(nearest_points(inner, point)[0]) for point in points]
    return [xy if shapely.contains_xy(ground, xy).all() else None for xy in near]


def _where(zone: Polygon, xy: FloatArray) -> str:
    points = shapely.points(xy)
    if zone.interiors and shapely.distance(shapely.MultiLineString(list(zone.interiors)), points).min() < NEAR_ISLAND_M:
        return "behind_island"
    if shapely.distance(zone.boundary, points).max() < NARROW_M / 2:
        return "narrow_end"
    return "far"


def _climbed(logs: FloatArray, departures: int, allowed: NDArray[np.bool_], rounds: int = 60) -> FloatArray:
    shares = np.asarray(allowed / allowed.sum())
    for number in range(1, rounds + 1):
        gradient = _gradient(logs, shares, departures)
        steepest = gradient[allowed].max()
        if steepest - shares @ gradient < CLIMB_ENOUGH:
            break
        # Shorter and shorter steps, or it would jump to and fro across the best.
        shares = shares * np.exp((gradient / steepest - 1) / sqrt(number))
        shares /= shares.sum()
    return shares


def _gradient(logs: FloatArray, shares: FloatArray, departures: int) -> FloatArray:
    """Return how the share mown grows with each share of the departures, shape (starts,)."""
    return np.asarray(-departures * (logs @ _missed(logs, shares, departures)) / logs.shape[1])


def _missed(logs: FloatArray, shares: FloatArray, departures: int) -> FloatArray:
    return np.asarray(np.exp(departures * (shares @ logs)))


def _log_missed(reaches: Sequence[Reach]) -> FloatArray:
    """Return the logarithm of the chance that one departure misses each cell, smoothed, shape (starts, cells)."""
    logs = []
    for reach in reaches:
        cells, n = reach.cells, reach.departures
        held = cells.number >= 0
        hits = np.isfinite(reach.first_m).mean(axis=0)
        # A Gaussian of that spread averages over 4 π spread² cells.
        spread = max(SMOOTHING_MIN_M / cells.size_m, sqrt(HITS_WANTED / (4 * pi * n * max(hits.mean(), 0.01))))
        both = np.stack([np.where(held, cells.raster(1 - hits), 0.0), held])
        total, weight = ndimage.gaussian_filter(both, spread, truncate=2.0, axes=(1, 2))
        # What every simulated departure reached may still be missed by another one.
        logs.append(np.log(np.clip((total / np.maximum(weight, 1e-12))[held], 0.5 / (n + 1), 1.0)))
    return np.stack(logs)
