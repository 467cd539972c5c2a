"""Layers of a site in memory: checked, cleaned, with a word on everything that was repaired or left out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely
from geopandas.array import GeometryArray
from numpy.typing import NDArray
from pyproj import CRS
from shapely import MultiLineString, MultiPoint, Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError
from lawngis.geometry.polygons import polygon_parts

from ..files import gpkg
from ..model.catalogue import Said, Values, values_text
from ..model.contract import Column, SiteLayer
from ..model.plan import Finding
from ..model.text import name_of
from ..model.values import number_of, text_of, texts_of, truth_of
from .site_files import MIXED, LayerPlace


def check_layer(spec: SiteLayer, place: LayerPlace) -> None:
    """Check a layer by its schema alone.

    Raises
    ------
    LayerError
        When it has the wrong geometry, no CRS, or not the columns that the site's settings name.
    """
    geometry = place.info.geometry_type or "None"
    if geometry not in (*spec.geometries, *MIXED):
        held = "is a table without geometry" if geometry == "None" else f"holds {_plural(geometry)}"
        raise LayerError(
            f"{held}, but {spec.name} needs {_geometry_words(spec)}",
            where=str(place),
            advice=f"Name the right layer with --layer {spec.name}=NAME, or rename this one.",
        )
    if place.info.crs is None and geometry != "None":
        raise LayerError("has no CRS", where=str(place), advice="Assign the right one in a GIS.")
    there = {name.casefold() for name in place.info.columns}
    for name, theirs in place.columns.items():
        if theirs.casefold() not in there:
            raise LayerError(
                f"there is no column {theirs!r} to take as {name}",
                where=str(place),
                advice=f"Columns there are {', '.join(place.info.columns) or 'none'}: mend [columns.{spec.name}].",
            )


def _geometry_words(spec: SiteLayer) -> str:
    plain = dict.fromkeys(name.removeprefix("Multi") for name in spec.geometries if name != "None")
    return " or ".join(_plural(name) for name in plain)


def _plural(geometry_type: str) -> str:
    words = {"LineString": "line", "LinearRing": "line", "GeometryCollection": "collection"}
    multi = "multi" if geometry_type.startswith("Multi") else ""
    plain = geometry_type.removeprefix("Multi")
    return f"{multi}{words.get(plain, plain.lower())}s"


@dataclass(frozen=True)
class Survey:
    """What is wrong with a layer as a whole: what can't be used, what is repaired on reading, and doubtful values.

    Parameters
    ----------
    broken
        What is wrong by row, counted from 0.
    repaired_rows
        Row, counted from 0, by feature number.
    doubts
        What of it makes no sense: values of the finding on it.
    elsewhere
        There are features, and none of them is near a parcel.
    """

    broken: Mapping[int, Said]
    repaired_rows: Mapping[int, int]
    doubts: tuple[Values, ...] = ()
    elsewhere: bool = False

    def findings(self, layer: str) -> list[Finding]:
        """Return the findings on this layer that every parcel gets."""
        alike: dict[str, list[int]] = {}
        for row, problem in self.broken.items():
            alike.setdefault(repr(problem), []).append(row)
        left_out = [{"problem": self.broken[rows[0]], **named_rows(rows)} for rows in alike.values()]
        return [
            *(Finding("caution", "feature-left-out", {"layer": layer, **values}) for values in left_out),
            *(Finding("caution", "value-unclear", {"layer": layer, **doubt}) for doubt in self.doubts),
        ]


@dataclass(frozen=True)
class Features:
    """Features of a layer in memory, cleaned; what was repaired or left out, by row of the table."""

    table: geopandas.GeoDataFrame
    repaired: Mapping[int, Said]
    broken: Mapping[int, Said]
    doubts: tuple[Values, ...] = ()
    made_up_ids: bool = False
    numbers: tuple[int, ...] = ()
    """Feature number in the file of each row of the table."""
    cleaned_names: tuple[int, ...] = ()
    """Rows of parcels whose names or labels had line breaks or the like."""

    @cached_property
    def attributes(self) -> pd.DataFrame:
        """The columns without the geometries."""
        return pd.DataFrame(self.table.drop(columns=self.table.geometry.name))

    @cached_property
    def shapes(self) -> NDArray[np.object_]:
        """The geometries."""
        return np.asarray(self.table.geometry, dtype=object)

    def meeting(self, place: BaseGeometry) -> NDArray[np.int64]:
        """Return the rows of the features that meet a place, in order."""
        return np.asarray(self.table.sindex.query(place, predicate="intersects", sort=True), dtype=np.int64)

    def moved(self, wanted: NDArray[np.int64], shapes: NDArray[np.object_], crs: CRS) -> geopandas.GeoDataFrame:
        """Return some rows, numbered anew, with their geometries as they are in another CRS."""
        columns = self._plain.take(wanted).set_axis(pd.RangeIndex(len(wanted)))
        columns["geometry"] = GeometryArray(shapes, crs=crs)
        return geopandas.GeoDataFrame(columns, geometry="geometry")

    @cached_property
    def _plain(self) -> pd.DataFrame:
        """The table without what geopandas knows of its geometry: selecting its rows takes a fraction of the time."""
        return pd.DataFrame(self.table)

    def rows(self, wanted: Sequence[int]) -> Features:
        """Return some rows, numbered anew."""
        place = {row: number for number, row in enumerate(wanted)}
        return Features(
            self.table.iloc[list(wanted)].reset_index(drop=True),
            {place[row]: problem for row, problem in self.repaired.items() if row in place},
            {place[row]: problem for row, problem in self.broken.items() if row in place},
            self.doubts,
            self.made_up_ids,
            tuple(self.numbers[row] for row in wanted),
        )


SURVEY_ROWS = 10_000
"""As many features are in memory while a whole layer is looked through."""


ROWS_NAMED = 5
"""As many rows are named one by one: one mistake may run through a whole layer."""


def named_rows(rows: Sequence[int]) -> dict[str, Any]:
    """Return values of a finding on some rows, counted from 0: the first of them, counted from 1, and how many."""
    more = max(0, len(rows) - ROWS_NAMED) or None
    return {"features": len(rows), "rows": [row + 1 for row in rows[:ROWS_NAMED]], "more": more}


def surveyed(spec: SiteLayer, place: LayerPlace, near: Callable[[NDArray[np.float64]], bool]) -> Survey:
    """Look through a whole layer, some features at a time.

    Parameters
    ----------
    spec, place
        The layer, and where it is stored.
    near
        Whether any of some bounds, shape (n, 4) in the layer's CRS, comes near a parcel.

    Raises
    ------
    LayerError
        When it can't be read, or text stands where a number belongs.
    """
    broken: dict[int, Said] = {}
    repaired: dict[int, int] = {}
    doubts: dict[str, Values] = {}
    first, here = 0, False
    stored = stored_columns(spec, place)
    for batch in gpkg.layer_batches(place.info.path, place.info.name, columns=list(stored), rows=SURVEY_ROWS):
        table = _in_our_names(batch, stored)
        _, repairable, useless = _repairs(spec, table)
        broken |= {first + row: problem for row, problem in useless.items()}
        repaired |= {int(table.index[row]): first + row for row in repairable}
        _, unclear = _cleaned_columns(spec, table, place, first)
        doubts |= {values_text(doubt): doubt for doubt in unclear}
        first += len(table)
        here = here or near(shapely.bounds(table.geometry.to_numpy()))
    return Survey(broken, repaired, tuple(doubts.values()), elsewhere=len(broken) < first and not here)


def read_features(spec: SiteLayer, place: LayerPlace, *, bbox: gpkg.Bounds | None = None) -> Features:
    """Return a layer's features with the columns that are read, geometries repaired or left out.

    Parcels that can't be used stay in their row, with an empty outline, so that each can fail by its name.

    Parameters
    ----------
    spec, place
        The layer, and where it is stored.
    bbox
        Only features that touch these bounds, in the layer's CRS.

    Raises
    ------
    LayerError
        When it can't be read, or text stands where a number belongs.
    """
    stored = stored_columns(spec, place)
    table = gpkg.read_layer(place.info.path, place.info.name, columns=list(stored), bbox=bbox)
    table = _in_our_names(table, stored)
    if not table.index.is_monotonic_increasing:
        table = table.sort_index()
    geometries, repaired, broken = _repairs(spec, table)
    columns, doubts = _cleaned_columns(spec, table, place, 0)
    cleaned = geopandas.GeoDataFrame(columns, geometry=geometries, crs=table.crs, index=range(len(table)))
    numbers = tuple(int(number) for number in table.index)
    if spec.name == "parcels":
        return Features(cleaned, repaired, broken, doubts, numbers=numbers)
    usable = np.array([row not in broken for row in range(len(cleaned))], dtype=bool)
    position = np.cumsum(usable) - 1
    return Features(
        cleaned if usable.all() else cleaned[usable].reset_index(drop=True),
        {int(position[row]): problem for row, problem in repaired.items()},
        broken,
        doubts,
        numbers=tuple(number for number, use in zip(numbers, usable, strict=True) if use),
    )


def stored_columns(spec: SiteLayer, place: LayerPlace) -> dict[str, list[str]]:
    """Return the columns of a file that are read, and which of ours each is: one may be several."""
    stored: dict[str, list[str]] = {}
    for column in spec.columns:
        stored.setdefault(place.columns.get(column.name, column.name), []).append(column.name)
    return stored


def _in_our_names(table: geopandas.GeoDataFrame, stored: Mapping[str, Sequence[str]]) -> geopandas.GeoDataFrame:
    there = {theirs: ours for theirs, ours in stored.items() if theirs in table.columns}
    again = {name: table[theirs] for theirs, ours in there.items() for name in ours[1:]}
    return table.rename(columns={theirs: ours[0] for theirs, ours in there.items()}).assign(**again)


def _cleaned_columns(
    spec: SiteLayer, table: geopandas.GeoDataFrame, place: LayerPlace, first_row: int
) -> tuple[dict[str, pd.Series[Any]], tuple[Values, ...]]:
    """Return the columns that are read, cleaned, and what is doubtful in them."""
    doubts: list[Values] = []
    columns = {column.name: _values(column, table, (place, first_row), doubts) for column in spec.columns}
    return columns, tuple(doubts)


def _repairs(
    spec: SiteLayer, table: geopandas.GeoDataFrame
) -> tuple[list[BaseGeometry], dict[int, Said], dict[int, Said]]:
    """Return the geometries as they are used, and by row what was wrong where it was repaired, and where it wasn't."""
    row_of = {fid: row for row, fid in enumerate(table.index)}
    geometries = list(table.geometry)
    repaired: dict[int, Said] = {}
    broken: dict[int, Said] = {}
    problems = gpkg.geometry_problems(table, expected=spec.geometries)
    for row, problem in ((row_of[fid], problem) for fid, problem in problems):
        geometry = repaired_geometry(geometries[row], spec)
        geometries[row] = geometry or Polygon()
        (broken if geometry is None else repaired)[row] = problem
    return geometries, repaired, broken


