"""Rule 0: the file has the layers, columns, geometry types, ids and values of the contract."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from expected_layers import EXPECTED_LAYERS, NO_GEOMETRY_NEEDED, ExpectedLayer
from plan_view import Violation

REFERENCES = {
    ("edges", "zone_id"): ("zones", "zone_id"),
    ("links", "zone_a"): ("zones", "zone_id"),
    ("links", "zone_b"): ("zones", "zone_id"),
    ("zones", "loop_id"): ("wire_path", "loop_id"),
    ("zones", "reached_by"): ("links", "link_id"),
    ("wire_runs", "loop_id"): ("wire_path", "loop_id"),
    ("pegs", "loop_id"): ("wire_path", "loop_id"),
    ("joins", "loop_id"): ("wire_path", "loop_id"),
    ("dock_candidates", "zone_id"): ("zones", "zone_id"),
    ("supply_route", "candidate_id"): ("dock_candidates", "candidate_id"),
    ("schedule", "zone_id"): ("zones", "zone_id"),
    ("visit_areas", "check_id"): ("visit_checks", "check_id"),
}


def missing_parts(plan: dict[str, pd.DataFrame]) -> list[Violation]:
    """Layers and columns that are absent: without them nothing else can be checked."""
    found = []
    for name, expected in EXPECTED_LAYERS.items():
        if name not in plan:
            found.append(Violation(0, None, name, "the layer is missing"))
        else:
            absent = [column for column in expected.columns if column not in plan[name].columns]
            found += [Violation(0, None, name, f"column {column} is missing") for column in absent]
    return found


def file_violations(path: Path) -> list[Violation]:
    """What is wrong with the file as a database, and the geometry types that it declares."""
    found = [Violation(0, None, "file", text) for text in database_problems(path)]
    for name, expected in EXPECTED_LAYERS.items():
        declared = pyogrio.read_info(path, layer=name)["geometry_type"]
        if declared != ("Unknown" if " or " in (expected.geometry or "") else expected.geometry):
            found.append(Violation(0, None, name, f"geometry is declared {declared}, not {expected.geometry}"))
    return found


def content_violations(plan: dict[str, pd.DataFrame]) -> list[Violation]:
    """What is wrong with the rows: geometry, kinds of value, values, ids and references."""
    found = []
    for name, expected in EXPECTED_LAYERS.items():
        texts = [
            *geometry_problems(name, plan[name], expected),
            *kind_problems(plan[name], expected),
            *value_problems(plan[name], expected),
        ]
        found += [Violation(0, None, name, text) for text in texts]
    found += [Violation(0, None, where, text) for where, text in id_problems(plan)]
    found += [Violation(0, None, where, text) for where, text in reference_problems(plan)]
    found += [Violation(14, None, "findings", text) for text in finding_problems(plan["findings"], plan["summary"])]
    return found


def finding_problems(findings: pd.DataFrame, summary: pd.DataFrame) -> Iterator[str]:
    """Rule 14: what is true of the whole run is said once and has no place; what is said of a parcel lies in it."""
    of_run = findings["parcel_id"].isna()
    repeated = findings[of_run & findings.duplicated(["parcel_id", "code", "text"])]
    if len(repeated):
        yield f"said more than once of the whole run: {repeated['text'].iloc[0]}"
    placed = ~(findings.geometry.isna() | findings.geometry.is_empty)
    if (of_run & placed).any():
        yield f"of the whole run, but has a place: {findings[of_run & placed]['text'].iloc[0]}"
    outlined = summary[~(summary.geometry.isna() | summary.geometry.is_empty)]["parcel_id"]
    lost = findings[~of_run & ~placed & findings["parcel_id"].isin(outlined)]
    if len(lost):
        yield f"of {lost['parcel_id'].iloc[0]}, but has no place: {lost['text'].iloc[0]}"


def database_problems(path: Path) -> Iterator[str]:
    with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as database:
        if database.execute("PRAGMA application_id").fetchone()[0] != 0x47504B47:
            yield "it is not marked as a GeoPackage"
        if database.execute("PRAGMA integrity_check").fetchone()[0] != "ok":
            yield "the database is damaged"
        if database.execute("PRAGMA foreign_key_check").fetchall():
            yield "rows point to rows that do not exist"
        if database.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
            yield "the file is in WAL mode, so copying it alone may lose layers"


def geometry_problems(name: str, table: pd.DataFrame, expected: ExpectedLayer) -> Iterator[str]:
    if expected.geometry is None or not isinstance(table, geopandas.GeoDataFrame):
        return
    shapes = table.geometry.to_numpy()
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if name not in NO_GEOMETRY_NEEDED:
        unexcused = empty & (table["status"] != "failed").to_numpy() if name == "summary" else empty
        if unexcused.any():
            yield f"{unexcused.sum()} rows have no geometry"
    full = shapes[~empty]
    if not shapely.is_valid(full).all():
        yield f"invalid geometry: {shapely.is_valid_reason(full[~shapely.is_valid(full)])[0]}"
    if not np.isfinite(shapely.get_coordinates(full)).all():
        yield "coordinates that are no numbers"
    if set(table.geom_type.dropna()) - set(expected.geometry.split(" or ")):
        yield f"rows of geometry {set(table.geom_type.dropna())}, not {expected.geometry}"


def kind_problems(table: pd.DataFrame, expected: ExpectedLayer) -> Iterator[str]:
    for column, kind in expected.columns.items():
        values = table[column].dropna()
        if len(values) and not _is_kind(values, kind):
            yield f"column {column} holds {values.dtype} where {kind} belongs"


def _is_kind(values: pd.Series, kind: str) -> bool:
    if kind == "any":
        return True
    if kind == "text":
        return all(isinstance(value, str) for value in values)
    if kind == "boolean":
        return bool(values.isin([0, 1, True, False]).all())
    if not pd.api.types.is_numeric_dtype(values):
        return False
    return kind == "number" or bool((values.astype(float) % 1 == 0).all())


def value_problems(table: pd.DataFrame, expected: ExpectedLayer) -> Iterator[str]:
    for column, allowed in expected.values.items():
        strange = set(table[column].dropna()) - allowed - {""}
        if strange:
            yield f"column {column} holds {sorted(strange)}, allowed are {sorted(allowed)}"
    for column, (low, high) in expected.ranges.items():
        values = pd.to_numeric(table[column], errors="coerce").dropna()
        if not values.between(low, high).all():
            yield f"column {column} leaves {low} to {high}: {values[~values.between(low, high)].iloc[0]}"
    for column in expected.filled:
        if table[column].isna().any():
            yield f"column {column} is empty in {table[column].isna().sum()} rows"


def _of_parcels(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """The rows of a layer but those that hold for the whole run (rule 14)."""
    return table[table["parcel_id"].notna()] if name in ("run_info", "findings") else table


def id_problems(plan: dict[str, pd.DataFrame]) -> Iterator[tuple[str, str]]:
    parcels = plan["summary"]["parcel_id"]
    if parcels.isna().any() or parcels.duplicated().any():
        yield "summary", "there is not exactly one row per parcel"
    for name, table in plan.items():
        if name in EXPECTED_LAYERS and not _of_parcels(name, table)["parcel_id"].isin(parcels).all():
            yield name, "rows belong to a parcel that the summary does not know"
    owned = [
        (name, str(own), str(parcel))
        for name, expected in EXPECTED_LAYERS.items()
        if expected.own_id
        for own, parcel in zip(plan[name][expected.own_id], plan[name]["parcel_id"].fillna(""), strict=True)
    ]
    counts = Counter(own for _, own, _ in owned)
    for name, own, parcel in owned:
        if counts[own] > 1:
            yield name, f"the id {own} is not unique in the file"
        if not own.startswith(f"{parcel}-" if parcel else "F"):
            yield name, f"the id {own} does not say that it belongs to {parcel}"


def loops_that_cannot_be_laid(findings: pd.DataFrame, loops: set[str]) -> set[str]:
    """Loops without wire of parcels where a stop finding says that none can be laid."""
    stops = findings[(findings["severity"] == "stop") & findings["code"].isin(["no-wire", "rule-1-loop-in-pieces"])]
    return {loop for loop in loops if any(loop.startswith(f"{parcel}-") for parcel in stops["parcel_id"])}


def reference_problems(plan: dict[str, pd.DataFrame]) -> Iterator[tuple[str, str]]:
    for (layer, column), (target, target_column) in REFERENCES.items():
        named = set(plan[layer][column].dropna()) - {""}
        unknown = named - set(plan[target][target_column])
        if target == "wire_path":
            unknown -= loops_that_cannot_be_laid(plan["findings"], unknown)
        if unknown:
            yield layer, f"{column} names {sorted(map(str, unknown))[:3]}, which {target} does not hold"
