"""Price books: what material costs, as a typed and checked model."""

from __future__ import annotations

import tomllib
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from lawngis.errors import ParameterError

Book = TypeVar("Book", bound=BaseModel)


class PriceBook(BaseModel):
    """Prices of material in one currency, without tax."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    wire_per_m: float = Field(ge=0, description="boundary wire")
    peg_each: float = Field(ge=0, description="peg")
    joint_each: float = Field(ge=0, description="waterproof joint of the wire")
    saw_cut_per_m: float = Field(ge=0, description="saw cut through paving that people walk on, wire laid and closed")
    duct_per_m: float = Field(ge=0, description="duct under paving that cars drive on, wire drawn in")
    supply_cable_per_m: float = Field(ge=0, description="extra-low-voltage cable from the power supply to the dock")
    signal_source_each: float = Field(ge=0, description="signal source without a dock")
    dock_each: float = Field(ge=0, description="dock beyond the one that comes with the mower")
    mower_carry_each: float = Field(default=0.0, ge=0, description="carrying a mower to another parcel, once")
    mower_season_weeks: float = Field(default=52.0, ge=0, le=53, description="weeks a year in which mowers work")
    mowers: dict[str, dict[str, float]] = Field(
        default_factory=dict, description="price, kept_years and upkeep_year of mowers by profile"
    )


def price_book_from(file: str | None = None) -> PriceBook:
    """Return the price book in a TOML file, or the invented example that comes with lawngis.

    Raises
    ------
    ParameterError
        When the file can't be read, or a key is unknown, missing or out of range.
    """
    example = resources.files("lawngis").joinpath("prices_example.toml")
    return checked_book(PriceBook, Path(file) if file else example, what="price book", where=file or example.name)


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
        return model.model_validate(tomllib.loads(text.read_text(encoding="utf-8")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ParameterError(f"the {what} can't be read ({error})", where=where) from error
    except ValidationError as error:
        problems = "; ".join(f"{'.'.join(map(str, item['loc']))}: {item['msg'].lower()}" for item in error.errors())
        raise ParameterError(problems, where=where) from error
