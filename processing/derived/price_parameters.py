"""The parameter of steps that look up prices."""

from __future__ import annotations

from pydantic import Field, field_validator

from lawngis.prices import price_book_from

from ..model.step import TOML, Parameters, read_by


class PriceParameters(Parameters):
    """Where prices come from: a file that can be read, or it is refused before any parcel is planned."""

    price_book: str | None = Field(
        default=None,
        description="TOML file with prices; an invented example when absent",
        json_schema_extra={"contentMediaType": TOML},
    )

    @field_validator("price_book")
    @classmethod
    def _readable_prices(cls, value: str | None) -> str | None:
        return value if value is None else read_by(price_book_from, value)
