"""Vector files in and out: the only package that opens them.

Looking into files (layers, schemas, CRS) goes through fiona and loads no feature; bulk reading and appending go
through pyogrio; what neither can write (column descriptions, allowed values) goes through SQLite once GDAL has
let go of the file. Files of people are only ever opened for reading. A file of ours is built complete in a
folder beside its target and moved over it in one step, so a target is either whole or untouched.
"""

from .copies import readable
from .exchange import flatgeobuf_bytes, geoparquet_bytes
from .foreign import refuse_uncarriable, style_digests
from .map_extracts import MapFeature, map_features
from .opening import computed_tables, undisturbed
from .overview import Bounds, LayerInfo, layer_names, layer_overview
from .projects import write_project
from .reading import layer_batches, read_layer, read_table, row_batches
from .replacing import refuse_unlike, replace_rows
from .row_digests import row_digests
from .rows import Columns, RawColumns, declared_columns, raw_columns, raw_of_columns
from .spans import RowSpans, row_spans
from .validity import geometry_problems, problem_words
from .writing import refuse_unwritable, write_layers, write_plan, write_plan_batches

__all__ = [
    "Bounds",
    "Columns",
    "LayerInfo",
    "MapFeature",
    "RawColumns",
    "RowSpans",
    "computed_tables",
    "declared_columns",
    "flatgeobuf_bytes",
    "geometry_problems",
    "geoparquet_bytes",
    "layer_batches",
    "layer_names",
    "layer_overview",
    "map_features",
    "problem_words",
    "raw_columns",
    "raw_of_columns",
    "read_layer",
    "read_table",
    "readable",
    "refuse_uncarriable",
    "refuse_unlike",
    "refuse_unwritable",
    "replace_rows",
    "row_batches",
    "row_digests",
    "row_spans",
    "style_digests",
    "undisturbed",
    "write_layers",
    "write_plan",
    "write_plan_batches",
    "write_project",
]
