"""What somebody measured on site, as rows of the layer `overrides`: read, checked, and given to their parcels.

One whose target is no parcel's, or that says what nothing can follow from, is refused before anything is planned.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from hashlib import blake2b
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import shapely
from pyproj import CRS
from shapely import LineString
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError
from lawngis.geometry.frame import MeasuringFrame

from ..derived.matching import NEAR_M
from ..files import gpkg
from ..model.contract import Column, Layer, SiteLayer
from ..model.facts import GEOMETRY, GONE, KIND_OF, PLAUSIBLE, WHOLE_PARCEL, fact_columns
from ..model.layers import PLAN_LAYERS
from ..model.site import Site
from ..model.site_layers import SITE_LAYERS
from ..model.tables import plain_rows
from ..model.values import text_of, truth_of, typed_number_of
from ..reading.site_source import SiteSource

BESIDE_M = 0.5
"""A place this near a parcel may still be meant to lie on it; farther off, what a plan derives is the neighbour's."""

APART = ("parcels", "overrides")
"""Layers of a site that nobody corrects by overrides."""

NEW = "new"
"""Value of a site feature's geometry that no map has."""

_INSTEAD = {
    "keepouts": "Say it of the site's own layer: trees, beds, water, barriers or obstacles, such as gone.",
    "trees_found": "Put the tree into the site's layer trees: column geometry, value new; then measure it there.",
    "zones": "Draw ground that is steep: target_layer keepouts, column slope_percent; another outline: lawn, geometry.",
    "edges": "Where the wire is to run elsewhere draw its line: target_layer wire_path, column geometry.",
    "hand_mow": "Draw another outline as an override of lawn, or leave a zone out: target_layer zones, column gone.",
    "supply_route": "Say where the outlet is: target_layer outlets, column geometry.",
    "materials": "Give a price book.",
}
"""What to do instead, by layer."""


@dataclass(frozen=True, eq=False)
class Override:
    """One row of `overrides`: what it targets, the measured value as text, and where it was measured, if drawn.

    `key` is the digest by which it is known again, once it was given to a parcel.
    """

    target_layer: str
    target_id: str
    column: str
    value: str
    note: str = ""
    place: BaseGeometry | None = None
    crs: CRS | None = None
    row: int = 0
    key: str = ""

    def __str__(self) -> str:
        name = self.target_id or "at its place"
        value = f" = {self.value}" if self.value else ""
        return f"override {self.row} ({self.target_layer} {name}, {self.column}{value})"

    @property
    def feature(self) -> str:
        """Name of the feature that it is about; empty when it goes by its place."""
        return self.target_id if "-" in self.target_id or self.target_layer == WHOLE_PARCEL[0] else ""


def site_overrides(source: SiteSource) -> tuple[Override, ...]:
    """Return what was measured on a site, if it has a layer of that.

    Raises
    ------
    LayerError
        When a row names nothing that can be measured, its value is none, or it belongs to no parcel.
    """
    place = source.files.layers.get("overrides")
    if place is None:
        return ()
    found = read_overrides(place.info.path, place.info.name)
    refuse_strangers(
        found, source.parcel_ids, lambda: ([source.outline(name) for name in source.parcel_ids], source.crs)
    )
    return found


def read_overrides(path: Path, layer: str = "overrides") -> tuple[Override, ...]:
    """Return the overrides in a layer or table.

    Raises
    ------
    LayerError
        When a row names nothing that can be measured, or its value is none.
    """
    info = next((info for info in gpkg.layer_overview(path) if info.name.casefold() == layer.casefold()), None)
    if info is None:
        raise LayerError(f"there is no layer {layer!r}", where=str(path))
    drawn = info.geometry_type is not None
    table = gpkg.read_layer(path, layer) if drawn else gpkg.read_table(path, layer)
    table.columns = [str(name).casefold() if name != "geometry" else name for name in table.columns]
    found = []
    for number, row in enumerate(plain_rows(table), start=1):
        words = {name: text_of(row.get(name)) for name in ("target_layer", "target_id", "column", "value", "note")}
        place = row.get("geometry") if drawn else None
        usable = None if place is None or place.is_empty else place
        found.append(Override(**words, place=usable, crs=info.crs, row=number))
        _check(found[-1], path)
    return tuple(found)


