"""Numbers, dates, money and lengths as people of a place write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from functools import cached_property
from math import floor
from pathlib import Path
from typing import Literal

from babel import Locale, UnknownLocaleError
from babel.dates import format_date
from babel.numbers import format_currency, format_decimal

from lawngis.errors import ParameterError
from lawngis.prices import QUANTITY_DIGITS, coins, currency_digits

Units = Literal["metric", "feet"]

METRES_PER_FOOT = 0.3048
"""International foot (National Bureau of Standards, Federal Register 24 FR 5348, 1959)."""

DASH = "–"
UNKNOWN = "unknown"
"""Stands for a figure that isn't known."""

_LETTER_PAPER = frozenset(["BZ", "CA", "CL", "CO", "CR", "GT", "MX", "NI", "PA", "PH", "PR", "SV", "US", "VE"])
"""Territories that print on letter paper (Unicode CLDR, supplemental data, measurementData, paperSize)."""

_FOOT_SCALES = {24: "1/2", 48: "1/4", 96: "1/8", 192: "1/16"}  # inches of paper to a foot of ground


@dataclass(frozen=True)
class PaperSize:
    """Upright paper: its name, width and height [mm]."""

    name: str
    size_mm: tuple[float, float]


_PAPERS = (PaperSize("A4", (210.0, 297.0)), PaperSize("A3", (297.0, 420.0)))
_LETTER_PAPERS = (PaperSize("Letter", (215.9, 279.4)), PaperSize("Tabloid", (279.4, 431.8)))


