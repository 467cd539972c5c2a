"""Descriptions, allowed values and styles, as a GeoPackage stores them: what neither fiona nor pyogrio can write."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from ...model.value_words import value_words
from ..style_encoding import qml, sld
from . import opening

if TYPE_CHECKING:
    from ...model.contract import Column, Layer

# OGC 12-128r17 (GeoPackage 1.3), annex F.9 "Schema"
_SCHEMA_EXTENSION = "http://www.geopackage.org/spec130/#extension_schema"
_SCHEMA_TABLES = """
CREATE TABLE IF NOT EXISTS gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT,
  mime_type TEXT, constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE IF NOT EXISTS gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC,
  min_is_inclusive BOOLEAN, max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
CREATE TABLE IF NOT EXISTS gpkg_extensions (
  table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, definition TEXT NOT NULL,
  scope TEXT NOT NULL,
  CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name));
"""


# as the widely read convention has it; a row whose QML is empty is not loaded by itself
_STYLES_TABLE = """
CREATE TABLE IF NOT EXISTS layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')));
INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)
  SELECT 'layer_styles', 'attributes', 'layer_styles', 'How the layers are drawn', 0
  WHERE NOT EXISTS (SELECT 1 FROM gpkg_contents WHERE table_name = 'layer_styles');
"""


STYLE_NAME = "lawngis"
"""Of the style of each layer that this program writes."""


def describe_layers(draft: Path, new: Sequence[Layer], written_at: datetime) -> None:
    """Write styles and descriptions of layers that are new in a file, beside those that it has."""
    drawn = [layer for layer in new if layer.style is not None]
    if drawn:
        _write_styles(draft, drawn, written_at)
    if new:
        _write_descriptions(draft, new, written_at)


def _write_styles(draft: Path, drawn: Sequence[Layer], written_at: datetime) -> None:
    with closing(opening.connection(draft, "rw", 0)) as database:
        database.executescript(f"BEGIN; {_STYLES_TABLE}")
        database.executemany(
            "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
            " styleQML, styleSLD, useAsDefault, description, owner, update_time)"
            f" VALUES ('', '', ?, 'geom', '{STYLE_NAME}', ?, ?, 1, ?, '', ?)",
            [
                (layer.name, qml(layer), sld(layer), layer.title, _stamp(written_at))
                for layer in drawn
                if layer.style is not None
            ],
        )
        database.execute("COMMIT")


def _stamp(time: datetime) -> str:
    return time.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z"


def _write_descriptions(draft: Path, declarations: Sequence[Layer], written_at: datetime) -> None:
    """Write titles, descriptions, units and allowed values of columns by the standard's schema extension."""
    described = [(layer.name, column) for layer in declarations for column in layer.columns]
    with closing(opening.connection(draft, "rw", 0)) as database:
        database.executescript(f"BEGIN; {_SCHEMA_TABLES}")
        database.executemany(
            "INSERT INTO gpkg_extensions SELECT :tbl, NULL, 'gpkg_schema', :definition, 'read-write' WHERE NOT EXISTS"
            " (SELECT 1 FROM gpkg_extensions WHERE table_name = :tbl AND extension_name = 'gpkg_schema')",
            [
                {"tbl": table, "definition": _SCHEMA_EXTENSION}
                for table in ("gpkg_data_columns", "gpkg_data_column_constraints")
            ],
        )
        database.executemany(
            "INSERT OR REPLACE INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
            [
                (
                    layer,
                    column.name,
                    column.name,
                    column.title,
                    column.description,
                    _constraint(layer, column),
                )
                for layer, column in described
            ],
        )
        database.executemany(
            "INSERT OR IGNORE INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
            [
                (_constraint(layer, column), value, word)
                for layer, column in described
                for value, word in value_words(column).items()
            ],
        )
        names = [(_stamp(written_at), layer.name) for layer in declarations] + [(_stamp(written_at), "layer_styles")]
        database.executemany("UPDATE gpkg_contents SET last_change = ? WHERE table_name = ?", names)
        database.commit()


def _constraint(layer: str, column: Column) -> str | None:
    return f"{layer}_{column.name}" if column.values else None