def repaired_geometry(geometry: BaseGeometry | None, spec: SiteLayer) -> BaseGeometry | None:
    """Return what a geometry holds of the types that a layer needs, made valid; None when that is nothing."""
    if geometry is None or geometry.is_empty or not np.isfinite(shapely.get_coordinates(geometry)).all():
        return None
    if "Polygon" in spec.geometries:
        polygons = polygon_parts(shapely.make_valid(geometry))
        if polygons:
            return shapely.union_all(polygons)
    parts = [part for part in _simple_parts(geometry) if part.geom_type in spec.geometries and part.is_valid]
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else _together(parts)


def _simple_parts(geometry: BaseGeometry) -> list[BaseGeometry]:
    parts = [geometry]
    while any(hasattr(part, "geoms") for part in parts):
        parts = [piece for part in parts for piece in getattr(part, "geoms", [part])]
    return parts


def _together(parts: list[BaseGeometry]) -> BaseGeometry | None:
    """Return parts of one type as one geometry; None when they differ, as nobody can say which is meant."""
    if len({part.geom_type for part in parts}) > 1:
        return None
    made_of: Callable[[Any], BaseGeometry] = MultiPoint if parts[0].geom_type == "Point" else MultiLineString
    return made_of(parts)


_Start = tuple[LayerPlace, int]
"""A layer, and the row of it at which a table begins."""


