"""How a site is read, beyond its files: units of elevation, bands of the image, accuracy of the data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from lawngis.errors import ParameterError, RasterError

from ..model.site import DataAccuracy
from .site_settings import SiteSettings

BANDS = ("red", "green", "blue", "nir")
"""Bands by the names that ``--bands`` and the image's own descriptions take; their order when nobody says."""

UNITS_M: Mapping[str, float] = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
"""Units of elevation by the names that ``--dem-unit`` takes [m]."""


@dataclass(frozen=True)
class ReadOptions:
    """How a site is read, beyond its files."""

    dem_unit: str | None = None
    accuracy: DataAccuracy = field(default_factory=DataAccuracy)
    bands: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if self.dem_unit is not None and self.dem_unit not in UNITS_M:
            raise ParameterError(f"--dem-unit {self.dem_unit!r} is none of {', '.join(UNITS_M)}")

    def with_those_of(self, site: SiteSettings) -> ReadOptions:
        """Return the options with what a site says of its data; what was given here wins."""
        given = {name: getattr(self.accuracy, name) for name in self.accuracy.model_fields_set}
        return replace(
            self,
            accuracy=site.accuracy.model_copy(update=given),
            dem_unit=self.dem_unit or site.dem_unit or None,
            bands=self.bands or site.bands,
        )


def band_numbers(given: tuple[str, ...], described: tuple[str, ...], path: str) -> dict[str, int]:
    """Return the number of each band that is known: as given, else as described, else red, green, blue, nir.

    Raises
    ------
    RasterError
        When none is red.
    """
    names = given or tuple(name.strip().casefold() for name in described)
    aliases = {"r": "red", "g": "green", "b": "blue", "near infrared": "nir", "near_infrared": "nir", "infrared": "nir"}
    names = tuple(aliases.get(name, name) for name in names)
    if not given and "red" not in names:
        names = BANDS[: len(described)]
    number = {name: place for place, name in reversed(list(enumerate(names, start=1))) if name in BANDS}
    if "red" not in number:
        raise RasterError(
            "which of the image's bands is red isn't known",
            where=path,
            advice="Say it with --bands red,green,blue,nir.",
        )
    return number
