"""How fast grass grows through the year, and how often it has to be mown for it."""

from __future__ import annotations

import csv
from math import ceil, pi
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError

WARM_OPTIMUM_C = 31.0
WARM_SPREAD_C = 7.0
COOL_OPTIMUM_C = 20.0
COOL_SPREAD_C = 5.5
"""Optimum and spread of growth of warm- and cool-season grasses [°C]; source in :func:`growth_potential_cool`."""

PEAK_GROWTH_MM_WEEK = 38.0
"""Growth of a lawn of tall fescue well fed, 1.5 inch a week [mm/week]; University of Nebraska-Lincoln, Turf iNfo."""

COLD_C, HOT_C = -60.0, 60.0
"""Monthly means beyond these are slips of the pen, or Fahrenheit [°C]."""

_LATITUDES = (0.0, 20.0, 30.0, 40.0, 50.0, 60.0, 70.0)
_MEAN_C = (27.0, 25.0, 21.0, 14.5, 9.5, 5.0, -3.0)
_SWING_C = (1.0, 4.0, 8.0, 11.0, 9.5, 11.0, 13.0)
_SOUTHERN_SWING = 0.6
"""Mean of the year and half the range of monthly means by latitude [°C], and how much less it is amid the oceans of the
south. Rounded from what towns at such latitudes usually have; our own rule, no source."""

WARM_GRASS_LATITUDE = 35.0
"""Lawns nearer to the equator are taken to be of warm-season grass [degrees]; our own rule, no source."""


def growth_potential_cool(temperature_c: ArrayLike) -> FloatArray:
    """Return the growth of cool-season grass as a share of its best, 0 to 1.

    Parameters
    ----------
    temperature_c
        Mean air temperature [°C].

    Notes
    -----
    exp(-½ ((T - T₀) / s)²) with T₀ = 20 °C, s = 5.5 °C (W. Gelernter and L. Stowell, 2005, "Improved overseeding
    programs: the role of weather", Golf Course Management), in the Celsius form; the Fahrenheit form with rounded
    constants differs by up to 0.01.
    """
    return _growth_potential(temperature_c, COOL_OPTIMUM_C, COOL_SPREAD_C)


def growth_potential_warm(temperature_c: ArrayLike) -> FloatArray:
    """Return the growth of warm-season grass as a share of its best, 0 to 1.

    As :func:`growth_potential_cool` with T₀ = 31 °C, s = 7 °C; the form that falls again above the optimum.
    """
    return _growth_potential(temperature_c, WARM_OPTIMUM_C, WARM_SPREAD_C)


def mow_interval_days(cut_height_mm: ArrayLike, growth_mm_day: ArrayLike) -> FloatArray:
    """Return the days after which grass has to be mown again by the one-third rule.

    Parameters
    ----------
    cut_height_mm
        Height of the cut [mm].
    growth_mm_day
        Growth [mm/day]; where there is none, the interval is inf.

    Notes
    -----
    Never more than a third is taken off, so grass cut to H is mown at 1.5 H: interval = (H / 2) / growth. A custom of
    the trade rather than a law.

    Examples
    --------
    >>> float(mow_interval_days(40.0, 5.0))
    4.0
    """
    height = np.asarray(cut_height_mm, dtype=np.float64)
    growth = _not_negative("growth", growth_mm_day)
    if not np.all(height > 0):
        raise ParameterError(f"the cut height {cut_height_mm!r} mm is not above zero")
    height, growth = np.broadcast_arrays(height, growth)
    return np.asarray(np.divide(height / 2, growth, out=np.full(height.shape, np.inf), where=growth > 0))


