"""A filled-in visit sheet, as CSV or as points collected with a field app, becomes overrides."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from math import radians, tan
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
from pyproj import CRS
from shapely import Point
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LawngisError, LayerError, PlanError, SiteError
from lawngis.geometry.frame import MeasuringFrame

from ..derived.matching import NEAR_M
from ..files import gpkg
from ..files.plan_reader import plan_file
from ..model.contract import Column, Layer
from ..model.facts import GEOMETRY, KIND_OF, WORDS
from ..model.layers import PLAN_LAYERS
from ..model.site_layers import SITE_LAYERS
from ..model.tables import plain_rows
from ..model.values import text_of, truth_of, typed_number_of
from .overrides import NEW, Override, implausible

TARGET = ("target_layer", "target_id", "target_column")
"""Columns of a check that say what its answer corrects."""

HERE = ("here", "as planned", "as assumed", "yes", "ok")
"""Answers to where something is that say: where the plan has it."""

NO_ANSWERS = ("", "-", "–", "—", "?", "n/a", "n.a.", "na")
"""What people write where they measured nothing."""

_NUMBER = re.compile(r"^([+-]?\d*[.,]?\d+)\s*(\D*)$")
_FEET = re.compile(
    r"^(?:(\d+(?:[.,]\d+)?)\s*(?:ft|feet|foot|'))?\s*(?:(\d+(?:[.,]\d+)?)\s*(?:in|inch|inches|\"|''))?$", re.I
)
_PLACES = (
    re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*[; ]\s*([+-]?\d+(?:[.,]\d+)?)$"),
    re.compile(r"^([+-]?\d+(?:\.\d+)?)\s*,\s*([+-]?\d+(?:\.\d+)?)$"),
)
"""Two coordinates: with a point or a comma before their decimals, or parted by a comma and then with points."""

_UNITS = {
    "m": {"": 1.0, "m": 1.0, "metre": 1.0, "metres": 1.0, "meter": 1.0, "meters": 1.0, "cm": 0.01, "mm": 0.001},
    "%": dict.fromkeys(("", "%", "percent", "per cent"), 1.0),
}
"""Ways to write the units of columns, and how much of the column's unit each is."""

_DEGREES = ("°", "deg", "degree", "degrees")
_FOOT_M, _INCH_M = 0.3048, 0.0254

OVERRIDES_LAYER = Layer(
    "overrides",
    "Measured on site",
    "What was measured on site; put this file into the folder of the site, and it wins over what the maps say.",
    "Geometry",
    SITE_LAYERS["overrides"].columns,
    may_be_empty_geometry=True,
)
"""Layer that a filled-in sheet is written to."""


@dataclass(frozen=True)
class Answers:
    """What filled-in sheets say.

    Parameters
    ----------
    overrides
        Answers that correct something.
    by_hand
        Answers that correct nothing by themselves, in words: somebody must look at them.
    refused
        Rows that can't be used, each with its place and the reason.
    notes
        Notes on checks that were not measured, in words.
    open
        How many checks of the plan have no answer.
    """

    overrides: tuple[Override, ...] = ()
    by_hand: tuple[str, ...] = ()
    refused: tuple[LawngisError, ...] = ()
    notes: tuple[str, ...] = ()
    open: int = 0


@dataclass(frozen=True, eq=False)
class _Answer:
    """One filled-in row of a sheet; `geometry` is where it was collected, in the CRS of the plan."""

    check_id: str
    measured: str
    note: str
    geometry: BaseGeometry | None = None

    def refused(self, advice: str) -> LayerError:
        """Return the error that what was written is no answer to what was asked."""
        return LayerError(f"{self.measured!r} is no answer to {self.check_id}", advice=advice)


@dataclass(frozen=True, eq=False)
class _Checks:
    """The checks and points to watch of a plan by name, the outlines of its parcels, and their CRS."""

    rows: Mapping[str, Mapping[str, Any]]
    parcels: Mapping[str, BaseGeometry]
    crs: CRS
    answered: set[str] = field(default_factory=set)


