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

from lawngis.lawn.passages import GroundChange
from lawngis.wire.loop import Run

Value_co = TypeVar("Value_co", covariant=True)

GONE = "gone"
"""Column of an override that says that a feature isn't there, or is left out; also as what a passage is."""

GEOMETRY = "geometry"
"""Column of an override whose place is the value."""


@dataclass(frozen=True, eq=False)
class PassageGround:
    """Where a measured width moves the outline: the passage as the maps alone have it, and what becomes of its ground.

    Parameters
    ----------
    name
        As a plan of the maps alone calls it; empty where that shows none.
    middle_line
        Way through [m].
    width_m, width_sd_m
        At its narrowest on the maps, and how sure that is [m].
    change
        What the lawn gains or loses.
    """

    name: str
    middle_line: LineString
    width_m: float
    width_sd_m: float
    change: GroundChange


@dataclass(frozen=True, eq=False)
class ReshapedWire:
    """A loop of wire as somebody drew it in a plan, and the runs that the plan had there: what they were and where."""

    line: LineString
    runs: tuple[Run, ...]


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
    ground
        Of a measured width, where it moves the outline.
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
    ground: PassageGround | None = None

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


def _measured_as(*columns: tuple[str, str]) -> Any:
    """Return a field of facts that overrides of some columns of layers are."""
    return field(default=(), metadata={"columns": columns})


@dataclass(frozen=True, eq=False)
class Facts:
    """All that was measured on one parcel, by kind.

    Parameters
    ----------
    features
        Things of the site's own layers that are gone, new, or other than mapped; they are in those layers already.
    covers
        What grows on a piece of ground.
    trees_gone
        Trees of the surface model that are none.
    outlines
        Outlines of pieces of lawn; None for what is no lawn.
    slopes
        Slope of ground [percent].
    zones_gone
        Zones that are left out.
    widths
        Width of passages at their narrowest [m].
    passages
        What the mower does in a passage, or that it is gone.
    edge_classes
        What lies beyond an edge.
    moves
        How far the wire was moved on the walk around, onto the lawn or, less than 0, towards its edge [m].
    docks
        Where the dock stands, or may not.
    pad_slopes
        Slope of the ground under a dock [percent].
    wires
        Lines along which the wire runs.
    mapped
        Nothing measured: role of zones and kind of links by the names that the maps alone give, where a width moves an
        outline. They keep these names.
    paths
        Loops of wire of an earlier plan that somebody reshaped in it, by their names.
    surveys
        Whether somebody saw to it that the site's layers hold all that is on the parcel.
    """

    features: tuple[Fact[Any], ...] = _measured_as()
    covers: tuple[Fact[str], ...] = _measured_as(("cover", "cover"))
    trees_gone: tuple[Fact[None], ...] = _measured_as(("trees_found", GONE))
    outlines: tuple[Fact[Polygon | MultiPolygon | None], ...] = _measured_as(("lawn", GEOMETRY), ("lawn", GONE))
    slopes: tuple[Fact[float], ...] = _measured_as(("keepouts", "slope_percent"))
    zones_gone: tuple[Fact[None], ...] = _measured_as(("zones", GONE))
    widths: tuple[Fact[float], ...] = _measured_as(("links", "width_m"))
    passages: tuple[Fact[str], ...] = _measured_as(("links", "kind"), ("links", GONE))
    edge_classes: tuple[Fact[str], ...] = _measured_as(("edges", "edge_class"))
    moves: tuple[Fact[float], ...] = _measured_as(("watch_points", "move_m"))
    docks: tuple[Fact[bool], ...] = _measured_as(("dock_candidates", GEOMETRY), ("dock_candidates", "chosen"))
    pad_slopes: tuple[Fact[float], ...] = _measured_as(("dock_candidates", "slope_percent"))
    wires: tuple[Fact[LineString], ...] = _measured_as(("wire_path", GEOMETRY))
    mapped: tuple[Fact[str], ...] = _measured_as()
    paths: tuple[Fact[ReshapedWire], ...] = _measured_as()
    surveys: tuple[Fact[bool], ...] = _measured_as(("parcels", "complete"))

    def __iter__(self) -> Iterator[Fact[Any]]:
        return chain.from_iterable(vars(self).values())

    def __add__(self, other: Facts) -> Facts:
        return Facts(**{kind: facts + getattr(other, kind) for kind, facts in vars(self).items()})


FACT_KINDS = tuple(kind.name for kind in fields(Facts))
"""Names of the kinds of facts, as :class:`Facts` has them."""

KIND_OF: Mapping[tuple[str, str], str] = {
    column: kind.name for kind in fields(Facts) for column in kind.metadata["columns"]
}
"""The kind of fact that an override of a layer's column is; those of the site's own layers are features."""


def fact_columns(layer: str) -> list[str]:
    """Return what can be measured of a layer of the plan, by column of `overrides`."""
    return [column for some, column in KIND_OF if some == layer]


PLAUSIBLE: Mapping[tuple[str, str], tuple[float, float]] = {
    ("links", "width_m"): (0.0, 30.0),
    ("keepouts", "slope_percent"): (0.0, 150.0),
    ("dock_candidates", "slope_percent"): (0.0, 100.0),
    ("trees", "trunk_diameter_m"): (0.0, 5.0),
    ("obstacles", "height_m"): (0.0, 30.0),
    ("barriers", "height_m"): (-30.0, 30.0),
    ("watch_points", "move_m"): (-1.0, 1.0),
}
"""What a measured value can be, least and most, by layer and column: beyond it another unit was meant, as 155 for a
width is centimetres. Ours, no source."""

WORDS: Mapping[tuple[str, str], Mapping[str, str]] = {
    ("edges", "edge_class"): {
        "level with the lawn": "flush",
        "raised": "raised",
        "a drop": "drop",
        "a bed": "soft",
        "water": "water",
    },
    ("cover", "cover"): {"lawn": "lawn_under_crown", "bare soil": "bare", "a bed": "shrub"},
    ("links", "kind"): {"short enough": "crossing", "too long": "blocked"},
    ("hard_surfaces", "surface"): {"paved": "paved", "gravel": "gravel", "a grid of stones": "grid"},
    ("parcels", "complete"): {"all is drawn in": "yes", "something is missing": "no"},
    ("dock_candidates", "chosen"): {"it fits": "yes", "it doesn't fit": "no"},
}
"""The words in which a check asks for a value, and the value that each is, by layer and column."""


WHOLE_PARCEL = ("parcels", "complete")
"""Layer and column under which somebody says that the site's layers hold all that is on a parcel."""


def answers(layer: str, column: str) -> list[str]:
    """Return the answers that a check offers: ``level with the lawn``, ``raised``, ..."""
    return list(WORDS[layer, column])