def one_third_heights_mm(cut_height_mm: float, *, steps: int, grid_mm: float = 1.0) -> list[float]:
    """Return the height of the cut, and from which heights it is reached in one cut, two and so on [mm].

    Parameters
    ----------
    cut_height_mm
        Height of the cut that is wanted [mm].
    steps
        How many cuts at most.
    grid_mm
        Heights are multiples of this: the cut is rounded up, what stands is rounded down [mm].

    Returns
    -------
    list of float
        Rising, `steps` + 1 of them: grass of each height may be cut to the one before.

    Raises
    ------
    ParameterError
        When the cut height or the grid is not above 0.

    Notes
    -----
    Never more than a third is taken off, so what is cut to H stands 1.5 H at most. A custom of the trade rather than a
    law. What grows in between isn't counted.

    Examples
    --------
    >>> one_third_heights_mm(40, steps=2)
    [40.0, 60.0, 90.0]
    """
    if not (cut_height_mm > 0 and grid_mm > 0):
        raise ParameterError("cut_height_mm and grid_mm must be above 0 mm")
    counts = [ceil(cut_height_mm / grid_mm - 1e-9)]
    for _ in range(steps):
        counts.append(counts[-1] * 3 // 2)
    return [count * float(grid_mm) for count in counts]


def assumed_temperatures_c(latitude_deg: float) -> FloatArray:
    """Return monthly mean temperatures to start from where nobody gives any, January first, shape (12,) [°C].

    Parameters
    ----------
    latitude_deg
        North is positive [degrees].

    Notes
    -----
    A cosine through the year about a mean by latitude, warmest in July in the north and in January in the south. Our
    own rule, no source: good for a first plan, some 4 °C off by the sea or up a mountain.

    Examples
    --------
    >>> assumed_temperatures_c(50.0).round(1).tolist()[::6]
    [0.0, 19.0]
    """
    if not -90 <= latitude_deg <= 90:
        raise ParameterError(f"a latitude of {latitude_deg} degrees is not from -90 to 90")
    mean = np.interp(abs(latitude_deg), _LATITUDES, _MEAN_C)
    swing = np.interp(abs(latitude_deg), _LATITUDES, _SWING_C)
    season = np.cos(2 * pi * (np.arange(12) - 6) / 12)
    return np.asarray(mean + (swing if latitude_deg >= 0 else -_SOUTHERN_SWING * swing) * season)


def temperatures_from(text: str) -> FloatArray:
    """Return monthly mean temperatures from twelve numbers, or from a CSV file, shape (12,) [°C].

    Parameters
    ----------
    text
        Twelve numbers, January first, with commas or blanks between them; or the path of a CSV file with the columns
        `month` (1 to 12) and `temperature_c`.

    Raises
    ------
    ParameterError
        When there are not twelve believable numbers, or the file can't be read.
    """
    path = Path(text.strip())
    values = _temperatures_in(path) if path.suffix.lower() == ".csv" else _numbers(text)
    if len(values) != 12:
        raise ParameterError(
            f"{len(values)} monthly temperatures were given, not twelve",
            where=text if path.suffix.lower() == ".csv" else "",
            advice="Give the means of January to December in °C.",
        )
    months = np.asarray(values)
    if not np.all((months >= COLD_C) & (months <= HOT_C)):
        raise ParameterError(f"monthly temperatures in °C lie between {COLD_C:g} and {HOT_C:g}, not {values}")
    return months


def mowings_week_by_month(growth_share: ArrayLike, *, cut_height_mm: float, peak_growth_mm_week: float) -> FloatArray:
    """Return how often a week the one-third rule asks to mow, month by month.

    Parameters
    ----------
    growth_share
        Growth as a share of its best, from :func:`growth_potential_cool` or :func:`growth_potential_warm`.
    cut_height_mm
        Height of the cut [mm].
    peak_growth_mm_week
        Growth at its best [mm/week].
    """
    daily = np.asarray(growth_share, dtype=np.float64) * peak_growth_mm_week / 7
    return np.asarray(7 / mow_interval_days(cut_height_mm, daily))


def _temperatures_in(path: Path) -> list[float]:
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = {int(row["month"]): float(row["temperature_c"]) for row in csv.DictReader(file)}
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ParameterError(f"the temperatures can't be read ({error})", where=str(path)) from error
    except (KeyError, TypeError, ValueError) as error:
        raise ParameterError(
            "the temperatures are not a month and a number in each row",
            where=str(path),
            advice="The file needs the columns month (1 to 12) and temperature_c.",
        ) from error
    return [rows[month] for month in sorted(rows) if 1 <= month <= 12]


def _numbers(text: str) -> list[float]:
    try:
        return [float(word) for word in text.replace(",", " ").replace(";", " ").split()]
    except ValueError as error:
        raise ParameterError(
            f"monthly temperatures are twelve numbers, not {text!r}",
            advice="Write 12 numbers in °C with commas between them, or the path of a CSV file.",
        ) from error


def _growth_potential(temperature_c: ArrayLike, optimum_c: float, spread_c: float) -> FloatArray:
    offset = (np.asarray(temperature_c, dtype=np.float64) - optimum_c) / spread_c
    return np.asarray(np.exp(-0.5 * offset**2))


def _not_negative(name: str, values: ArrayLike) -> FloatArray:
    numbers = np.asarray(values, dtype=np.float64)
    if not np.all((numbers >= 0) & np.isfinite(numbers)):
        raise ParameterError(f"{name} must be finite and not negative, not {values!r}")
    return numbers
