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
from pyproj import CRS
from shapely import Point
from shapely.geometry.base import BaseGeometry

from lawngis.errors import LayerError, PlanError, SiteError

from ..files import gpkg
from ..files.plan_reader import plan_file
from ..model.contract import Column, Layer
from ..model.facts import GEOMETRY, KIND_OF
from ..model.layers import PLAN_LAYERS
from ..model.site_layers import SITE_LAYERS
from ..model.tables import plain_rows
from ..model.values import text_of, typed_number_of
from .overrides import NEW, Override

TARGET = ("target_layer", "target_id", "target_column")
"""Columns of a check that say what its answer corrects."""

HERE = ("here", "as planned", "as assumed", "yes", "ok")
"""Answers to where something is that say: where the plan has it."""

_NUMBER = re.compile(r"^([+-]?\d*[.,]?\d+)\s*(mm|cm|m|%|°|deg)?$", re.IGNORECASE)
_PLACE = re.compile(r"^([+-]?\d+(?:\.\d+)?)\s*[,; ]\s*([+-]?\d+(?:\.\d+)?)$")
_METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0}

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
    open
        How many checks of the plan have no answer.
    """

    overrides: tuple[Override, ...] = ()
    by_hand: tuple[str, ...] = ()
    open: int = 0


@dataclass(frozen=True, eq=False)
class _Answer:
    """One filled-in row of a sheet; `geometry` is where it was collected, in the CRS of the plan."""

    check_id: str
    measured: str
    note: str
    where: tuple[str, ...]
    geometry: BaseGeometry | None = None


@dataclass(frozen=True, eq=False)
class _Checks:
    """The checks of a plan by name, and their CRS."""

    rows: Mapping[str, Mapping[str, Any]]
    crs: CRS
    answered: set[str] = field(default_factory=set)


def answers_of(plan: Path, sheets: Sequence[Path]) -> Answers:
    """Return what filled-in visit sheets say.

    Parameters
    ----------
    plan
        The ``plan.gpkg`` that the sheets belong to, or its folder.
    sheets
        Each a CSV or GeoPackage with the columns check_id, measured, and note if there is one; rows without a measured
        value are passed over. Columns x and y, or the geometry of a GeoPackage, say where something is.

    Raises
    ------
    PlanError
        When the plan is none.
    SiteError, LayerError
        When a sheet can't be read, lacks a column, answers a check that the plan hasn't or one twice, or an answer is
        no answer to what was asked.
    """
    checks = _checks_of(plan)
    found: list[Override] = []
    by_hand: list[str] = []
    for sheet in sheets:
        for answer in _answers(sheet, checks):
            item = _override(answer, checks, len(found) + 1)
            if item is None:
                asked = checks.rows[answer.check_id]["measure_what"]
                by_hand.append(f"{answer.check_id} ({asked}): {answer.measured}")
            else:
                found.append(item)
    return Answers(tuple(found), tuple(by_hand), len(checks.rows) - len(checks.answered))


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
    plan = plan_file(path, needed=("visit_checks",))
    plan.refuse_without(("visit_checks",), TARGET)
    return _Checks({str(row["check_id"]): row for row in plan.rows("visit_checks")}, plan.crs)


def _override(answer: _Answer, checks: _Checks, number: int) -> Override | None:
    """Return what an answer corrects; None when the check corrects nothing by itself."""
    check = checks.rows[answer.check_id]
    layer, name, column = (text_of(check[key]) for key in TARGET)
    if not layer:
        return None
    place = _drawn(check["geometry"])
    value, place = _value(answer, layer, column, place)
    return Override(layer, name, column, value, answer.note, place, checks.crs, number)


def _value(answer: _Answer, layer: str, column: str, asked_at: BaseGeometry | None) -> tuple[str, BaseGeometry | None]:
    """Return an answer as an override has it, and where it holds."""
    if column == GEOMETRY:
        return NEW, _place(answer, asked_at)
    if KIND_OF.get((layer, column)) == "slopes":
        return _number(answer, "%"), asked_at if answer.geometry is None else answer.geometry
    spec: Column = PLAN_LAYERS[layer].column(column)
    if spec.kind == "real":
        return _number(answer, spec.unit), asked_at
    word = answer.measured.casefold().replace(" ", "_")
    if spec.values and word not in spec.values:
        raise LayerError(
            f"{answer.measured!r} is no answer to {answer.check_id}",
            where=answer.where,
            advice=f"Answers are {', '.join(spec.values)}.",
        )
    return word if spec.values else answer.measured, asked_at


def _number(answer: _Answer, unit: str) -> str:
    """Return a measured number in the unit of its column: lengths in mm, cm or m, slopes in percent or degrees."""
    match = _NUMBER.match(answer.measured)
    given = (match[2] or unit).casefold() if match else ""
    known = {"m": ("m", "cm", "mm"), "%": ("%", "°", "deg")}.get(unit, (unit,))
    if match is None or given not in known:
        raise LayerError(
            f"{answer.measured!r} is no answer to {answer.check_id}",
            where=answer.where,
            advice=f"Enter a number in {unit}, such as 1.25.",
        )
    number = typed_number_of(match[1])
    if given in ("°", "deg"):
        number = 100 * tan(radians(number))
    return f"{number * _METRES.get(given, 1.0):.6g}"


def _place(answer: _Answer, asked_at: BaseGeometry | None) -> BaseGeometry:
    """Return where something is: where it was collected, the coordinates written down, or where the plan has it."""
    match = _PLACE.match(answer.measured)
    if match:
        return Point(float(match[1]), float(match[2]))
    if answer.geometry is not None:
        return answer.geometry
    if asked_at is not None and answer.measured.casefold() in HERE:
        return asked_at
    raise LayerError(
        f"{answer.measured!r} does not say where, as {answer.check_id} asks",
        where=answer.where,
        advice="Enter x and y in the CRS of the plan, such as 500012.3 5500004.5, or: here.",
    )


# --- the sheet -------------------------------------------------------------------------------------------


def _answers(sheet: Path, checks: _Checks) -> list[_Answer]:
    found = []
    for number, row in enumerate(_rows(sheet, checks.crs), start=1):
        measured, where = text_of(row.get("measured")), (str(sheet), f"row {number}")
        if not measured:
            continue
        name = text_of(row.get("check_id"))
        if name not in checks.rows:
            near = ", ".join(get_close_matches(name, checks.rows, n=3, cutoff=0.0))
            raise LayerError(f"there is no check {name!r} in the plan", where=where, advice=f"Nearest: {near}.")
        if name in checks.answered:
            raise LayerError(f"{name} is answered twice", where=where, advice="Keep one answer.")
        checks.answered.add(name)
        found.append(_Answer(name, measured, text_of(row.get("note")), where, _drawn(row.get("geometry"))))
    return found


def _rows(sheet: Path, crs: CRS) -> list[dict[str, Any]]:
    if not sheet.exists():
        raise SiteError("there is no such file", where=str(sheet), advice="Check the spelling.")
    rows = _csv_rows(sheet) if sheet.suffix.casefold() == ".csv" else _collected_rows(sheet, crs)
    folded = [{str(key).strip().casefold(): value for key, value in row.items()} for row in rows]
    if not folded or not {"check_id", "measured"} <= set(folded[0]):
        raise LayerError("has no columns check_id and measured, or no rows", where=str(sheet))
    return folded


def _csv_rows(sheet: Path) -> list[dict[str, Any]]:
    try:
        with sheet.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            file.seek(0)
            mark = max(",;\t", key=first.count)
            rows: list[dict[str, Any]] = list(csv.DictReader(file, delimiter=mark))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise SiteError(f"can't be read ({error})", where=str(sheet), advice="Save it as CSV in UTF-8.") from error
    for row in rows:
        x, y = text_of(row.get("x")), text_of(row.get("y"))
        if x and y and _PLACE.match(f"{x} {y}"):
            row["geometry"] = Point(float(x), float(y))
    return rows


def _collected_rows(sheet: Path, crs: CRS) -> list[dict[str, Any]]:
    infos = gpkg.layer_overview(sheet)
    info = next((item for item in infos if {"check_id", "measured"} <= {c.casefold() for c in item.columns}), None)
    if info is None:
        return []
    if info.geometry_type is None or info.crs is None:
        return plain_rows(gpkg.read_table(sheet, info.name))
    return plain_rows(gpkg.read_layer(sheet, info.name).to_crs(crs))


def _drawn(value: Any) -> BaseGeometry | None:
    return value if isinstance(value, BaseGeometry) and not value.is_empty else None
