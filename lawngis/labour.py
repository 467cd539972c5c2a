"""Labour books: what work takes and costs, as a typed and checked model."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from lawngis.prices import PRICE_MAX, checked_book

MINUTES_PER_HOUR = 60.0

MINUTES_MAX = 1e5
"""Longer than anything takes on one lawn: so sums of minutes are numbers."""


class LabourBook(BaseModel):
    """What work takes and costs, without tax."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    example: bool = Field(default=False, description="whether the rates are invented, which every quote then says")
    hourly_rate: float = Field(
        ge=0, le=PRICE_MAX, description="one person, one hour, in the currency of the price book"
    )
    minutes_setup: float = Field(ge=0, le=MINUTES_MAX, description="unloading, walking the site, marking out")
    minutes_per_m_wire: float = Field(ge=0, le=MINUTES_MAX, description="laying and pegging wire, per metre")
    minutes_per_m_cable: float = Field(ge=0, le=MINUTES_MAX, description="supply cable, per metre")
    minutes_per_joint: float = Field(ge=0, le=MINUTES_MAX, description="joint, made and tested")
    minutes_per_dock: float = Field(ge=0, le=MINUTES_MAX, description="dock levelled, fixed, connected")
    minutes_per_crossing: float = Field(ge=0, le=MINUTES_MAX, description="saw cut or duct through paving")
    minutes_walk_round: float = Field(ge=0, le=MINUTES_MAX, description="commissioning")
    travel_fixed: float = Field(ge=0, le=PRICE_MAX, description="travel, flat")
    tax_percent: float | None = Field(default=None, ge=0, le=100, description="VAT on the whole, where it is known")
    valid_days: int = Field(ge=1, le=3650, description="how long the offer holds")
    assumptions: tuple[str, ...] = Field(default=(), description="what the price rests on")
    exclusions: tuple[str, ...] = Field(default=(), description="what it leaves out")


def labour_book_from(file: Path | None = None) -> LabourBook:
    """Return the labour book in a TOML file, or the invented example that comes with lawngis.

    Raises
    ------
    ParameterError
        When the file can't be read, or a key is unknown, missing or out of range.
    """
    example = resources.files(__package__).joinpath("labour_example.toml")
    return checked_book(LabourBook, file or example, what="labour book", where=str(file or example.name))
