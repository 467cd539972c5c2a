"""Words that people brought, made fit to be printed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pyproj import CRS


def one_line(text: str) -> str:
    r"""Return text without line breaks and whatever else a terminal would obey: names are people's own.

    Examples
    --------
    >>> one_line("No. 7\n(behind the\tmill)")
    'No. 7 (behind the mill)'
    """
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def name_of(text: str) -> str:
    r"""Return a name without line breaks and control characters, which no list, table or file can hold.

    Examples
    --------
    >>> name_of("No. 7\r\n(mill)\0"), name_of("Gärten  Süd")
    ('No. 7 (mill)', 'Gärten  Süd')
    """
    return _CONTROLS.sub(" ", text).strip() if _CONTROLS.search(text) else text


_CONTROLS = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


def counted(number: int, noun: str) -> str:
    """Return a number and what it counts, in the plural where it belongs.

    Examples
    --------
    >>> counted(1, "parcel"), counted(0, "parcel")
    ('1 parcel', '0 parcels')
    """
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def unit_word(crs: CRS) -> str:
    """Return the unit of a CRS's coordinates, as it is written after a number.

    Examples
    --------
    >>> unit_word(CRS.from_epsg(25832)), unit_word(CRS.from_epsg(4326))
    ('m', 'degrees')
    """
    name = str(crs.axis_info[0].unit_name)
    return {"metre": "m", "US survey foot": "US survey feet", "foot": "feet", "degree": "degrees"}.get(name, name)


def coordinates_text(x: float, y: float, crs: CRS) -> str:
    """Return coordinates to a centimetre on the ground.

    Examples
    --------
    >>> coordinates_text(561489.12345, 5467292.5, CRS.from_epsg(25832))
    '561489.12 5467292.50'
    >>> coordinates_text(9.842123456789, 49.36, CRS.from_epsg(4326))
    '9.8421235 49.3600000'
    """
    digits = 7 if crs.is_geographic else 2
    return f"{x:.{digits}f} {y:.{digits}f}"


def flattened(values: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return tables in tables as one, their keys joined by points.

    Examples
    --------
    >>> flattened({"a": 1, "b": {"c": {"d": 2}}})
    {'a': 1, 'b.c.d': 2}
    """
    flat: dict[str, Any] = {}
    for key, value in values.items():
        flat |= flattened(value, f"{prefix}{key}.") if isinstance(value, Mapping) else {f"{prefix}{key}": value}
    return flat
