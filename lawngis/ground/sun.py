"""Where the sun stands in the hot hours of the mowing season, the horizon of a place, and its share of shade.

A shadow is a sight line to the sun that the surface cuts, so the marching is that of
:mod:`lawngis.ground.sight`, with its accuracy. Azimuths are clockwise from true north, elevations above the
level plane.
"""

from __future__ import annotations

from calendar import timegm
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from lawngis.arrays import BoolArray, FloatArray, IntArray
from lawngis.errors import ParameterError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import CENTRE_SNAP_CELLS, Grid, values_at
from lawngis.ground.sight import GRAZING, Surface, rises_over

NORTHERN_MONTHS = (4, 5, 6, 7, 8, 9, 10)
"""Mowing season of the northern half of the Earth, April to October; common practice, no source."""

SOUTHERN_MONTHS = (10, 11, 12, 1, 2, 3, 4)
"""Mowing season of the southern half, October to April; common practice, no source."""

HOT_HOURS = (11.0, 17.0)
"""Hot hours in local solar time [h]: the air is warmest some hours past noon; common practice, no source."""

SAMPLE_YEAR = 2025
"""Year from which the days are taken; from one year to another the sun's place differs by 0.3° at most."""

DAY_STEP, HOUR_STEP = 3, 0.25
"""Every so many days [d] and hours [h] the sun is looked at, before neighbours are drawn together."""

HOUR_DEG = 15.0
"""Turn of the Earth in an hour [degrees]."""

SLOT_H, DECLINATION_BANDS = 0.75, 14
"""Positions in one slot of the day [h] and one band of the sun's declination are drawn together."""

DELTA_T_S = 69.0
"""Terrestrial minus universal time [s], as of 2020 to 2026; 1 s moves the sun by 0.00001°."""

HORIZON_REFRACTION_DEG = 0.5667
"""Refraction at sunrise and sunset [degrees], as in Reda and Andreas 2004."""

COVER_MIN_M = 0.5
"""What stands more than this above the eye on all cells around it [m] covers the place: a crown or a roof."""

SHADE_CHUNK_RAYS = 500_000
"""Rays to the sun prepared at once."""


@dataclass(frozen=True, eq=False)
class SunPositions:
    """Places of the sun, each with its share of the time that they stand for; arrays of shape (k,).

    Parameters
    ----------
    azimuth_deg
        Clockwise from true north [degrees].
    elevation_deg
        Above the level plane, with refraction [degrees].
    weight
        Share of the time, adding up to 1.
    """

    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    weight: FloatArray

    def __post_init__(self) -> None:
        columns = [np.asarray(c, dtype=np.float64) for c in (self.azimuth_deg, self.elevation_deg, self.weight)]
        shape = columns[0].shape
        if len(shape) != 1 or shape[0] == 0 or any(column.shape != shape for column in columns):
            raise ParameterError("sun positions need an azimuth, an elevation and a weight each, and be one or more")
        if not all(np.isfinite(column).all() for column in columns) or (columns[2] < 0).any():
            raise ParameterError("sun positions must be finite, and their weights not negative")
        if abs(columns[2].sum() - 1) > 1e-9:
            raise ParameterError(f"the weights of sun positions must add up to 1, not {columns[2].sum():g}")
        for name, column in zip(("azimuth_deg", "elevation_deg", "weight"), columns, strict=True):
            object.__setattr__(self, name, column)


