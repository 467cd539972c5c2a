"""Published classes of vertical accuracy of elevation data, and what they mean as a standard deviation.

A class promises a root mean square error in height, RMSEz, on open ground; with no systematic part that is the
standard deviation of one elevation. Under plants the error is larger: the vegetated figures are 95th percentiles.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from lawngis.errors import ParameterError


@dataclass(frozen=True)
class VerticalAccuracyClass:
    """One class of a standard.

    Parameters
    ----------
    name
        As written on the command line: ``QL2``, ``10-cm``.
    rmse_z_m
        Greatest root mean square error on open ground [m].
    vegetated_95_m
        Greatest 95th percentile of the error under vegetation [m]; None where the standard has none.
    source
        Where the figures stand, and how surely they were read there.
    """

    name: str
    rmse_z_m: float
    vegetated_95_m: float | None
    source: str


_USGS = "USGS, 3DEP Lidar Base Specification, vertical accuracy table; read in a copy, not in the original"
_ASPRS = (
    "ASPRS, 2015, Positional Accuracy Standards for Digital Geospatial Data, edition 1, PE&RS 81(3), A1-A26, "
    "doi 10.14358/PERS.81.3.A1-A26; the rule X-cm: RMSEz ≤ X is quoted from memory"
)

# The vegetated figures are those of edition 1.2 (2.94 RMSEz); later editions round to 3.0 RMSEz.
PUBLISHED_CLASSES: tuple[VerticalAccuracyClass, ...] = (
    VerticalAccuracyClass("QL0", 0.05, 0.147, _USGS),
    VerticalAccuracyClass("QL1", 0.10, 0.294, _USGS),
    VerticalAccuracyClass("QL2", 0.10, 0.294, _USGS),
    VerticalAccuracyClass("QL3", 0.20, 0.588, _USGS),
)
"""The quality levels of the USGS 3D Elevation Program."""


def accuracy_class(name: str) -> VerticalAccuracyClass:
    """Return a published class by its name.

    Parameters
    ----------
    name
        ``QL0`` to ``QL3`` (USGS), or ``X-cm`` with any X (ASPRS: ``5-cm``, ``33.3-cm``); case does not matter.

    Raises
    ------
    ParameterError
        When there is no such class.

    Examples
    --------
    >>> accuracy_class("ql2").rmse_z_m, accuracy_class("5-cm").rmse_z_m
    (0.1, 0.05)
    """
    for known in PUBLISHED_CLASSES:
        if known.name.casefold() == name.strip().casefold():
            return known
    asprs = re.fullmatch(r"(\d+(?:\.\d+)?)[- ]?cm", name.strip().casefold())
    if asprs and float(asprs[1]) > 0:
        centimetres = float(asprs[1])
        return VerticalAccuracyClass(f"{centimetres:g}-cm", centimetres / 100, 3 * centimetres / 100, _ASPRS)
    raise ParameterError(
        f"there is no accuracy class {name!r}",
        advice="Known: " + ", ".join(known.name for known in PUBLISHED_CLASSES) + ", and X-cm, such as 10-cm.",
    )
