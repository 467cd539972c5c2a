"""Where a wire is broken or leaks, from what was measured at one end or both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lawngis.arrays import FloatArray
from lawngis.errors import ParameterError
from lawngis.wire.conductors import COPPER_COEFFICIENT_PER_K, resistance_ohm, temperature_factor

RESISTANCE_SD_SHARE = 0.03
"""Copper wire on sale lies up to some 5 % below the table's highest resistance; ours, no source."""

TEMPERATURE_SD_K = 2.0
"""Of a temperature that somebody measured, along a wire in sun and shade; ours, no source."""

UNKNOWN_TEMPERATURE_C, UNKNOWN_TEMPERATURE_SD_K = 20.0, 10.0
"""Of wire in the turf, when nobody measured; ours, no source."""

OHM_SD = 0.02
"""Standard deviation of a resistance as a meter shows it [ohm]; ours, no source."""

LAYING_SD_SHARE = 0.01
"""The length in hand is not spread evenly along the wire; ours, no source."""

CONTRADICTION_SDS = 3.0
"""Readings further apart than so many standard deviations are not of one fault."""


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


@dataclass(frozen=True)
class RatioReading:
    """The fault's place as a share of all wire from its start, and the standard deviation of that."""

    share: float
    sd: float


@dataclass(frozen=True, eq=False)
class LaidLengths:
    """Lengths of the loop's runs as laid, in order, and their standard deviations, both of shape (n,) [m]."""

    length_m: FloatArray
    sd_m: FloatArray

    @property
    def total_m(self) -> float:
        """Length of the whole loop [m]."""
        return float(self.length_m.sum())

    def sds_m(self, at_m: float) -> tuple[float, float]:
        """Return how well the lengths from the start to a place, and from there to the end, are known [m]."""
        ends = np.cumsum(self.length_m)
        share = np.clip((at_m - (ends - self.length_m)) / np.maximum(self.length_m, 1e-9), 0.0, 1.0)
        return float(np.linalg.norm(self.sd_m * share)), float(np.linalg.norm(self.sd_m * (1 - share)))


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
    ohm: float,
    section_mm2: float,
    *,
    temperature_c: float | None = None,
    leads_ohm: float = 0.0,
    ohm_sd: float = OHM_SD,
    from_end: bool = False,
) -> EndReading:
    """Return the wire up to the fault by its resistance, one way (the return taken off).

    Parameters
    ----------
    ohm, ohm_sd
        Measured resistance and the standard deviation of that measurement [ohm].
    section_mm2
        Section of the wire, one of the conductor table.
    temperature_c
        Temperature of the wire [°C]; 20 ± 10 °C when None.
    leads_ohm
        Resistance of the meter's own leads, which is taken off [ohm].
    from_end
        Measured at the loop's end rather than at its start.

    Raises
    ------
    ParameterError
        When the resistance is negative or less than that of the leads, or the section is not in the table.

    Notes
    -----
    Length is R / (r (1 + a (t - 20))), with r the table's resistance of a metre at 20 °C and a the temperature
    coefficient of copper: the wire's own, as it was measured, and not that of the table's highest values.

    References
    ----------
    IEC 60228, "Conductors of insulated cables", tables 1 and 2.
    IEC 60028, "International standard of resistance for copper".

    Examples
    --------
    >>> round(resistance_reading(1.425, 0.75, temperature_c=20.0, leads_ohm=0.2).wire_m, 3)  # 24.5 ohm/km
    50.0
    """
    length = _less_leads(ohm, leads_ohm, ohm_sd) / _per_m(section_mm2, temperature_c)
    spread = np.hypot(RESISTANCE_SD_SHARE, _temperature_sd_share(temperature_c))
    return EndReading(length, float(np.hypot(ohm_sd / _per_m(section_mm2, temperature_c), spread * length)), from_end)


def ratio_reading(start_ohm: float, end_ohm: float, *, leads_ohm: float = 0.0, ohm_sd: float = OHM_SD) -> RatioReading:
    """Return the fault's place from its resistance from both ends: what the wire is, and how warm, cancels.

    Parameters
    ----------
    start_ohm, end_ohm, ohm_sd
        Measured resistances, one way, and the standard deviation of each measurement [ohm].
    leads_ohm
        Resistance of the meter's own leads, which is taken off both [ohm].

    Raises
    ------
    ParameterError
        When a resistance is negative or less than that of the leads, or there is none.

    Notes
    -----
    The share is Rs / (Rs + Re); its variance (Re² + Rs²) s² / (Rs + Re)⁴, with s the standard deviation of either.

    Examples
    --------
    >>> ratio_reading(1.4, 2.4, leads_ohm=0.4).share
    0.3333333333333333
    """
    start, end = (_less_leads(ohm, leads_ohm, ohm_sd) for ohm in (start_ohm, end_ohm))
    whole = start + end
    if not whole > 0:
        raise ParameterError("there is no resistance from either end", advice="Check the meter and what it touches.")
    return RatioReading(start / whole, float(np.hypot(start, end)) * ohm_sd / whole**2)


