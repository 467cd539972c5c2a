"""Resistance of the wire from the conductor table."""

from __future__ import annotations

from lawngis.errors import ParameterError

SOLID_OR_STRANDED_OHM_PER_KM: dict[float, float] = {
    0.5: 36.0,
    0.75: 24.5,
    1.0: 18.1,
    1.5: 12.1,
    2.5: 7.41,
    4.0: 4.61,
    6.0: 3.08,
    10.0: 1.83,
    16.0: 1.15,
}
"""Highest resistance at 20 °C by section [mm²], plain copper, classes 1 and 2; IEC 60228, tables 1 and 2."""

FLEXIBLE_OHM_PER_KM: dict[float, float] = {
    0.5: 39.0,
    0.75: 26.0,
    1.0: 19.5,
    1.5: 13.3,
    2.5: 7.98,
    4.0: 4.95,
    6.0: 3.30,
    10.0: 1.91,
    16.0: 1.21,
}
"""Highest resistance at 20 °C by section [mm²], plain copper, class 5; IEC 60228, table 3."""

TABLE_COEFFICIENT_PER_K = 0.004
"""Temperature coefficient behind the correction table of IEC 60228 [1/K]; that of copper itself is 0.00393."""

COPPER_COEFFICIENT_PER_K = 0.00393
"""Temperature coefficient of the resistance of annealed copper at 20 °C [1/K]; IEC 60028."""

_TEMPERATURE_RANGE_C = (-60.0, 250.0)


def temperature_factor(temperature_c: float, per_k: float = TABLE_COEFFICIENT_PER_K) -> float:
    """Return resistance at a temperature over resistance at 20 °C.

    Parameters
    ----------
    temperature_c
        Conductor temperature [°C].
    per_k
        Temperature coefficient [1/K]: that of the table, or of copper itself.

    Returns
    -------
    float
        1 + `per_k` (t - 20).

    Raises
    ------
    ParameterError
        When the temperature is no conductor's.

    Notes
    -----
    The correction table of IEC 60228 gives 1 / (1 + 0.004 (t - 20)) to three digits. The physical value for
    annealed copper, (234.5 + t) / 254.5, is 0.1 to 0.4 % lower; the table is kept because the resistances are
    the same standard's.

    Examples
    --------
    >>> round(temperature_factor(60.0), 3)
    1.16
    >>> round(temperature_factor(30.0, COPPER_COEFFICIENT_PER_K), 4)
    1.0393
    """
    low, high = _TEMPERATURE_RANGE_C
    if not low <= temperature_c <= high:
        raise ParameterError(f"temperature {temperature_c} °C is not between {low:g} and {high:g} °C")
    return 1.0 + per_k * (temperature_c - 20.0)


def resistance_ohm(
    length_m: float,
    section_mm2: float,
    temperature_c: float = 20.0,
    *,
    table: dict[float, float] = SOLID_OR_STRANDED_OHM_PER_KM,
) -> float:
    """Return the highest resistance that a length of copper wire may have.

    Parameters
    ----------
    length_m
        Length of the conductor, there and back counted [m].
    section_mm2
        Nominal section [mm²]; one that the table knows, as resistances between sections are nobody's standard.
    temperature_c
        Conductor temperature [°C].
    table
        Resistance at 20 °C by section [ohm/km].

    Returns
    -------
    float
        [ohm]

    Raises
    ------
    ParameterError
        When the section is not in the table, the length is negative, or the temperature is out of range.

    References
    ----------
    IEC 60228, "Conductors of insulated cables".
    """
    if section_mm2 not in table:
        known = ", ".join(f"{section:g}" for section in table)
        raise ParameterError(
            f"section_mm2 {section_mm2:g} is no standard section", advice=f"Known sections are {known} mm²."
        )
    if not length_m >= 0.0:
        raise ParameterError(f"length_m {length_m:g} is not a length")
    return table[section_mm2] * length_m / 1000.0 * temperature_factor(temperature_c)
