"""What stands on a parcel in its surface model though no layer has it: where there is no image, this alone shows it."""

from __future__ import annotations

from collections.abc import Sequence

import shapely
from shapely import Polygon
from shapely.geometry.base import BaseGeometry

from lawngis.ground.cover import ground_to_take, height_above_ground
from lawngis.ground.imagery import cell_side_m
from lawngis.ground.raster import Grid, centres_in
from lawngis.ground.sight import crown_discs

from ..model.site import Site, single_parts

HEIGHT_MIN_M = 0.8
"""What stands higher above the ground is no lawn; ours, no source: lower things are lost in a surface model's noise."""

AREA_MIN_M2 = 4.0
WIDTH_MIN_M = 1.0
"""Smaller and narrower things in a surface model are as often noise; ours, no source."""

UNKNOWN_CROWN_M = 4.0
"""Width of the crown of a mapped tree whose layer gives none; ours, no source."""


def standing_ground(site: Site, known: Sequence[BaseGeometry]) -> list[Polygon]:
    """Return the ground of a parcel on which something stands in the surface model that no layer has.

    Parameters
    ----------
    site
        With a surface model.
    known
        Ground of what the layers have [m].
    """
    if site.dsm is None:
        return []
    height = site.dsm.with_values(height_above_ground(site.dsm, site.dem, site.dsm, site.frame))
    tall = _cells_of(site, height)
    if not len(tall):
        return []
    parts = ground_to_take(
        list(tall),
        [],
        [*known, *_crowns(site)],
        width_min_m=WIDTH_MIN_M,
        area_min_m2=AREA_MIN_M2,
    )
    return [part for part in parts if part.intersects(site.parcel)]


def _cells_of(site: Site, height: Grid) -> list[Polygon]:
    xy = centres_in(height, site.frame)
    near = shapely.contains_xy(shapely.buffer(site.parcel, WIDTH_MIN_M), xy[:, 0], xy[:, 1])
    some = xy[near & (height.values.ravel() > HEIGHT_MIN_M)]
    half = max(cell_side_m(height), 0.01) / 2
    return list(shapely.box(some[:, 0] - half, some[:, 1] - half, some[:, 0] + half, some[:, 1] + half))


def _crowns(site: Site) -> list[BaseGeometry]:
    trees = site.layers.get("trees")
    if trees is None or not len(trees):
        return []
    trees = single_parts(trees)
    width = trees["crown_diameter_m"].fillna(UNKNOWN_CROWN_M).to_numpy()
    return list(crown_discs(trees.geometry.get_coordinates().to_numpy(), width))
