"""Who quotes to whom: number, firm, customer and VAT, out of a TOML of one's own; nothing is made up."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from lawngis.errors import ParameterError
from lawngis.prices import checked_book


class _Checked(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Party(_Checked):
    """A firm or a customer, as it stands on a letter."""

    name: str = Field(default="", description="of the firm or the person")
    address: tuple[str, ...] = Field(default=(), description="line by line")
    contact: tuple[str, ...] = Field(default=(), description="telephone, mail: line by line")
    vat_number: str = Field(default="", description="VAT identification number")

    @property
    def lines(self) -> list[str]:
        """What is known of it, line by line."""
        vat = [f"VAT number {self.vat_number}"] if self.vat_number else []
        return [line for line in (self.name, *self.address, *self.contact, *vat) if line]


class ParcelDetails(_Checked):
    """What one parcel's quote says otherwise than the others."""

    number: str = Field(default="", description="number of the quote")
    customer: Party = Field(default=Party(), description="to whom it goes")


class QuoteDetails(_Checked):
    """What stands on quotes beside prices; what is absent is left out."""

    number: str = Field(default="", description="number of the quote")
    firm: Party = Field(default=Party(), description="who quotes")
    customer: Party = Field(default=Party(), description="to whom")
    vat_percent: float | None = Field(default=None, ge=0, le=100, strict=True, description="VAT on the whole")
    parcels: dict[str, ParcelDetails] = Field(default_factory=dict, description="what is otherwise, by parcel")

    def of_parcel(self, parcel_id: str) -> QuoteDetails:
        """Return the details of one parcel's quote."""
        own = self.parcels.get(parcel_id)
        if own is None:
            return self
        return self.model_copy(
            update={
                "number": own.number or self.number,
                "customer": own.customer if own.customer.lines else self.customer,
            }
        )


def quote_details_from(file: Path | None, parcels: Collection[str] = ()) -> QuoteDetails:
    """Return the details in a TOML file; none when no file is named.

    Parameters
    ----------
    file
        The file.
    parcels
        Names of the plan's parcels: no others may stand in the file.

    Raises
    ------
    ParameterError
        When it can't be read, a key is unknown or of the wrong type, or it names a parcel that isn't there.
    """
    if file is None:
        return QuoteDetails()
    details = checked_book(QuoteDetails, file, what="file of quote details", where=str(file))
    lost = [name for name in details.parcels if name not in parcels]
    if lost:
        raise ParameterError(
            f"parcels.{lost[0]}: the plan has no parcel of that name",
            where=str(file),
            advice=f"There are {', '.join(list(parcels)[:8])}.",
        )
    return details