@dataclass(frozen=True)
class Formats:
    """How figures are written.

    Parameters
    ----------
    locale
        Name of a locale, such as ``en_GB`` or ``de_DE``: decimal mark, thousands, dates, place of the currency.
    units
        ``metric``, or ``feet`` for feet and inches.
    fonts
        Files of fonts with letters that our own lacks, for documents on paper.

    Examples
    --------
    >>> Formats("de_DE").length(1234.5), Formats("en_GB", "feet").length(1.8288)
    ('1.234,5 m', '6′ 0″')
    """

    locale: str = "en_GB"
    units: Units = "metric"
    fonts: tuple[Path, ...] = ()

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
        for font in self.fonts:
            if not font.is_file() or font.suffix.lower() not in (".ttf", ".otf", ".ttc"):
                raise ParameterError(
                    f"--font {str(font)!r} is no font file", advice="Name a file that ends in .ttf, .otf or .ttc."
                )

    @property
    def metric(self) -> bool:
        """Whether lengths are in metres."""
        return self.units == "metric"

    @property
    def unit_m(self) -> float:
        """Length of the unit in which scale bars and grids count [m]."""
        return 1.0 if self.metric else METRES_PER_FOOT

    @property
    def unit_name(self) -> str:
        """Name of the unit in which scale bars and grids count."""
        return "m" if self.metric else "ft"

    @property
    def papers(self) -> tuple[PaperSize, PaperSize]:
        """Paper of letters and the next larger one that is usual with it, by territory."""
        return _LETTER_PAPERS if self._babel.territory in _LETTER_PAPER else _PAPERS

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
        if self.metric:
            return f"{self.number(value_m, decimals)} m"
        return _feet_and_inches(value_m, fine=decimals > 1)

    def between(self, low_m: float | None, high_m: float | None) -> str:
        """Return between which lengths something lies nine times in ten; nothing where that isn't known.

        Examples
        --------
        >>> Formats().between(151.2, 163.04), Formats().between(None, None)
        (' (151.2 m to 163.0 m nine times in ten)', '')
        """
        if low_m is None or high_m is None:
            return ""
        return f" ({self.length(low_m)} to {self.length(high_m)} nine times in ten)"

    def mark(self, value_m: float | None, decimals: int = 1) -> str:
        """Return a length for a drawing, which says once that its figures are metres."""
        return self.number(value_m, decimals) if self.metric else self.length(value_m, decimals)

    def scale(self, scale: float) -> str:
        """Return the scale of a drawing as it is named on rulers.

        Examples
        --------
        >>> Formats().scale(200), Formats(units="feet").scale(96), Formats(units="feet").scale(240)
        ('1:200', '1/8″ = 1′-0″ (1:96)', '1″ = 20′ (1:240)')
        """
        if self.metric:
            return f"1:{scale:g}"
        foot = _FOOT_SCALES.get(round(scale))
        return f"{foot}″ = 1′-0″ (1:{scale:g})" if foot else f"1″ = {scale / 12:g}′ (1:{scale:g})"

    def prose(self, text: str | None) -> str:
        """Return a sentence of the plan with its metres in the units chosen.

        Examples
        --------
        >>> Formats(units="feet").prose("joint at 30.48 m of 0.6 to 1.2 m, 0.75 mm² wire")
        'joint at 100′ 0″ of 1′ 11⅝″ to 3′ 11¼″, 0.75 mm² wire'
        """
        if text is None:
            return ""
        return text if self.metric else _METRES.sub(self._in_feet, text)

    def _in_feet(self, match: re.Match[str]) -> str:
        if match["unit"] == "m²":
            return _NUMBER.sub(lambda n: self.number(float(n[0]) / METRES_PER_FOOT**2), match["figures"]) + " sq ft"
        metres = 0.01 if match["unit"] == "cm" else 1.0
        return _NUMBER.sub(lambda n: _feet_and_inches(metres * float(n[0]), fine="." in n[0]), match["figures"])

    def area(self, value_m2: float | None) -> str:
        """Return an area given in square metres."""
        if value_m2 is None:
            return DASH
        if self.metric:
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

    def billed(self, quantity: float, unit: str) -> str:
        """Return a quantity as it is billed, which is how it was rounded; in feet it is in feet already.

        Examples
        --------
        >>> Formats().billed(0.75, "h"), Formats().billed(95.9, "m"), Formats().billed(3.0, "piece")
        ('0.75 h', '95.9 m', '3')
        """
        digits = QUANTITY_DIGITS.get(unit, 0)
        return self.number(quantity, digits) + (f" {unit}" if digits else "")

    def slope(self, value: float | None, decimals: int = 0) -> str:
        """Return a slope in percent, in a word where no terrain model tells it: a dash may be read as level."""
        return UNKNOWN if value is None else self.percent(value, decimals)

    def money(self, value: float | None, currency: str) -> str:
        """Return an amount of money, to the currency's smallest coin."""
        return DASH if value is None else self._money(coins(value, currency), currency, currency_digits(currency))

    def price(self, value: float | None, currency: str, unit: str) -> str:
        """Return the price of one unit, with all its digits.

        Examples
        --------
        >>> Formats().price(0.455, "EUR", "m"), Formats().price(2.5, "EUR", "piece")
        ('€0.455/m', '€2.50')
        """
        if value is None:
            return DASH
        _, digits = f"{value:.10f}".rstrip("0").split(".")
        price = self._money(value, currency, max(len(digits), currency_digits(currency)))
        return f"{price}/{unit}" if unit in QUANTITY_DIGITS else price

    def _money(self, value: float, currency: str, digits: int) -> str:
        pattern = re.sub(r"0(\.0+)?(?![#,0])", f"0{'.' * bool(digits)}{'0' * digits}", self._currency_pattern)
        text = format_currency(value + 0.0, currency, pattern, locale=self._babel, currency_digits=False)
        return str(text).replace("\u202f", "\u00a0")

    @cached_property
    def _currency_pattern(self) -> str:
        return str(self._babel.currency_formats["standard"].pattern)

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


_FIGURE = r"\d+(?:\.\d+)?"
_NUMBER = re.compile(_FIGURE)
_METRES = re.compile(
    rf"(?<![\w.,/-])(?P<figures>{_FIGURE}(?:(?: to | ± | x | by |–){_FIGURE})*) (?P<unit>m²|m|cm)(?![\w/²³])"
)
"""A length or area in a sentence, ranges too."""


def _feet_and_inches(value_m: float, *, fine: bool = False) -> str:
    """Return feet and inches, to the eighth of an inch below a yard, above to the quarter where it is to be fine."""
    sign = "-" if value_m < 0 else ""
    inches = abs(value_m) / METRES_PER_FOOT * 12
    step = 8 if inches < 36 else 4 if fine else 1
    eighths = floor(inches * step + 0.5) * (8 // step)
    whole, part = divmod(eighths, 8)
    feet, inch = divmod(whole, 12)
    fraction = {0: "", 1: "⅛", 2: "¼", 3: "⅜", 4: "½", 5: "⅝", 6: "¾", 7: "⅞"}[part]
    inch_text = f"{inch}{fraction}" if inch or not fraction else fraction
    return f"{sign}{feet}′ {inch_text}″" if feet else f"{sign}{inch_text}″"
