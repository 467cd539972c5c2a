"""Price books: what material and mowers cost, as a typed and checked model; and what a line of a quote comes to."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from lawngis.errors import ParameterError
from lawngis.toml_table import toml_table

Book = TypeVar("Book", bound=BaseModel)

CENTS = 2

_NO_DIGITS = ("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF",
              "XOF", "XPF")  # fmt: skip
_THREE_DIGITS = ("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND")
_FOUR_DIGITS = ("CLF", "UYW")
MINOR_DIGITS: Mapping[str, int] = MappingProxyType(
    dict.fromkeys(_NO_DIGITS, 0) | dict.fromkeys(_THREE_DIGITS, 3) | dict.fromkeys(_FOUR_DIGITS, 4)
)
"""Digits after the mark of currencies that have no cents (ISO 4217:2015, list one, "minor unit")."""

QUANTITY_DIGITS: Mapping[str, int] = MappingProxyType({"m": 1, "ft": 1, "h": 2})
"""Digits of a quantity by its unit; everything else is counted in whole ones. Ours, no source."""


PRICE_MAX = 1e9
"""No price of a thing that is laid in a lawn has more digits: so sums of them are numbers."""


class MowerPrice(BaseModel):
    """What one kind of mower costs, without tax."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    price: float = Field(ge=0, le=PRICE_MAX, description="one mower with its dock")
    kept_years: float = Field(gt=0, le=100, description="how long it is kept [years]")
    upkeep_year: float = Field(ge=0, le=PRICE_MAX, description="blades, current and service in a year")


class PriceBook(BaseModel):
    """Prices of material and mowers in one currency, without tax."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    example: bool = Field(default=False, description="whether the prices are invented, which every quote then says")
    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    wire_per_m: float = Field(ge=0, le=PRICE_MAX, description="boundary wire")
    peg_each: float = Field(ge=0, le=PRICE_MAX, description="peg")
    joint_each: float = Field(ge=0, le=PRICE_MAX, description="waterproof joint of the wire")
    saw_cut_per_m: float = Field(
        ge=0, le=PRICE_MAX, description="saw cut through paving that people walk on, laid and closed"
    )
    duct_per_m: float = Field(
        ge=0, le=PRICE_MAX, description="duct under paving that cars drive on, wire or cable drawn in"
    )
    supply_cable_per_m: float = Field(
        ge=0, le=PRICE_MAX, description="extra-low-voltage cable from the power supply to the dock"
    )
    signal_source_each: float = Field(ge=0, le=PRICE_MAX, description="signal source without a dock")
    dock_each: float = Field(ge=0, le=PRICE_MAX, description="dock beyond the one that comes with the mower")
    mower_carry_each: float = Field(
        default=0.0, ge=0, le=PRICE_MAX, description="carrying a mower to another parcel, once"
    )
    mower_season_weeks: float = Field(default=52.0, ge=0, le=53, description="weeks a year in which mowers work")
    mowers: dict[str, MowerPrice] = Field(default_factory=dict, description="mowers by the name of their profile")

    @property
    def source(self) -> str:
        """Where its prices come from, as the plan's `price_source` says it."""
        return "example" if self.example else "own"

    def mower_price(self, profile: str) -> float | None:
        """Return what a mower with its dock costs; None where the book has no price for that profile."""
        return self.mowers[profile].price if profile in self.mowers else None


def price_book_from(file: str | None = None) -> PriceBook:
    """Return the price book in a TOML file, or the invented example that comes with lawngis.

    Raises
    ------
    ParameterError
        When the file can't be read, or a key is unknown, missing or out of range.
    """
    return checked_book(PriceBook, price_text(file), what="price book", where=file or price_text().name)


def price_text(file: str | None = None) -> Path | Traversable:
    """Return the file of a price book: the one named, or the invented example that comes with lawngis."""
    return Path(file) if file else resources.files("lawngis").joinpath("prices_example.toml")