def answers_of(plan: Path, sheets: Sequence[Path]) -> Answers:
    """Return what filled-in visit sheets say.

    All rows are looked at; what can't be used is listed with its reason, and the others count all the same.

    Parameters
    ----------
    plan
        The ``plan.gpkg`` that the sheets belong to, or its folder.
    sheets
        Each a CSV or GeoPackage with the columns check_id, measured, and note if there is one; or, from the walk
        around, watch_id and moved_m: how far the wire was moved onto the lawn, less than 0 towards the edge. Rows
        without a measured value are passed over. Columns x and y, or the geometry of a GeoPackage, say where something
        is. Columns target_layer, target_id and target_column, where there are any, must be those of the plan.

    Raises
    ------
    PlanError
        When the plan is none.
    SiteError, LayerError
        When a sheet can't be read or lacks a column.
    """
    checks = _checks_of(plan)
    found: list[Override] = []
    by_hand: list[str] = []
    notes: list[str] = []
    refused: list[LawngisError] = []
    for sheet in sheets:
        for where, row in _rows(sheet, checks.crs):
            measured, note = text_of(row.get("measured")), text_of(row.get("note"))
            if measured.casefold() in NO_ANSWERS:
                notes += [f"{text_of(row.get('check_id'))}: {note}"] if note else []
                continue
            try:
                answer = _answer(row, checks)
                item = _override(answer, checks, len(found) + 1)
            except LawngisError as error:
                refused.append(error.within(str(sheet), where))
                continue
            checks.answered.add(answer.check_id)
            if item is None:
                asked = checks.rows[answer.check_id]["measure_what"]
                by_hand.append(f"{answer.check_id} ({asked}): {answer.measured}")
            else:
                found.append(item)
    left = sum("watch_id" not in row for name, row in checks.rows.items() if name not in checks.answered)
    return Answers(tuple(found), tuple(by_hand), tuple(refused), tuple(notes), left)


def write_overrides(path: Path, overrides: Sequence[Override]) -> None:
    """Write overrides as the layer `overrides` of a new GeoPackage.

    Raises
    ------
    PlanError
        When the file is there already, as measurements of another visit would be lost, or can't be written.
    """
    if path.exists():
        raise PlanError("is there already", where=str(path), advice="Name another file, or move it away first.")
    if path.suffix.casefold() != ".gpkg":
        raise PlanError("is no name of a GeoPackage", where=str(path), advice=f"For example {path.stem}.gpkg.")
    rows = {
        name: [getattr(item, name) or None for item in overrides]
        for name in (column.name for column in OVERRIDES_LAYER.columns)
    }
    places = [item.place or Point() for item in overrides]
    crs = next((item.crs for item in overrides), None)
    gpkg.write_plan(path, {"overrides": geopandas.GeoDataFrame(rows, geometry=places, crs=crs)}, (OVERRIDES_LAYER,))


# --- the plan --------------------------------------------------------------------------------------------


def _checks_of(path: Path) -> _Checks:
    plan = plan_file(path, needed=("visit_checks", "summary"))
    plan.refuse_without(("visit_checks",), TARGET)
    outlines = {str(row["parcel_id"]): row["geometry"] for row in plan.rows("summary")}
    asked = {str(row["check_id"]): row for row in plan.rows("visit_checks")}
    walked = plan.rows("watch_points") if "watch_points" in plan.layers else ()
    asked |= {str(row["watch_id"]): {**row, **_watched(row)} for row in walked}
    return _Checks(asked, outlines, plan.crs)


