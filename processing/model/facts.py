"""What somebody measured or saw on site: typed facts, each with its place or the name that a plan gave its feature.

Steps read facts like any layer and declare which kinds they read (``fact:widths``). What hangs on a fact follows as
from any other input; no result of a step is changed afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields
from itertools import chain
from typing import Any, Generic, TypeVar

from shapely import LineString, MultiPolygon, Polygon
from shapely.geometry.base import BaseGeometry

Value_co = TypeVar("Value_co", covariant=True)

GONE = "gone"
"""Column of an override that says that a feature isn't there, or is left out; also as what a passage is."""

GEOMETRY = "geometry"
"""Column of an override whose place is the value."""


@dataclass(frozen=True, eq=False)
class Fact(Generic[Value_co]):
    """One thing that somebody measured on site.

    Parameters
    ----------
    value
        What was measured, of the type of its kind; None where the place says it all.
    layer, column
        What of which layer it corrects.
    name
        Feature of that layer as a plan calls it; empty when the place decides.
    place
        Where it was measured, in the frame [m].
    note
        Who measured, when, how.
    label
        How it is called when something is said of it.
    ours
        False when it lies just beside the parcel and doesn't name it: then it may be the neighbour's.
    key
        Digest by which it is known again.
    """

    value: Value_co
    layer: str
    column: str
    name: str = ""
    place: BaseGeometry | None = None
    note: str = ""
    label: str = ""
    ours: bool = True
    key: str = ""

    @property
    def kind(self) -> str:
        """Kind of fact, under which :class:`Facts` has it."""
        return KIND_OF.get((self.layer, self.column), "features")

    @property
    def read_as(self) -> str:
        """What a step declares to read it: ``fact:widths``, or ``site:trees`` for a feature of the site."""
        return f"site:{self.layer}" if self.kind == "features" else f"fact:{self.kind}"

    @property
    def evidence(self) -> str:
        """What is given as evidence where it decided."""
        return f"measured on site{f': {self.note}' if self.note else ''}"


def _kind(title: str, *columns: tuple[str, str]) -> Any:
    return field(default=(), metadata={"title": title, "columns": columns})


@dataclass(frozen=True, eq=False)
class Facts:
    """All that was measured on one parcel, by kind; `features` are those of the site's own layers."""

    features: tuple[Fact[Any], ...] = _kind("things of the site that are gone, new or other than mapped")
    covers: tuple[Fact[str], ...] = _kind("what grows on a piece of ground", ("cover", "cover"))
    trees_gone: tuple[Fact[None], ...] = _kind("trees of the surface model that are none", ("trees_found", GONE))
    outlines: tuple[Fact[Polygon | MultiPolygon | None], ...] = _kind(
        "outlines of pieces of lawn", ("lawn", GEOMETRY), ("lawn", GONE)
    )
    slopes: tuple[Fact[float], ...] = _kind("slope of ground [%]", ("keepouts", "slope_percent"))
    zones_gone: tuple[Fact[None], ...] = _kind("zones that are left out", ("zones", GONE))
    widths: tuple[Fact[float], ...] = _kind("width of passages at their narrowest [m]", ("links", "width_m"))
    passages: tuple[Fact[str], ...] = _kind("what the mower does in a passage", ("links", "kind"), ("links", GONE))
    edge_classes: tuple[Fact[str], ...] = _kind("what lies beyond an edge", ("edges", "edge_class"))
    docks: tuple[Fact[bool], ...] = _kind(
        "where the dock stands, or may not", ("dock_candidates", GEOMETRY), ("dock_candidates", "chosen")
    )
    pad_slopes: tuple[Fact[float], ...] = _kind(
        "slope of the ground under a dock [%]", ("dock_candidates", "slope_percent")
    )
    wires: tuple[Fact[LineString], ...] = _kind("lines along which the wire runs", ("wire_path", GEOMETRY))

    def __iter__(self) -> Iterator[Fact[Any]]:
        return chain.from_iterable(vars(self).values())

    def __add__(self, other: Facts) -> Facts:
        return Facts(**{kind: facts + getattr(other, kind) for kind, facts in vars(self).items()})

    @property
    def lines(self) -> list[LineString]:
        """Lines along which the wire is to run."""
        return [fact.value for fact in self.wires]


FACT_TITLES: Mapping[str, str] = {kind.name: kind.metadata["title"] for kind in fields(Facts)}
"""What each kind of fact is, by its name in :class:`Facts`."""

KIND_OF: Mapping[tuple[str, str], str] = {
    column: kind.name for kind in fields(Facts) for column in kind.metadata["columns"]
}
"""The kind of fact that an override of a layer's column is; those of the site's own layers are features."""


def fact_columns(layer: str) -> list[str]:
    """Return what can be measured of a layer of the plan, by column of `overrides`."""
    return [column for some, column in KIND_OF if some == layer]