def checked_book(model: type[Book], text: Path | Traversable, *, what: str, where: str) -> Book:
    """Return the book that a TOML file holds.

    Parameters
    ----------
    model
        What the book must be like.
    text
        The file.
    what, where
        What it is and how it is called, for errors.

    Raises
    ------
    ParameterError
        When it can't be read, or a key is unknown, missing or out of range.
    """
    try:
        return model.model_validate(toml_table(text.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        advice = f"Name a {what} in TOML, in UTF-8."
        raise ParameterError(f"the {what} can't be read ({error})", where=where, advice=advice) from error
    except ValidationError as error:
        problems = [_problem(model, item) for item in error.errors()]
        advice = " ".join(dict.fromkeys(what_to_do for _, what_to_do in problems))
        raise ParameterError("; ".join(said for said, _ in problems), where=where, advice=advice) from error


def _problem(model: type[BaseModel], item: Mapping[str, Any]) -> tuple[str, str]:
    """Return what is wrong with a key, and what to do about it."""
    key = ".".join(map(str, item["loc"]))
    if item["type"] == "extra_forbidden":
        known = ", ".join(_keys(model, item["loc"][:-1]))
        return f"unknown key {key}", f"Remove it or correct its name: known there are {known}."
    if item["type"] == "missing":
        return f"key {key} is missing", "Add it."
    said = f"{key} = {item['input']!r}: {item['msg'][:1].lower()}{item['msg'][1:]}"
    return said, f"Correct {key}."


def _keys(model: type[BaseModel], way: Iterable[str | int]) -> list[str]:
    """Return the keys that a book knows in one of its tables."""
    here: Any = model
    for step in way:
        fields = getattr(here, "model_fields", {})
        kind = fields[str(step)].annotation if str(step) in fields else None
        inner = [arg for arg in (kind, *get_args(kind)) if hasattr(arg, "model_fields")]
        here = inner[0] if inner else here
    return list(here.model_fields)


# --- what a line comes to ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Billed:
    """A line of a quote as it is printed: its quantity, and what that comes to; None where no price is known."""

    quantity: float
    amount: float | None


def billed(quantity: float, unit: str, unit_price: float | None, currency: str) -> Billed:
    """Return a quantity and its amount as they are printed, so that one times the price is the other.

    The quantity is rounded first (:data:`QUANTITY_DIGITS`), then its amount to the currency's smallest coin, both
    with halves up, in decimal arithmetic.

    Parameters
    ----------
    quantity
        As computed, in the unit.
    unit
        Its unit: m, ft, h, or what is counted.
    unit_price
        Price of one unit; it is not rounded.
    currency
        ISO 4217 code.

    Examples
    --------
    >>> billed(95.8634, "m", 0.45, "EUR")
    Billed(quantity=95.9, amount=43.16)
    >>> billed(0.75, "h", 58.0, "EUR"), billed(2.4, "m", 15.5, "JPY").amount
    (Billed(quantity=0.75, amount=43.5), 37.0)
    """
    whole = _rounded(Decimal(str(quantity)), QUANTITY_DIGITS.get(unit, 0))
    amount = None if unit_price is None else coins(whole * Decimal(str(unit_price)), currency)
    return Billed(float(whole), amount)


def coins(amount: float | Decimal, currency: str) -> float:
    """Return an amount rounded to the currency's smallest coin, halves up.

    Examples
    --------
    >>> coins(43.155, "EUR"), coins(-0.005, "EUR"), coins(1.0005, "KWD")
    (43.16, -0.01, 1.001)
    """
    return float(_rounded(Decimal(str(amount)), currency_digits(currency)))


def amounts_total(amounts: Iterable[float | None], currency: str) -> float:
    """Return the sum of printed amounts, to the coin; unknown ones are left out.

    Examples
    --------
    >>> amounts_total([0.1, 0.2, None], "EUR")
    0.3
    """
    return coins(sum((Decimal(str(amount)) for amount in amounts if amount is not None), Decimal(0)), currency)


def currency_digits(currency: str) -> int:
    """Return how many digits a currency has after its mark."""
    return MINOR_DIGITS.get(currency.upper(), CENTS)


def _rounded(value: Decimal, digits: int) -> Decimal:
    return value.quantize(Decimal(1).scaleb(-digits), rounding=ROUND_HALF_UP)