def sun_azimuth_elevation_deg(
    unix_s: ArrayLike,
    latitude_deg: float,
    longitude_deg: float,
    *,
    altitude_m: float = 0.0,
    pressure_hpa: float = 1013.25,
    temperature_c: float = 12.0,
) -> tuple[FloatArray, FloatArray]:
    """Return where the sun stands at given times, by NREL's algorithm as pvlib computes it.

    Parameters
    ----------
    unix_s
        Seconds since 1970-01-01 00:00 UTC, shape (n,) [s].
    latitude_deg, longitude_deg
        Of the place, north and east positive [degrees].
    altitude_m, pressure_hpa, temperature_c
        Of the place and its air, for parallax and refraction [m], [hPa], [°C].

    Returns
    -------
    azimuth_deg, elevation_deg
        Shape (n,) each [degrees]; the elevation is the apparent one, with refraction.

    Raises
    ------
    ParameterError
        When the place is not on the Earth.

    References
    ----------
    I. Reda and A. Andreas, 2004, Solar position algorithm for solar radiation applications, Solar Energy
    76(5), 577-589, doi 10.1016/j.solener.2003.12.003.
    """
    air = (altitude_m, pressure_hpa, temperature_c)
    azimuth, elevation, _ = _spa(unix_s, latitude_deg, longitude_deg, air)
    return azimuth, elevation


def mowing_months(latitude_deg: float) -> tuple[int, ...]:
    """Return the months of the mowing season at a latitude; common practice, no source.

    Examples
    --------
    >>> mowing_months(48.1)
    (4, 5, 6, 7, 8, 9, 10)
    """
    return NORTHERN_MONTHS if latitude_deg >= 0 else SOUTHERN_MONTHS


def hot_hours(
    latitude_deg: float,
    longitude_deg: float,
    *,
    months: tuple[int, ...] | None = None,
    hours: tuple[float, float] = HOT_HOURS,
) -> SunPositions:
    """Return positions of the sun that stand for the hot hours of the mowing season.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Of the place, north and east positive [degrees]. The latitude is rounded to 0.1°, which moves the sun by 0.05°
        at most; the longitude to 15°: half an hour more or less moves it by 0.01° at most, as the hours
        are those of local solar time. So sites of one region share the computation.
    months
        Of the season, 1 to 12; those of :func:`mowing_months` by default.
    hours
        First and last of the day, in local solar time [h].

    Returns
    -------
    SunPositions
        Up to 112 with the usual hours, with the sun above the level plane.

    Raises
    ------
    ParameterError
        When months or hours are impossible, or the sun never rises in them.

    Notes
    -----
    The sun's place is computed every 15 minutes of every third day. Positions in one slot of 45 minutes and one
    of fourteen equally long bands of declination become one position in their mean direction, from which they
    are 5.6° away at most and 2.7° on average, weighted with their number. Spring and late summer, when the sun
    takes the same way, so count together. The share of shade beside a long wall comes out right to 0.03.
    """
    season = tuple(sorted(set(mowing_months(latitude_deg) if months is None else months)))
    if not season or not set(season) <= set(range(1, 13)):
        raise ParameterError(f"months must be numbers from 1 to 12, but are {season}")
    first, last = hours
    if not 0 <= first < last <= 24:
        raise ParameterError(f"hours must run forward within 0 to 24, but are {first:g} to {last:g}")
    longitude = round(float(longitude_deg) / HOUR_DEG) * HOUR_DEG
    return _hot_hours(round(float(latitude_deg), 1), longitude, season, (first, last))


