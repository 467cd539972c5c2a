"""What a declaration of the plan contract is made of: columns, layers of the plan, layers of the site."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .styles import LayerStyle

Form = Literal["", "clock", "json"]
ColumnKind = Literal["text", "real", "integer", "boolean", "datetime"]

_UNIT_ENDINGS = {"m": "m", "m²": "m2", "%": "percent", "°": "deg", "h": "h", "Ω": "ohm", "µT": "ut"}
_UNITS_SPELLED = {"hours", "seconds"}


@dataclass(frozen=True)
class Column:
    """One column: its name, type, meaning and unit, the values it may take (empty: any), and whether it may have none.

    A number in a unit has it at the end of its name too: ``width_m`` in ``"m"``. Texts may have
    a `form`: a time of day, or JSON.
    """

    name: str
    kind: ColumnKind
    description: str
    unit: str = ""
    values: tuple[str, ...] = ()
    nullable: bool = True
    form: Form = ""

    @property
    def title(self) -> str:
        """The name in words, the unit in brackets instead of at its end.

        Examples
        --------
        >>> Column("slope_p95_percent", "real", "", "%").title, Column("hours_week", "real", "", "h").title
        ('slope p95 [%]', 'hours week')
        """
        words = self.name.removesuffix(f"_{_UNIT_ENDINGS.get(self.unit, self.unit)}").split("_")
        unit = f" [{self.unit}]" if self.unit and not _UNITS_SPELLED & set(words) else ""
        return " ".join(words) + unit


@dataclass(frozen=True)
class Layer:
    """One layer that is written.

    Parameters
    ----------
    name, title, description
        Name of its table, and what a person reads.
    geometry
        A single type of geometry (``"Polygon"``), ``"Geometry"`` where rows differ, or None for a table without.
    columns
        Without geometry, and without `parcel_id`, which every layer of a plan has.
    key
        The column whose values are unique in the file, where there is one.
    may_be_empty_geometry
        Whether a row may be nowhere.
    style
        How it is drawn; None for as a GIS likes.
    mixed
        Where `geometry` is ``"Geometry"``, the single types that a row may have; none for any.
    """

    name: str
    title: str
    description: str
    geometry: str | None
    columns: tuple[Column, ...]
    key: str | None = None
    may_be_empty_geometry: bool = False
    style: LayerStyle | None = None
    mixed: tuple[str, ...] = ()

    @property
    def geometry_types(self) -> tuple[str, ...]:
        """Types of geometry that a row may have; none for a table without, and where any will do."""
        return self.mixed or tuple(name for name in (self.geometry,) if name not in (None, "Geometry"))

    def column(self, name: str) -> Column:
        """Return the declaration of one column."""
        return next(column for column in self.columns if column.name == name)


@dataclass(frozen=True)
class SiteLayer:
    """One layer of the site: its geometry types, the columns that are read."""

    name: str
    title: str
    geometries: tuple[str, ...]
    columns: tuple[Column, ...]


def text(
    name: str, description: str, values: tuple[str, ...] = (), *, nullable: bool = True, form: Form = ""
) -> Column:
    """Return the declaration of a column of text; `values` are those it may take, none for any of its `form`."""
    return Column(name, "text", description, "", values, nullable, form)


def real(name: str, unit: str, description: str, *, nullable: bool = True) -> Column:
    """Return the declaration of a column of numbers in a unit; an empty unit for none."""
    return Column(name, "real", description, unit, (), nullable)


def integer(name: str, description: str, *, nullable: bool = True) -> Column:
    """Return the declaration of a column of whole numbers."""
    return Column(name, "integer", description, "", (), nullable)


def boolean(name: str, description: str, *, nullable: bool = True) -> Column:
    """Return the declaration of a column of true and false."""
    return Column(name, "boolean", description, "", (), nullable)


def identifier(name: str, description: str) -> Column:
    """Return the declaration of a column of text that every row has: a name."""
    return text(name, description, nullable=False)