def _check(item: Override, path: Path) -> None:
    where = (str(path), f"overrides, row {item.row}")
    known = _columns(item.target_layer)
    if not known:
        measured = ", ".join(dict.fromkeys(layer for layer, _ in KIND_OF))
        what = f"target_layer {item.target_layer!r} is "
        what += "told, not measured" if item.target_layer in (*PLAN_LAYERS, *APART) else "no layer"
        advice = f"What is measured belongs to {measured}, or to a layer of the site: {', '.join(SITE_LAYERS)}."
        raise LayerError(what, where=where, advice=_INSTEAD.get(item.target_layer, advice))
    if item.column not in known:
        there = {column.name for column in _spec(item.target_layer).columns} | {GONE, GEOMETRY}
        raise LayerError(
            f"nothing follows from a measured {item.column} of {item.target_layer}"
            if item.column in there
            else f"column {item.column!r} is no column of {item.target_layer}",
            where=where,
            advice=f"Measured are {', '.join(known)}. {_INSTEAD.get(item.target_layer, '')}".strip(),
        )
    if not item.target_id and item.place is None:
        raise LayerError("names no feature and has no place", where=where, advice="Give target_id, or draw it.")
    if item.column == GEOMETRY and item.place is None:
        raise LayerError("says where something is, but has no place", where=where, advice="Draw it.")
    if item.target_layer == "wire_path" and not drawn_lines(item.place):
        raise LayerError("the wire's way is not drawn as a line", where=where, advice="Draw a line.")
    if item.target_layer == "lawn" and item.column == GEOMETRY and not shapely.area(item.place) > 0:
        raise LayerError("the lawn is not drawn as an area", where=where, advice="Draw its outline.")
    try:
        typed_value(item)
    except LayerError as error:
        raise LayerError(error.what, where=where, advice=error.advice) from error


def _columns(layer: str) -> list[str]:
    """Return what can be measured of a layer."""
    if layer in SITE_LAYERS and layer not in APART:
        return [*(column.name for column in SITE_LAYERS[layer].columns), GONE, GEOMETRY]
    return fact_columns(layer)


def _spec(layer: str) -> SiteLayer | Layer:
    return SITE_LAYERS[layer] if layer in SITE_LAYERS else PLAN_LAYERS[layer]


def drawn_lines(place: BaseGeometry | None) -> list[LineString]:
    """Return the lines that somebody drew."""
    return [part for part in shapely.get_parts(place) if isinstance(part, LineString) and part.length > 0]


def typed_value(item: Override) -> Any:
    """Return the value of an override, of the type of its column; None where the place says it all.

    Raises
    ------
    LayerError
        When it is none of the values that the column takes.
    """
    if item.column == GONE:
        return None
    if item.column == GEOMETRY:
        return NEW if item.value.casefold() == NEW else None
    own: dict[str, Callable[[], Any]] = {
        "slopes": lambda: _plausible(item, "%"),
        "surveys": lambda: _truth(item, unsaid=""),
    }
    kind = KIND_OF.get((item.target_layer, item.column), "")
    return own[kind]() if kind in own else _of_column(item)


def _of_column(item: Override) -> Any:
    """Return the value of an override as the column that it is of declares it."""
    spec: Column = next(column for column in _spec(item.target_layer).columns if column.name == item.column)
    if spec.kind in ("real", "integer"):
        number = _plausible(item, spec.unit)
        return number if spec.kind == "real" else int(number)
    if spec.kind == "boolean":
        return _truth(item)
    return _one_of(item, spec.values) if spec.values else item.value


def _one_of(item: Override, known: Sequence[str]) -> str:
    word = item.value.casefold()
    if word not in known:
        words = ", ".join(filter(None, known))
        raise LayerError(f"{item}: {item.value!r} is none of {words}", advice=f"Enter one of {words}.")
    return word


def _truth(item: Override, *, unsaid: str = "yes") -> bool:
    try:
        return truth_of(item.value or unsaid)
    except ValueError as error:
        raise LayerError(f"{item}: {item.value!r} says neither yes nor no", advice="Enter yes or no.") from error


def _plausible(item: Override, unit: str) -> float:
    """Return a measured number, if it can be true."""
    number = _number(item)
    problem = implausible(item.target_layer, item.column, number, unit)
    if problem:
        raise LayerError(f"{item}: {problem}", advice="Was another unit meant?")
    return number


