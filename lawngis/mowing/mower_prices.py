"""What mowers cost: the part of a price book that the choice of a mower needs, as a typed and checked model."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from lawngis.mowing.fleet import Sharing
from lawngis.prices import MowerPrice, checked_book, price_text


class MowerBook(BaseModel):
    """Prices of mowers by the name of their profile; what a price book says of other things is left to others."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)

    example: bool = Field(default=False, description="whether the prices are invented")
    currency: str = Field(min_length=3, max_length=3, description="ISO 4217 code")
    dock_each: float = Field(ge=0, description="dock beyond the one that comes with the mower")
    mower_carry_each: float = Field(default=0.0, ge=0, description="carrying a mower to another parcel, once")
    mower_season_weeks: float = Field(default=52.0, ge=0, le=53, description="weeks a year in which mowers work")
    mowers: dict[str, MowerPrice] = Field(description="by the name of the profile, or of its file without ending")

    @property
    def sharing(self) -> Sharing:
        """What it costs to share a mower."""
        return Sharing(self.dock_each, self.mower_carry_each, self.mower_season_weeks)


def mower_book_from(file: str | None = None) -> MowerBook:
    """Return the prices of mowers in a price book, or in the invented example that comes with lawngis.

    Parameters
    ----------
    file
        A TOML file with `currency`, `dock_each` and a table ``mowers.NAME`` for each kind; it may be the price book
        of material at the same time.

    Raises
    ------
    ParameterError
        When the file can't be read, or a key is missing or out of range.
    """
    return checked_book(MowerBook, price_text(file), what="price book", where=file or price_text().name)