def shade_share(surface: Surface, eyes_xyz: ArrayLike, sun: SunPositions) -> FloatArray:
    """Return the share of the time that places are in shade.

    Parameters
    ----------
    surface
        What can stand in the way, reaching far enough for the longest shadow that counts.
    eyes_xyz
        x, y, elevation, shape (n, 3) [m]; see :func:`lawngis.ground.sight.points_above_ground`.
    sun
        The time, as positions of the sun: :func:`hot_hours`.

    Returns
    -------
    numpy.ndarray
        In 0..1, shape (n,): the weight of positions that are below the horizon of the place. 1 for a covered
        place, NaN outside the surface or without elevation.

    Notes
    -----
    A position of the sun is in shade where :func:`lawngis.ground.sight.steepest_rise` towards it is steeper, which
    explains sampling and accuracy: beside a wall, half a cell of doubt about its edge is much. A 3 m wall 1 m away
    stands 72° high, with cells of 0.5 m between 67° and 76°.
    """
    eyes = np.asarray(eyes_xyz, dtype=np.float64).reshape(-1, 3)
    share = np.full(len(eyes), np.nan)
    known = _known(surface, eyes)
    share[known & _covered(surface, eyes)] = 1.0
    open_places = np.flatnonzero(np.isnan(share) & known)
    size = max(SHADE_CHUNK_RAYS // len(sun.weight), 1)
    for first in range(0, len(open_places), size):
        places = open_places[first : first + size]
        share[places] = _in_shade(surface, eyes[places], sun) @ sun.weight
    return np.clip(share, 0.0, 1.0)


def shade_share_grid(
    surface: Grid,
    ground: Grid,
    frame: MeasuringFrame,
    sun: SunPositions,
    *,
    height_m: float = 0.3,
    mask: ArrayLike | None = None,
) -> Grid:
    """Return the share of the time that each cell of a surface model is in shade, seen from the ground.

    Parameters
    ----------
    surface
        What can stand in the way [m], in any CRS.
    ground
        Bare ground [m], in any CRS; bilinear at the centres of the surface's cells.
    frame
        Of the site.
    sun
        The time, as positions of the sun.
    height_m
        Above the ground at which shade counts [m].
    mask
        Shape of `surface`: cells to compute; all by default.

    Returns
    -------
    Grid
        In 0..1 on the cells of `surface`; NaN outside the mask and where the ground has no data.

    Raises
    ------
    ParameterError
        When the mask has another shape.

    Notes
    -----
    The same as :func:`shade_share` at the cells' centres. As all rays of one position of the sun take the
    same way from cell to cell, whole arrays are shifted and compared instead.
    """
    wanted = np.ones(surface.shape, dtype=bool) if mask is None else np.asarray(mask, dtype=bool)
    if wanted.shape != surface.shape:
        raise ParameterError(f"a mask of shape {wanted.shape} does not fit a grid of shape {surface.shape}")
    shares = np.full(surface.shape, np.nan)
    rows, cols = np.nonzero(wanted)
    if len(rows):
        window = slice(rows.min(), rows.max() + 1), slice(cols.min(), cols.max() + 1)
        placed = Surface.in_frame(surface, frame)
        eyes_m = _ground_at_cells(surface, ground, frame, window) + height_m
        shade = np.zeros(eyes_m.shape)
        for azimuth, elevation, weight in zip(sun.azimuth_deg, sun.elevation_deg, sun.weight, strict=True):
            shade += weight * _cells_in_shade(placed, eyes_m, window, float(azimuth), float(elevation))
        shade[placed.heights_m[window] > eyes_m + COVER_MIN_M] = 1.0
        shares[window] = np.where(wanted[window] & np.isfinite(eyes_m), np.clip(shade, 0.0, 1.0), np.nan)
    return surface.with_values(shares)


def _spa(
    unix_s: ArrayLike, latitude_deg: float, longitude_deg: float, air: tuple[float, float, float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return azimuth, apparent elevation [degrees] and equation of time [min].

    `air` is altitude [m], pressure [hPa] and temperature [°C].
    """
    # pvlib brings a second of loading with it, which only those who ask for the sun should wait for.
    from pvlib import spa

    if not (abs(latitude_deg) <= 90 and abs(longitude_deg) <= 180):
        raise ParameterError(f"{latitude_deg:g}° north, {longitude_deg:g}° east is no place on the Earth")
    times = np.atleast_1d(np.asarray(unix_s, dtype=np.float64))
    table = spa.solar_position(
        times, latitude_deg, longitude_deg, *air, DELTA_T_S, HORIZON_REFRACTION_DEG, numthreads=1
    )
    zenith, _, _, _, azimuth, equation_of_time = np.asarray(table, dtype=np.float64)
    return azimuth, 90 - zenith, equation_of_time


@lru_cache(maxsize=256)
def _hot_hours(
    latitude_deg: float, longitude_deg: float, months: tuple[int, ...], hours: tuple[float, float]
) -> SunPositions:
    noon_s = _solar_noons_s(latitude_deg, longitude_deg, months)
    count = max(round((hours[1] - hours[0]) / HOUR_STEP), 1)
    hour = hours[0] + (np.arange(count) + 0.5) * (hours[1] - hours[0]) / count
    times = (noon_s[:, None] + (hour - 12) * 3600).ravel()
    azimuth, elevation = sun_azimuth_elevation_deg(times, latitude_deg, longitude_deg)

    bands = np.repeat(_declination_bands(noon_s, latitude_deg, longitude_deg), count)
    slots = np.tile(((hour - hours[0]) // SLOT_H).astype(np.int64), len(noon_s))
    up = elevation > 0
    if not up.any():
        raise ParameterError(
            f"the sun never rises at latitude {latitude_deg:g}° in the months and hours chosen",
            advice="Choose other months or hours.",
        )
    return _drawn_together(azimuth[up], elevation[up], (slots * DECLINATION_BANDS + bands)[up])


def _solar_noons_s(latitude_deg: float, longitude_deg: float, months: tuple[int, ...]) -> FloatArray:
    """Return 12 h of local solar time on every third day of some months [s since 1970]."""
    first_day = timegm((SAMPLE_YEAR, 1, 1, 12, 0, 0)) // 86_400
    days = np.datetime64("1970-01-01") + np.arange(first_day, first_day + 365, DAY_STEP)
    month = days.astype("datetime64[M]").astype(np.int64) % 12 + 1
    mean_noon_s = (days[np.isin(month, months)].astype(np.int64) + 0.5 - longitude_deg / 360) * 86_400
    _, _, equation_of_time_min = _spa(mean_noon_s, latitude_deg, longitude_deg, (0.0, 1013.25, 12.0))
    return np.asarray(mean_noon_s - 60 * equation_of_time_min, dtype=np.float64)


def _declination_bands(noon_s: FloatArray, latitude_deg: float, longitude_deg: float) -> IntArray:
    """Return the number of the band of each day, by the declination's rank: the bands are equally long."""
    noon = sun_azimuth_elevation_deg(noon_s, latitude_deg, longitude_deg)
    azimuth, elevation = (np.radians(angle) for angle in noon)
    latitude = np.radians(latitude_deg)
    # Spherical triangle of pole, zenith and sun.
    sine = np.sin(elevation) * np.sin(latitude) + np.cos(elevation) * np.cos(latitude) * np.cos(azimuth)
    rank = np.argsort(np.argsort(sine, kind="stable"), kind="stable")
    return np.asarray(rank * DECLINATION_BANDS // len(rank), dtype=np.int64)


def _drawn_together(azimuth_deg: FloatArray, elevation_deg: FloatArray, group: IntArray) -> SunPositions:
    """Return one position for each group, in the mean of its directions."""
    _, index = np.unique(group, return_inverse=True)
    azimuth, elevation = np.radians(azimuth_deg), np.radians(elevation_deg)
    east, north, up = (
        np.bincount(index, weights=part)
        for part in (
            np.cos(elevation) * np.sin(azimuth),
            np.cos(elevation) * np.cos(azimuth),
            np.sin(elevation),
        )
    )
    return SunPositions(
        np.degrees(np.arctan2(east, north)) % 360,
        np.degrees(np.arctan2(up, np.hypot(east, north))),
        np.bincount(index) / len(index),
    )


def _in_shade(surface: Surface, eyes: FloatArray, sun: SunPositions) -> BoolArray:
    """Return which places, shape (n, 3), are in the shade of which positions, shape (n, k)."""
    shaded = np.ones((len(eyes), len(sun.weight)), dtype=bool)
    # tan(90°) is huge rather than infinite; the sun at or below the level plane does not shine.
    up = np.flatnonzero(sun.elevation_deg > 0)
    slope = np.tan(np.radians(np.minimum(sun.elevation_deg[up], 90.0)))
    shaded[:, up] = rises_over(surface, eyes, sun.azimuth_deg[up], slope)
    return shaded


def _known(surface: Surface, eyes: FloatArray) -> BoolArray:
    return np.asarray(surface.holds(eyes[:, :2]) & np.isfinite(eyes[:, 2]), dtype=bool)


def _covered(surface: Surface, eyes: FloatArray) -> BoolArray:
    """Return which places have something above them on every cell around: one on a centre, else up to four.

    One cell of several is not enough: beside a wall it may be the wall's.
    """
    rows, cols = surface.heights_m.shape
    cells = np.nan_to_num(surface.cells(eyes[:, :2]))
    sides = [
        np.clip(side, 0, [cols - 1, rows - 1]).astype(np.int64)
        for side in (np.floor(cells + CENTRE_SNAP_CELLS), np.ceil(cells - CENTRE_SNAP_CELLS))
    ]
    around = [surface.heights_m[row[:, 1], col[:, 0]] for row in sides for col in sides]
    with np.errstate(invalid="ignore"):
        return np.asarray(np.min(around, axis=0) > eyes[:, 2] + COVER_MIN_M, dtype=bool)


def _ground_at_cells(surface: Grid, ground: Grid, frame: MeasuringFrame, window: tuple[slice, slice]) -> FloatArray:
    if ground.transform == surface.transform and ground.shape == surface.shape and ground.crs == surface.crs:
        return ground.values[window]
    x, y = surface.cell_centres
    at_x, at_y = np.meshgrid(x[window[1]], y[window[0]])
    xy = frame.coordinates_from(surface.crs, np.column_stack([at_x.ravel(), at_y.ravel()]))
    return values_at(ground, frame, xy).reshape(at_x.shape)


def _cells_in_shade(
    surface: Surface,
    eyes_m: FloatArray,
    window: tuple[slice, slice],
    azimuth_deg: float,
    elevation_deg: float,
) -> BoolArray:
    """Return which cells of a window are in the shade of one position of the sun."""
    shaded = np.full(eyes_m.shape, elevation_deg <= 0)
    known = np.isfinite(eyes_m)
    if elevation_deg <= 0 or not known.any():
        return shaded
    slope = np.tan(np.radians(min(elevation_deg, 90.0)))
    angle = np.radians(azimuth_deg)
    col_row = surface.to_cells[:, :2] @ [np.sin(angle), np.cos(angle)]
    step_m = 1 / np.abs(col_row).max()
    highest_m = (surface.heights_m.max() - eyes_m[known].min()) / slope
    for step in range(1, min(int(highest_m / step_m), max(surface.heights_m.shape)) + 1):
        col_shift, row_shift = step * step_m * col_row
        here, height = _shifted(surface.heights_m, window, float(row_shift), float(col_shift))
        shaded[here] |= height > eyes_m[here] + step * step_m * (slope + GRAZING)
    return shaded


def _shifted(
    heights: FloatArray, window: tuple[slice, slice], row_shift: float, col_shift: float
) -> tuple[tuple[slice, slice], FloatArray]:
    """Return the part of a window that has a surface so many cells away, and the heights there.

    One of the two shifts is a whole number; across the other, heights are linear.
    """
    low = [int(np.floor(shift + CENTRE_SNAP_CELLS)) for shift in (row_shift, col_shift)]
    rest = [max(shift - whole, 0.0) for shift, whole in zip((row_shift, col_shift), low, strict=True)]
    across = [int(share > CENTRE_SNAP_CELLS) for share in rest]
    here, there, beside = [], [], []
    for axis, part in enumerate(window):
        first = max(part.start + low[axis], 0)
        last = max(min(part.stop + low[axis], heights.shape[axis] - across[axis]), first)
        here.append(slice(first - low[axis] - part.start, last - low[axis] - part.start))
        there.append(slice(first, last))
        beside.append(slice(first + across[axis], last + across[axis]))
    share = max(rest) if any(across) else 0.0
    height = heights[there[0], there[1]]
    if share:
        height = height + share * (heights[beside[0], beside[1]] - height)
    return (here[0], here[1]), height