def implausible(layer: str, column: str, number: float, unit: str) -> str:
    """Return why a measured number can't be true, in words; empty when it can.

    Parameters
    ----------
    layer, column
        What it is a measurement of.
    number
        The number, in the unit of that column.
    unit
        That unit.
    """
    least, most = PLAUSIBLE.get((layer, column), (-np.inf, np.inf))
    return "" if least <= number <= most else f"{number:g} {unit} is not between {least:g} and {most:g} {unit}"


def _number(item: Override) -> float:
    try:
        number = typed_number_of(item.value.removesuffix("%"))
    except ValueError:
        number = np.nan
    if not np.isfinite(number):
        raise LayerError(f"{item}: {item.value!r} is no number", advice="Enter a number such as 1.25.")
    return number


def own_overrides(site: Site, overrides: Sequence[Override]) -> list[Override]:
    """Return the overrides that belong to a parcel, in its frame: by the name they begin with, else by their place.

    What stands near a parcel matters to it, whosever it is; edges, passages and docks are its own.
    """
    found = []
    for item in overrides:
        place = item.place
        if place is not None and item.crs is not None:
            place = site.frame.to_frame(np.array([place], dtype=object), item.crs)[0]
        named = item.target_id == site.parcel_id or item.target_id.startswith(f"{site.parcel_id}-")
        here = place is not None and place.dwithin(site.parcel, _reach_m(item))
        if named or (here and not item.feature):
            found.append(replace(item, place=place, crs=None, key=_digest(item)))
    return found


def _digest(item: Override) -> str:
    """Return what makes an override, as it was read, the same as one of another run."""
    place = b"" if item.place is None else bytes(shapely.to_wkb(item.place))
    words = "|".join([item.target_layer, item.target_id, item.column, item.value])
    return blake2b(words.encode() + place, digest_size=8).hexdigest()


def _reach_m(item: Override) -> float:
    if item.target_layer == WHOLE_PARCEL[0]:
        return 0.0  # what holds for a parcel holds for no neighbour
    return NEAR_M if item.target_layer in SITE_LAYERS else BESIDE_M


def refuse_strangers(
    overrides: Sequence[Override],
    parcel_ids: Sequence[str],
    outlines: Callable[[], tuple[Sequence[BaseGeometry | None], CRS]] | None = None,
) -> None:
    """Refuse overrides that belong to no parcel.

    Parameters
    ----------
    overrides
        From :func:`read_overrides`.
    parcel_ids
        Names of all parcels of the site.
    outlines
        Returns their outlines and the CRS of these; asked for only when an override goes by its place. Default: places
        are not looked at.

    Raises
    ------
    LayerError
        Naming the first, with the parcels whose names or outlines come nearest.
    """
    placed = []
    for item in overrides:
        named = item.target_id
        if named in parcel_ids or any(named.startswith(f"{name}-") for name in parcel_ids):
            continue
        if item.feature or item.place is None:
            near = ", ".join(get_close_matches(named.partition("-")[0], parcel_ids, n=3, cutoff=0.0))
            raise LayerError(f"{item} finds no target: no parcel begins that name", advice=f"Nearest are {near}.")
        placed.append(item)
    if placed and outlines is not None:
        _refuse_far(placed, parcel_ids, *outlines())


def _refuse_far(
    overrides: Sequence[Override], parcel_ids: Sequence[str], outlines: Sequence[BaseGeometry | None], crs: CRS
) -> None:
    known = [(name, shape) for name, shape in zip(parcel_ids, outlines, strict=True) if shape and not shape.is_empty]
    if not known:
        return
    tree = shapely.STRtree([shape for _, shape in known])
    for item in overrides:
        place = geopandas.GeoSeries([item.place], crs=item.crs or crs).to_crs(crs).iloc[0]
        name, nearest = known[int(tree.nearest(place))]
        frame = MeasuringFrame.centred_on(place, crs)
        outline, drawn = frame.to_frame(np.array([nearest, place], dtype=object))
        away = float(outline.distance(drawn))
        if away > _reach_m(item):
            raise LayerError(
                f"{item} finds no target: the nearest parcel, {name}, is {away:.0f} m from its place",
                advice="Check the CRS of the layer overrides, or give target_id.",
            )
