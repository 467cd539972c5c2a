"""Hours of the steps of the day of laying, by a labour book."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType

from pydantic import Field, field_validator

from lawngis.labour import MINUTES_PER_HOUR, LabourBook, labour_book_from
from lawngis.prices import PriceBook, price_book_from

from ..model.step import TOML, Parameters, read_by

PEGGING_SHARE = 0.5
"""Of the time that a metre of wire takes, what goes into pegs: common practice, no source."""

SHARES: Mapping[str, float] = MappingProxyType(
    {
        "set_dock": 0.7, "mount_supply": 0.2, "signal_on": 0.1,
        "trial": 0.15, "walk_round": 0.4, "correct": 0.15, "settings": 0.1, "hand_over": 0.2,
        "peg_fill": 0.75, "bury_heads": 0.25,
    }
)  # fmt: skip
"""How the book's time for a dock, for commissioning and for pegs of the second pass falls on steps: common practice, no
source."""


class LabourParameters(Parameters):
    """Where the times come from: a file that can be read, or it is refused before any parcel is planned."""

    labour_book: str | None = Field(
        default=None,
        description="TOML file with times; an invented example when absent",
        json_schema_extra={"contentMediaType": TOML},
    )

    @field_validator("labour_book")
    @classmethod
    def _readable_labour(cls, value: str | None) -> str | None:
        return value if value is None else read_by(_book, value)


@dataclass(frozen=True)
class Books:
    """The files with prices and with times of work by which ways to lay a lawn are compared."""

    price_file: str | None = None
    labour_file: str | None = None

    @cached_property
    def prices(self) -> PriceBook:
        """Prices of material."""
        return price_book_from(self.price_file)

    @cached_property
    def labour(self) -> LabourBook:
        """What work takes and costs."""
        return _book(self.labour_file)


def _book(file: str | None) -> LabourBook:
    from pathlib import Path

    return labour_book_from(None if file is None else Path(file))


@dataclass(frozen=True)
class LayingTimes:
    """What a labour book says of a parcel with some loops of wire, some metres of it and some pegs on them.

    Each sum over all steps of a parcel is what the book says of the parcel as a whole.
    """

    book: LabourBook
    loops: int
    wire_m: float
    pegs: int

    def once_a_loop(self, what: str) -> float:
        """Return the hours of a step that a loop has once: its share of what the book has once for a parcel [h]."""
        minutes = self.book.minutes_setup if what == "mark_out" else self.book.minutes_walk_round * SHARES[what]
        return minutes / self.loops / MINUTES_PER_HOUR

    def once(self, what: str) -> float:
        """Return the hours of a step that a parcel has once [h]."""
        return self.book.minutes_walk_round * SHARES[what] / MINUTES_PER_HOUR

    def of_dock(self, what: str) -> float:
        """Return the hours of a step that each dock has [h]."""
        return self.book.minutes_per_dock * SHARES[what] / MINUTES_PER_HOUR

    def laid(self, length_m: float, pegs: int) -> float:
        """Return the hours of laying some wire with the pegs of the first pass on it [h]."""
        wire = self.book.minutes_per_m_wire * (1 - PEGGING_SHARE) * length_m
        return wire / MINUTES_PER_HOUR + self._pegged(pegs)

    def filled(self, what: str, pegs: int) -> float:
        """Return the hours of a step of the second pass [h]."""
        return self._pegged(pegs) * SHARES[what]

    def _pegged(self, pegs: int) -> float:
        minutes = self.book.minutes_per_m_wire * PEGGING_SHARE * self.wire_m * pegs / max(self.pegs, 1)
        return minutes / MINUTES_PER_HOUR

    def each(self, minutes: float) -> float:
        """Return hours of minutes [h]."""
        return minutes / MINUTES_PER_HOUR


def laying_times(parameters: LabourParameters, *, loops: int, wire_m: float, pegs: int) -> LayingTimes:
    """Return the times of a parcel by the labour book that parameters name.

    Parameters
    ----------
    parameters
        With the name of the book.
    loops
        Loops of wire on the parcel.
    wire_m
        Wire in them [m].
    pegs
        Pegs on it, both passes.
    """
    return LayingTimes(_book(parameters.labour_book), loops, wire_m, pegs)
