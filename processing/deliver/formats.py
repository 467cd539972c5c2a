"""Numbers, dates, money and lengths as people of a place write them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from math import floor
from typing import Literal

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.numbers import format_currency, format_decimal

from lawngis.errors import ParameterError

Units = Literal["metric", "feet"]

METRES_PER_FOOT = 0.3048
"""International foot (National Bureau of Standards, Federal Register 24 FR 5348, 1959)."""

DASH = "–"
"""Stands for a figure that isn't known."""


@dataclass(frozen=True)
class Formats:
    """How figures are written.

    Parameters
    ----------
    locale
        Name of a locale, such as ``en_GB`` or ``de_DE``: decimal mark, thousands, dates, place of the currency.
    units
        ``metric``, or ``feet`` for feet and inches.

    Examples
    --------
    >>> Formats("de_DE").length(1234.5), Formats("en_GB", "feet").length(1.8288)
    ('1.234,5 m', '6′ 0″')
    """

    locale: str = "en_GB"
    units: Units = "metric"

    def __post_init__(self) -> None:
        """Refuse a locale or units that don't exist."""
        try:
            Locale.parse(self.locale.replace("-", "_"))
        except (ValueError, UnknownLocaleError) as error:
            raise ParameterError(
                f"--locale {self.locale!r} is not known", advice="For example en_GB, en_US, de_DE, fr_FR."
            ) from error
        if self.units not in ("metric", "feet"):
            raise ParameterError(f"--units {self.units!r} is neither metric nor feet")

    @cached_property
    def _babel(self) -> Locale:
        return Locale.parse(self.locale.replace("-", "_"))

    def number(self, value: float | None, decimals: int = 0) -> str:
        """Return a number with so many decimals."""
        if value is None:
            return DASH
        pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
        text = format_decimal(round(value, decimals) + 0.0, pattern, locale=self._babel)
        return text.replace("\u202f", "\u00a0")  # the narrow space is missing from many fonts

    def length(self, value_m: float | None, decimals: int = 1) -> str:
        """Return a length given in metres; in feet it is rounded to the inch, or the eighth where it is short."""
        if value_m is None:
            return DASH
        return f"{self.number(value_m, decimals)} m" if self.units == "metric" else _feet_and_inches(value_m)

    def area(self, value_m2: float | None) -> str:
        """Return an area given in square metres."""
        if value_m2 is None:
            return DASH
        if self.units == "metric":
            return f"{self.number(value_m2, 0 if value_m2 >= 10 else 1)} m²"
        return f"{self.number(value_m2 / METRES_PER_FOOT**2)} sq ft"

    def quantity(self, value: float | None, unit: str, decimals: int = 1) -> str:
        """Return a quantity with its unit: metres and square metres by the units chosen, others as they are."""
        if value is None:
            return DASH
        if unit == "m":
            return self.length(value, max(decimals, 2) if abs(value) < 3 else decimals)
        if unit == "m²":
            return self.area(value)
        if unit in ("piece", "flat"):
            return self.number(value)
        return f"{self.number(value, decimals)} {unit}".strip()

    def percent(self, value: float | None, decimals: int = 0) -> str:
        """Return a value that is in percent already."""
        return DASH if value is None else f"{self.number(value, decimals)} %"

    def money(self, value: float | None, currency: str) -> str:
        """Return an amount of money."""
        if value is None:
            return DASH
        return str(format_currency(round(value, 2) + 0.0, currency, locale=self._babel)).replace("\u202f", "\u00a0")

    def day(self, value: date) -> str:
        """Return a date with the month in letters, which nobody takes for the day."""
        pattern = "d MMM y" if self._babel.language != "en" or self._babel.territory != "US" else "MMM d, y"
        return str(format_date(value, pattern, locale=self._babel))

    def day_of(self, time: str | None) -> str:
        """Return the date of an ISO 8601 time; what is none comes back as it is."""
        try:
            return self.day(datetime.fromisoformat(str(time)).date())
        except ValueError:
            return str(time)


def _feet_and_inches(value_m: float) -> str:
    sign = "-" if value_m < 0 else ""
    inches = abs(value_m) / METRES_PER_FOOT * 12
    step = 8 if inches < 36 else 1
    eighths = floor(inches * step + 0.5) * (8 // step)
    whole, part = divmod(eighths, 8)
    feet, inch = divmod(whole, 12)
    fraction = {0: "", 1: "⅛", 2: "¼", 3: "⅜", 4: "½", 5: "⅝", 6: "¾", 7: "⅞"}[part]
    inch_text = f"{inch}{fraction}" if inch or not fraction else fraction
    return f"{sign}{feet}′ {inch_text}″" if feet else f"{sign}{inch_text}″"