def _values(column: Column, table: geopandas.GeoDataFrame, start: _Start, doubts: list[Values]) -> pd.Series[Any]:
    if column.name not in table.columns:
        return pd.Series([None] * len(table), dtype="float64" if column.kind == "real" else "object")
    values = _as_meant(table[column.name].reset_index(drop=True), start[0].values.get(column.name, {}))
    if column.kind == "real":
        return _numbers(column, values, start, doubts)
    if column.kind == "boolean":
        return _truths(column, values, start, doubts)
    texts = [text or None for text in texts_of(values)]
    return pd.Series(_known_words(column, texts, doubts) if column.values else texts, dtype="object")


def _as_meant(values: pd.Series[Any], meanings: Mapping[str, str]) -> pd.Series[Any]:
    """Return values in our words where the site says what its own mean; case and white space around don't matter."""
    if not meanings:
        return values
    folded = {word.strip().casefold(): meaning for word, meaning in meanings.items()}
    return values.map(lambda value: folded.get(text_of(value).casefold(), value)).astype("object")


def _known_words(column: Column, texts: list[str | None], doubts: list[Values]) -> list[str | None]:
    folded = [None if text is None else text.casefold() for text in texts]
    strange = {text: None for text, word in zip(texts, folded, strict=True) if word and word not in column.values}
    for text in strange:
        doubts.append({"case": "word", "column": column.name, "value": text, "known": list(column.values)})
    return [word if word in column.values else None for word in folded]


