"""A filled-in visit sheet, as CSV or as points collected with a field app, becomes overrides."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd

from lawngis.errors import LayerError, SiteError

from . import gpkg
from .layers import PLAN_LAYERS
from .overrides import Override

MEASURED: Mapping[str, tuple[str, str]] = {
    "zones": ("links", "width_m"),
    "edges": ("edges", "edge_class"),
    "dock": ("dock_candidates", "slope_percent"),
}
"""By the step that asks: layer and column that the answer corrects. Other answers are kept by hand."""


def overrides_from_sheet(plan: Path, sheet: Path) -> tuple[Override, ...]:
    """Return what a filled-in visit sheet says, as overrides.

    Parameters
    ----------
    plan
        The ``plan.gpkg`` that the sheet belongs to.
    sheet
        CSV or GeoPackage with the columns check_id, measured, and note if there is one; rows without a measured value
        are passed over.

    Raises
    ------
    SiteError, LayerError
        When the sheet can't be read, lacks a column, or names a check that the plan hasn't.
    """
    rows = _rows(sheet)
    checks = gpkg.read_layer(plan, "visit_checks").set_index("check_id")
    found = []
    for number, row in enumerate(rows, start=1):
        value = _text(row.get("measured"))
        if not value:
            continue
        name = _text(row.get("check_id"))
        if name not in checks.index:
            near = ", ".join(get_close_matches(name, checks.index, n=3, cutoff=0.0))
            raise LayerError(
                f"there is no check {name!r} in the plan",
                where=(str(sheet), f"row {number}"),
                advice=f"Nearest: {near}.",
            )
        item = _override(plan, checks, name, value, _text(row.get("note")), number)
        if item is not None:
            found.append(item)
    return tuple(found)


def _override(
    plan: Path, checks: geopandas.GeoDataFrame, name: str, value: str, note: str, number: int
) -> Override | None:
    check = checks.loc[name]
    target = MEASURED.get(str(check["step"]))
    if target is None:
        return None
    layer, column = target
    known = set(gpkg.read_table(plan, layer)[str(PLAN_LAYERS[layer].key)])
    named = [word for word in re.findall(r"[^\s,;()]+", str(check["measure_what"])) if word in known]
    return Override(layer, named[0] if named else "", column, value, note, check.geometry, checks.crs, number)


def _rows(sheet: Path) -> list[dict[str, Any]]:
    if not sheet.exists():
        raise SiteError("there is no such file", where=str(sheet), advice="Check the spelling.")
    if sheet.suffix.casefold() == ".csv":
        try:
            with sheet.open(encoding="utf-8-sig", newline="") as file:
                first = file.readline()
                file.seek(0)
                mark = max(",;\t", key=first.count)
                rows: list[dict[str, Any]] = list(csv.DictReader(file, delimiter=mark))
        except (OSError, UnicodeDecodeError, csv.Error) as error:
            raise SiteError(f"can't be read ({error})", where=str(sheet), advice="Save it as CSV in UTF-8.") from error
    else:
        infos = gpkg.layer_overview(sheet)
        info = next((item for item in infos if {"check_id", "measured"} <= {c.casefold() for c in item.columns}), None)
        rows = [] if info is None else gpkg.read_table(sheet, info.name).to_dict("records")  # type: ignore[assignment]
    folded = [{str(key).strip().casefold(): value for key, value in row.items()} for row in rows]
    if not folded or not {"check_id", "measured"} <= set(folded[0]):
        raise LayerError("has no columns check_id and measured, or no rows", where=str(sheet))
    return folded


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value).strip()