def refuse_unlike_whole(
    start_ohm: float,
    end_ohm: float,
    wire_m: float,
    section_mm2: float,
    *,
    temperature_c: float | None = None,
    leads_ohm: float = 0.0,
    ohm_sd: float = OHM_SD,
) -> None:
    """Refuse resistances from both ends that together aren't those of the whole wire: there is more than one fault.

    Parameters
    ----------
    start_ohm, end_ohm, section_mm2, temperature_c, leads_ohm, ohm_sd
        As for :func:`ratio_reading` and :func:`resistance_reading`.
    wire_m
        Length of all wire [m].

    Raises
    ------
    ParameterError
        When their sum is further from it than three standard deviations.
    """
    whole = _less_leads(start_ohm, leads_ohm, ohm_sd) + _less_leads(end_ohm, leads_ohm, ohm_sd)
    expected = wire_m * _per_m(section_mm2, temperature_c)
    shares = RESISTANCE_SD_SHARE, _temperature_sd_share(temperature_c), LAYING_SD_SHARE
    sd = float(np.linalg.norm([ohm_sd, ohm_sd, *(expected * share for share in shares)]))
    if abs(whole - expected) > CONTRADICTION_SDS * sd:
        raise ParameterError(
            f"from both ends together it is {whole:.2f} ohm, but {wire_m:.1f} m of {section_mm2:g} mm² wire have "
            f"{expected:.2f} ± {sd:.2f} ohm",
            advice="There may be two faults, a bad joint, or wire of another section.",
        )


def _less_leads(ohm: float, leads_ohm: float, ohm_sd: float) -> float:
    if not ohm >= 0 or not ohm_sd >= 0 or not leads_ohm >= 0:
        raise ParameterError(f"a resistance can't be {ohm:g} ± {ohm_sd:g} ohm, less {leads_ohm:g} ohm of leads")
    if ohm < leads_ohm:
        raise ParameterError(
            f"{ohm:g} ohm are less than the {leads_ohm:g} ohm of the meter's leads",
            advice="Hold the leads together, and give what the meter shows then.",
        )
    return float(ohm - leads_ohm)


def _per_m(section_mm2: float, temperature_c: float | None) -> float:
    warm = UNKNOWN_TEMPERATURE_C if temperature_c is None else temperature_c
    return resistance_ohm(1.0, section_mm2) * temperature_factor(warm, COPPER_COEFFICIENT_PER_K)


def _temperature_sd_share(temperature_c: float | None) -> float:
    if temperature_c is None:
        return COPPER_COEFFICIENT_PER_K * UNKNOWN_TEMPERATURE_SD_K
    return COPPER_COEFFICIENT_PER_K * TEMPERATURE_SD_K / temperature_factor(temperature_c, COPPER_COEFFICIENT_PER_K)


def fault_place(
    readings: Sequence[EndReading | RatioReading], laid: LaidLengths, *, slack_share: float = 0.0
) -> FaultPlace:
    """Return where along the laid loop a fault is, from readings at one end or both.

    Parameters
    ----------
    readings
        At least one.
    laid
        Lengths of the loop's runs on the ground: how sure they are, from the end measured at up to the fault, counts.
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
    >>> lengths = LaidLengths(np.array([100.0]), np.array([0.0]))
    >>> fault_place([distance_reading(30.0, sd_m=0.0)], lengths).chainage_m
    30.0
    """
    if not readings:
        raise ParameterError("a fault needs a reading", advice="Measure from either end.")
    found = [
        _by_ratio(one, laid) if isinstance(one, RatioReading) else _from_end(one, laid, slack_share) for one in readings
    ]
    places = np.array([one.chainage_m for one in found])
    sd = np.maximum([one.sd_m for one in found], 0.01)
    if len(found) > 1 and np.ptp(places) > CONTRADICTION_SDS * float(np.hypot(*np.sort(sd)[-2:])):
        raise ParameterError(
            f"the readings contradict each other: {', '.join(f'{place:.1f} m' for place in places)} from the start",
            advice="There may be two faults: each reading then tells the one next to its own end.",
        )
    weights = 1 / sd**2
    return FaultPlace(float(np.average(places, weights=weights)), float(1 / np.sqrt(weights.sum())))


def _from_end(reading: EndReading, laid: LaidLengths, slack_share: float) -> FaultPlace:
    ground, spread = reading.wire_m / (1 + slack_share), reading.sd_m / (1 + slack_share)
    spread = float(np.hypot(spread, LAYING_SD_SHARE * ground))
    length = laid.total_m
    before, after = laid.sds_m(length - ground if reading.from_end else ground)
    sd = float(np.hypot(spread, after if reading.from_end else before))
    if ground > length + CONTRADICTION_SDS * sd + 0.5:
        end = "end" if reading.from_end else "start"
        raise ParameterError(
            f"{reading.wire_m:.1f} m of wire from the {end} is beyond the loop of {length:.1f} m",
            advice="Check the loop, the wire's section, and whether the reading counts the way back.",
        )
    place = length - ground if reading.from_end else ground
    return FaultPlace(float(np.clip(place, 0.0, length)), sd)


def _by_ratio(reading: RatioReading, laid: LaidLengths) -> FaultPlace:
    length = laid.total_m
    place = reading.share * length
    before, after = laid.sds_m(place)
    laying = LAYING_SD_SHARE * place * (1 - reading.share)
    lengths = (1 - reading.share) * before, reading.share * after
    return FaultPlace(place, float(np.linalg.norm([reading.sd * length, laying, *lengths])))
