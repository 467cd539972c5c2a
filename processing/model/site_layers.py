"""The plan contract as data: every layer and raster that a site may bring, declared once.

From these declarations come the columns read of each layer, the findings on absent ones, the tables in
DEVELOPERS.md and what ``lawngis describe`` prints.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from .contract import SiteLayer, boolean, real, text

SUMMED_BY = ("street", "district", "owner")
"""Columns of `parcels` that no plan depends on: they go into the portfolio table."""

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
            *(text(name, f"{name} that it counts to, by which a portfolio is summed") for name in SUMMED_BY),
        ),
    ),
    SiteLayer(
        "lawns",
        "Lawns already surveyed or drawn",
        _POLYGONS,
        (),
    ),
    SiteLayer(
        "buildings",
        "Buildings",
        _POLYGONS,
        (real("height_m", "m", "height above ground"),),
    ),
    SiteLayer(
        "hard_surfaces",
        "Paving",
        _POLYGONS,
        (
            text("use", "what it is for", ("path", "terrace", "drive", "road", "other")),
            text("level", "height against the lawn", ("flush", "raised", "sunken", "unknown")),
            real("height_m", "m", "height above the lawn"),
            text("surface", "what it is made of; nobody mows over gravel", ("paved", "gravel", "grid", "unknown")),
        ),
    ),
    SiteLayer(
        "beds",
        "Beds and borders",
        _POLYGONS,
        (text("kind", "what grows there", ("flowers", "shrubs", "hedge", "vegetables", "other")),),
    ),
    SiteLayer(
        "water",
        "Open water",
        _POLYGONS,
        (text("kind", "what it is", ("pond", "pool", "stream", "other")),),
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
    ),
    SiteLayer("sprinklers", "Sprinklers", ("Point", "MultiPoint"), ()),
    SiteLayer(
        "outlets",
        "Outdoor supply points",
        ("Point", "MultiPoint"),
        (),
    ),
    SiteLayer(
        "streets",
        "Public ground",
        (*_LINES, *_POLYGONS),
        (),
    ),
    SiteLayer(
        "obstacles",
        "Anything else that stands on the lawn",
        ("Point", "MultiPoint", *_POLYGONS),
        (
            boolean("rigid", "may be bumped"),
            real("height_m", "m", "height above ground"),
        ),
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
