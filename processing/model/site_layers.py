"""The plan contract as data: every layer and raster that a site may bring, declared once.

From these declarations come the columns read of each layer, the findings on absent ones, the tables in
DEVELOPERS.md and what ``lawngis describe`` prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from .contract import SiteLayer, boolean, real, text

_POLYGONS = ("Polygon", "MultiPolygon")
_LINES = ("LineString", "MultiLineString")


def _inputs(*specs: SiteLayer) -> Mapping[str, SiteLayer]:
    return MappingProxyType({spec.name: spec for spec in specs})


SITE_LAYERS = _inputs(
    SiteLayer(
        "parcels",
        "Parcels to plan",
        _POLYGONS,
        (
            text("parcel_id", "unique name of the parcel; made from the row number when absent"),
            text("label", "what people call it"),
        ),
    ),
    SiteLayer(
        "lawns",
        "Lawns already surveyed or drawn",
        _POLYGONS,
        (),
        "where the lawn ends: it is derived from what covers the rest of the parcel",
    ),
    SiteLayer(
        "buildings",
        "Buildings",
        _POLYGONS,
        (real("height_m", "m", "height above ground"),),
        "where houses stand: their ground would count as lawn",
    ),
    SiteLayer(
        "hard_surfaces",
        "Paving",
        _POLYGONS,
        (
            text("use", "what it is for", ("path", "terrace", "drive", "road", "other")),
            text("level", "height against the lawn", ("flush", "raised", "sunken", "unknown")),
            real("height_m", "m", "height above the lawn"),
        ),
        "where paving lies and whether the mower's wheel may roll onto it",
    ),
    SiteLayer(
        "beds",
        "Beds and borders",
        _POLYGONS,
        (text("kind", "what grows there", ("flowers", "shrubs", "hedge", "vegetables", "other")),),
        "where beds are: they would be mown",
    ),
    SiteLayer(
        "water",
        "Open water",
        _POLYGONS,
        (text("kind", "what it is", ("pond", "pool", "stream", "other")),),
        "where water is: check on site before anything is laid",
    ),
    SiteLayer(
        "trees",
        "Trees",
        ("Point", "MultiPoint"),
        (
            real("trunk_diameter_m", "m", "diameter of the trunk at breast height"),
            real("crown_diameter_m", "m", "diameter of the crown"),
            real("height_m", "m", "height above ground"),
        ),
        "where trees stand and which may be bumped",
    ),
    SiteLayer(
        "barriers",
        "Walls, fences, hedges, kerbs and drops",
        _LINES,
        (
            text(
                "kind",
                "what it is; a drop falls away to the right",
                ("wall", "fence", "hedge", "kerb", "drop"),
            ),
            real("height_m", "m", "height above the lawn, or depth of a drop"),
        ),
        "what stands along the edges: setbacks there are those of an unknown edge",
    ),
    SiteLayer("sprinklers", "Sprinklers", ("Point", "MultiPoint"), (), "whether the dock would be wetted"),
    SiteLayer(
        "outlets",
        "Outdoor supply points",
        ("Point", "MultiPoint"),
        (),
        "where the supply comes from: the nearest house wall is assumed",
    ),
    SiteLayer(
        "streets",
        "Public ground",
        (*_LINES, *_POLYGONS),
        (),
        "from where the dock can be seen, and where the public walks",
    ),
    SiteLayer(
        "obstacles",
        "Anything else that stands on the lawn",
        ("Point", "MultiPoint", *_POLYGONS),
        (
            boolean("rigid", "may be bumped"),
            real("height_m", "m", "height above ground"),
        ),
        "what else stands on the lawn",
    ),
    SiteLayer(
        "overrides",
        "Measured on site",
        ("Point", "MultiPoint", *_LINES, *_POLYGONS, "None"),
        (
            text("target_layer", "layer of the plan that is corrected"),
            text("target_id", "feature of that layer"),
            text("column", "column that is corrected"),
            text("value", "value that was measured"),
            text("note", "who measured, when, how"),
        ),
    ),
)
"""Layers that a site may bring, by name; only `parcels` is needed."""

RASTERS = MappingProxyType(
    {
        "dem": "bare-ground elevation",
        "dsm": "surface elevation with buildings and vegetation",
        "imagery": "aerial image with red and near infrared",
    }
)
"""Rasters that a site may bring; none is needed."""