def _numbers(column: Column, values: pd.Series[Any], start: _Start, doubts: list[Values]) -> pd.Series[Any]:
    place, first_row = start
    numbers, wrong = _as_numbers(values)
    if len(wrong):
        row = int(wrong[0])
        raise LayerError(
            f"column {column.name} holds {values.iloc[row]!r} where a number belongs",
            where=(str(place), f"row {first_row + row + 1}"),
            advice=f"Enter the {column.description} in {_UNIT_WORDS.get(column.unit, column.unit)}, such as 1.8,"
            " or leave it empty.",
        )
    absurd = numbers.notna() & ~(np.isfinite(numbers) & (numbers >= 0))
    if absurd.any():
        rows = np.flatnonzero(absurd)
        first = f"{numbers[int(rows[0])]:g}"  # as text: JSON has no infinity
        named = named_rows((first_row + rows).tolist())
        doubts.append({"case": "number", "column": column.name, "value": first, **named})
    return numbers.where(~absurd)


_UNIT_WORDS = {"m": "metres"}


def _as_numbers(values: pd.Series[Any]) -> tuple[pd.Series[float], list[int]]:
    """Return values as numbers, and the rows that hold something else."""
    if pd.api.types.is_numeric_dtype(values.dtype):
        return values.astype("Float64").astype("float64"), []
    numbers, wrong = np.full(len(values), np.nan), []
    for row, value in enumerate(values):
        try:
            numbers[row] = number_of(value) if text_of(value) else np.nan
        except ValueError:
            wrong.append(row)
    return pd.Series(numbers), wrong


def _truths(column: Column, values: pd.Series[Any], start: _Start, doubts: list[Values]) -> pd.Series[Any]:
    known: list[bool | None] = []
    strange: dict[int, str] = {}
    for row, word in enumerate(texts_of(values)):
        try:
            known.append(truth_of(word) if word else None)
        except ValueError:
            known.append(None)
            strange[row] = word.casefold()
    if strange:
        named = named_rows([start[1] + row for row in strange])
        doubts.append({"case": "truth", "column": column.name, "value": next(iter(strange.values())), **named})
    return pd.Series(known, dtype="object")


def identified(features: Features, place: LayerPlace) -> Features:
    """Give every parcel a name without line breaks and the like, and refuse names that occur twice.

    Raises
    ------
    LayerError
        When there is no parcel, or two have one name.
    """
    table, cleaned = _names_cleaned(features.table)
    if len(table) == 0:
        raise LayerError("holds no parcel", where=str(place), advice="Draw at least one, or name another layer.")
    names = table["parcel_id"]
    blank = names.isna()
    filled = names.where(~blank, [f"row-{row + 1}" for row in range(len(table))]).astype(str)
    twice = filled[filled.duplicated()]
    if len(twice):
        rows = [str(row + 1) for row in np.flatnonzero(filled == twice.iloc[0])]
        raise LayerError(
            f"parcel_id {twice.iloc[0]!r} occurs more than once, in rows {', '.join(rows)}",
            where=str(place),
            advice="Give every parcel a name of its own.",
        )
    return Features(
        table.assign(parcel_id=filled.to_numpy()),
        features.repaired,
        features.broken,
        features.doubts,
        bool(blank.any()),
        features.numbers,
        tuple(cleaned),
    )


def _names_cleaned(table: geopandas.GeoDataFrame) -> tuple[geopandas.GeoDataFrame, list[int]]:
    """Return parcels with names and labels that can be printed, and the rows in which that changed them."""
    changed: set[int] = set()
    for column in ("parcel_id", "label"):
        names = [name_of(value) if isinstance(value, str) else value for value in table[column]]
        rows = [row for row, (name, value) in enumerate(zip(names, table[column], strict=True)) if name is not value]
        if rows:
            table = table.assign(**{column: pd.Series(names, index=table.index, dtype=object).replace("", None)})
            changed.update(rows)
    return table, sorted(changed)


def drawable(parcels: Features, row: int) -> BaseGeometry | None:
    """Return a parcel's outline, or None when it has none that can be drawn."""
    geometry = parcels.table.geometry.iloc[row]
    return geometry if geometry is not None and not geometry.is_empty and geometry.is_valid else None


def label(parcels: Features, row: int, column: str = "label") -> str:
    """Return what people call a parcel, or whatever else a column says of it; empty when the file doesn't say."""
    return name_of(text_of(parcels.table[column].iloc[row]))