def _watched(point: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a check has and a point to watch hasn't: moving the wire there corrects the plan, if it may move."""
    target = ("watch_points", point["watch_id"], "move_m") if point["move_m"] is not None else ("", "", "")
    return {"measure_what": point["expect"], **dict(zip(TARGET, target, strict=True))}


def _override(answer: _Answer, checks: _Checks, number: int) -> Override | None:
    """Return what an answer corrects; None when the check corrects nothing by itself."""
    check = checks.rows[answer.check_id]
    layer, name, column = (text_of(check[key]) for key in TARGET)
    if not layer:
        return None
    value, place = _value(answer, layer, column, _drawn(check["geometry"]))
    outline = checks.parcels.get(str(check["parcel_id"]))
    if place is not None and outline is not None:
        _refuse_outside(place, outline, checks.crs, answer)
    return Override(layer, name, column, value, answer.note, place, checks.crs, number)


def _refuse_outside(place: BaseGeometry, outline: BaseGeometry, crs: CRS, answer: _Answer) -> None:
    """Refuse a place that is not on the parcel or near it."""
    frame = MeasuringFrame.centred_on(outline, crs)
    parcel, drawn = frame.to_frame(np.array([outline, place], dtype=object))
    away_m = float(parcel.distance(drawn))
    if not away_m <= NEAR_M:
        raise LayerError(
            f"{answer.check_id} was answered for a place {away_m:.0f} m outside its parcel",
            advice="Check the coordinates, their order (x, then y) and their CRS: it is that of the plan.",
        )


def _value(answer: _Answer, layer: str, column: str, asked_at: BaseGeometry | None) -> tuple[str, BaseGeometry | None]:
    """Return an answer as an override has it, and where it holds."""
    if column == GEOMETRY:
        return NEW, _place(answer, asked_at)
    kind = KIND_OF.get((layer, column))
    if kind == "surveys":
        return _yes_or_no(answer, WORDS[layer, column]), asked_at
    slopes = kind == "slopes"
    declared = SITE_LAYERS[layer] if layer in SITE_LAYERS else PLAN_LAYERS[layer]
    spec: Column | None = None if slopes else next(one for one in declared.columns if one.name == column)
    if spec is None or spec.kind == "real":
        unit = "%" if spec is None else spec.unit
        number = _number(answer, unit)
        problem = implausible(layer, column, number, unit)
        if problem:
            raise answer.refused(f"{problem[:1].upper()}{problem[1:]}: was another unit meant?")
        place = answer.geometry if slopes and answer.geometry is not None else asked_at
        return f"{number:.6g}", place
    return _word(answer, spec, WORDS.get((layer, column), {})), asked_at


def _yes_or_no(answer: _Answer, words: Mapping[str, str]) -> str:
    given = words.get(answer.measured.casefold().strip(" ."), answer.measured)
    try:
        return "yes" if truth_of(given) else "no"
    except ValueError as error:
        raise answer.refused(f"Answers are {', '.join(words)}, yes or no.") from error


def _word(answer: _Answer, spec: Column, words: Mapping[str, str]) -> str:
    """Return an answer in words as the column has it: its values are answers, and so are the words on the sheet."""
    if not spec.values:
        return answer.measured
    given = answer.measured.casefold().replace("_", " ").strip(" .")
    known = {value.replace("_", " "): value for value in spec.values} | dict(words)
    known |= {phrase.removeprefix("a ").removesuffix(" with the lawn"): value for phrase, value in words.items()}
    if given not in known:
        raise answer.refused(f"Answers are {', '.join([*words, *spec.values])}.")
    return known[given]


def _number(answer: _Answer, unit: str) -> float:
    """Return a measured number in the unit of its column: lengths metric or in feet, slopes in percent or degrees."""
    match = _NUMBER.match(answer.measured)
    given = match[2].strip().casefold() if match else ""
    if match and given in _UNITS.get(unit, {"": 1.0, unit.casefold(): 1.0}):
        return typed_number_of(match[1]) * _UNITS.get(unit, {}).get(given, 1.0)
    if match and unit == "%" and given in _DEGREES:
        return 100 * tan(radians(typed_number_of(match[1])))
    feet = _FEET.match(answer.measured) if unit == "m" else None
    if feet:
        return typed_number_of(feet[1] or 0) * _FOOT_M + typed_number_of(feet[2] or 0) * _INCH_M
    raise answer.refused(f"Enter a number in {unit}, such as 1.25.")


def _place(answer: _Answer, asked_at: BaseGeometry | None) -> BaseGeometry:
    """Return where something is: where it was collected, the coordinates written down, or where the plan has it."""
    for match in filter(None, (pattern.match(answer.measured) for pattern in _PLACES)):
        return Point(typed_number_of(match[1]), typed_number_of(match[2]))
    if answer.geometry is not None:
        return answer.geometry
    if asked_at is not None and answer.measured.casefold() in HERE:
        return asked_at
    raise LayerError(
        f"{answer.measured!r} does not say where, as {answer.check_id} asks",
        advice="Enter x and y in the CRS of the plan, such as 500012.3 5500004.5, or: here.",
    )


# --- the sheet -------------------------------------------------------------------------------------------


def _answer(row: Mapping[str, Any], checks: _Checks) -> _Answer:
    """Return a filled-in row, if it answers a check of the plan that asks the same."""
    name = text_of(row.get("check_id"))
    if name not in checks.rows:
        near = ", ".join(get_close_matches(name, checks.rows, n=3, cutoff=0.0))
        raise LayerError(f"there is no check {name!r} in the plan", advice=f"Nearest: {near}.")
    if name in checks.answered:
        raise LayerError(f"{name} is answered twice", advice="Keep one answer.")
    for column in TARGET:
        sheet, plan = text_of(row.get(column)), text_of(checks.rows[name][column])
        if column in row and sheet != plan:
            raise LayerError(
                f"{name} asked for {column} {sheet or 'none'}, but this plan's asks for {plan or 'none'}",
                advice="Use the plan that the sheet was made from, or measure again by a new sheet.",
            )
    return _Answer(name, text_of(row.get("measured")), text_of(row.get("note")), _collected(row))


def _collected(row: Mapping[str, Any]) -> BaseGeometry | None:
    """Return where an answer was collected: its geometry, or the columns x and y."""
    x, y = text_of(row.get("x")), text_of(row.get("y"))
    if not x and not y:
        return _drawn(row.get("geometry"))
    try:
        return Point(typed_number_of(x), typed_number_of(y))
    except ValueError as error:
        raise LayerError(f"x {x!r} and y {y!r} are no place", advice="Enter both as numbers.") from error


def _rows(sheet: Path, crs: CRS) -> list[tuple[str, dict[str, Any]]]:
    """Return the rows of a sheet, each with its place in the file."""
    if not sheet.exists():
        raise SiteError("there is no such file", where=str(sheet), advice="Check the spelling.")
    rows = _csv_rows(sheet) if sheet.suffix.casefold() == ".csv" else _collected_rows(sheet, crs)
    folded = [
        (f"row {number}", _as_check({str(k).strip().casefold(): v for k, v in row.items()})) for number, row in rows
    ]
    if not folded or not {"check_id", "measured"} <= set(folded[0][1]):
        raise LayerError("has no columns check_id and measured, or no rows", where=str(sheet))
    return folded


def _as_check(row: dict[str, Any]) -> dict[str, Any]:
    """Return a row of a walk sheet as one of a visit sheet; wire that was not moved is no answer."""
    if not {"watch_id", "moved_m"} <= set(row):
        return row
    moved = text_of(row["moved_m"])
    still = moved.strip("+-0., mc") == ""
    return {**row, "check_id": row["watch_id"], "measured": "" if still else moved}


def _csv_rows(sheet: Path) -> list[tuple[int, dict[str, Any]]]:
    """Return the rows of a CSV under its heading, numbered as a spreadsheet numbers them: the heading is row 1."""
    try:
        with sheet.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            file.seek(0)
            rows = list(csv.reader(file, delimiter=max(",;\t", key=first.count)))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SiteError(f"can't be read ({error})", where=str(sheet), advice="Save it as CSV in UTF-8.") from error
    heading, *below = rows or [[]]
    return [(number, dict(zip(heading, row, strict=False))) for number, row in enumerate(below, start=2) if any(row)]


def _collected_rows(sheet: Path, crs: CRS) -> list[tuple[int, dict[str, Any]]]:
    infos = gpkg.layer_overview(sheet)
    info = next((item for item in infos if {"check_id", "measured"} <= {c.casefold() for c in item.columns}), None)
    if info is None:
        return []
    if info.geometry_type is None or info.crs is None:
        found = gpkg.read_table(sheet, info.name)
    else:
        found = gpkg.read_layer(sheet, info.name).to_crs(crs)
    return list(enumerate(plain_rows(found), start=1))


def _drawn(value: Any) -> BaseGeometry | None:
    return value if isinstance(value, BaseGeometry) and not value.is_empty else None
