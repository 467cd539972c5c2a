"""Where a wire is broken or leaks, from what was measured at one end or both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lawngis.errors import ParameterError
from lawngis.wire.conductors import resistance_ohm

RESISTANCE_SD_SHARE = 0.03
"""Copper wire on sale lies up to some 5 % below the table's highest resistance; ours, no source."""

LAYING_SD_SHARE = 0.01
"""The length in hand is not spread evenly along the wire; ours, no source."""


@dataclass(frozen=True)
class FaultPlace:
    """Place of a fault along the loop: chainage on the ground from its start, and standard deviation [m]."""

    chainage_m: float
    sd_m: float


@dataclass(frozen=True)
class EndReading:
    """Wire up to the fault as measured from one end: its length and standard deviation [m]."""

    wire_m: float
    sd_m: float
    from_end: bool = False


def distance_reading(wire_m: float, *, sd_m: float = 0.5, from_end: bool = False) -> EndReading:
    """Return a reading of an instrument that shows metres of wire.

    Raises
    ------
    ParameterError
        When it is no length.
    """
    if not wire_m >= 0 or not sd_m >= 0:
        raise ParameterError(f"a fault can't be {wire_m:g} ± {sd_m:g} m along the wire")
    return EndReading(float(wire_m), float(sd_m), from_end)


def resistance_reading(
    ohm: float, section_mm2: float, *, temperature_c: float = 20.0, ohm_sd: float = 0.02, from_end: bool = False
) -> EndReading:
    """Return the wire up to the fault by its resistance, one way (leads of the meter and the return taken off).

    Parameters
    ----------
    ohm, ohm_sd
        Measured resistance and the standard deviation of that measurement [ohm].
    section_mm2
        Section of the wire, one of the conductor table.
    temperature_c
        Temperature of the wire [°C].
    from_end
        Measured at the loop's end rather than at its start.

    Raises
    ------
    ParameterError
        When the resistance is negative or the section is not in the table.

    References
    ----------
    IEC 60228, "Conductors of insulated cables", tables 1 and 2.
    """
    if not ohm >= 0 or not ohm_sd >= 0:
        raise ParameterError(f"a resistance can't be {ohm:g} ± {ohm_sd:g} ohm")
    per_m = resistance_ohm(1.0, section_mm2, temperature_c)
    length = ohm / per_m
    return EndReading(length, float(np.hypot(ohm_sd / per_m, RESISTANCE_SD_SHARE * length)), from_end)


def fault_place(readings: list[EndReading], *, length_m: float, slack_share: float = 0.0) -> FaultPlace:
    """Return where along the laid loop a fault is, from readings at one end or both.

    Parameters
    ----------
    readings
        At least one.
    length_m
        Laid length of the loop on the ground [m].
    slack_share
        Wire in hand, as a share of that length; taken to lie evenly along it.

    Returns
    -------
    FaultPlace

    Raises
    ------
    ParameterError
        When there is no reading, one lies beyond the wire, or two contradict each other.

    Notes
    -----
    Readings are weighted by the inverse of their variances. Two that differ by more than three standard deviations
    mean two faults or a wrong reading, and no place is given.

    Examples
    --------
    >>> fault_place([distance_reading(30.0, sd_m=0.0)], length_m=100.0).chainage_m
    30.0
    """
    if not readings:
        raise ParameterError("a fault needs a reading", advice="Measure from either end.")
    at, sd = [], []
    for reading in readings:
        ground, spread = reading.wire_m / (1 + slack_share), reading.sd_m / (1 + slack_share)
        spread = float(np.hypot(spread, LAYING_SD_SHARE * ground))
        if ground > length_m + 3 * spread + 0.5:
            end = "end" if reading.from_end else "start"
            raise ParameterError(
                f"{reading.wire_m:.1f} m of wire from the {end} is beyond the loop of {length_m:.1f} m",
                advice="Check the loop, the wire's section, and whether the reading counts the way back.",
            )
        at.append(length_m - ground if reading.from_end else ground)
        sd.append(max(spread, 0.01))
    places, weights = np.clip(np.array(at), 0.0, length_m), 1 / np.square(sd)
    if len(at) > 1 and np.ptp(places) > 3 * float(np.hypot(*np.sort(sd)[-2:])):
        raise ParameterError(
            f"the readings contradict each other: {', '.join(f'{place:.1f} m' for place in places)} from the start",
            advice="There may be two faults: each reading then tells the one next to its own end.",
        )
    return FaultPlace(float(np.average(places, weights=weights)), float(1 / np.sqrt(weights.sum())))
