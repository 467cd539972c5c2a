"""What is known of the drop beyond an edge, and wire above drops of different depths."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from affine import Affine
from shapely import LineString, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, violations_of

from lawngis.mower import built_in_profile
from lawngis.processing.derived.drops import Drop, drop_beyond
from lawngis.processing.model.site import DataAccuracy, Site

LAWN = box(0, 0, 20, 12)
SOUTH = LineString([(0, 0), (20, 0)])
MOWER = built_in_profile()


def above(height_m: float | None = None, **grids: float) -> Site:
    """A lawn with a drop along its south side, and models in which the ground rises by so much beyond it."""
    drop = {"barriers": {"geometry": [LineString([(-1, 0), (21, 0)])], "kind": ["drop"], "height_m": [height_m]}}
    site = site_of(LAWN, layers=drop)
    x, y = np.meshgrid(np.arange(-6, 26, 0.5) + 0.25, np.arange(18, -6, -0.5) - 0.25)
    for grid, rise_m in grids.items():
        values = np.where(y < 0, 100.0 + rise_m, 100.0) + 0.0 * x
        site = replace(site, **{grid: replace(site.dem, values=values, transform=Affine(0.5, 0, -6, 0, -0.5, 18))})
    return site


@pytest.mark.parametrize(
    ("site", "fall_m"),
    [
        (above(), 0.0),  # a level terrain model
        (above(dem=-1.2), 1.2),
        (above(dem=-1.2, dsm=1.5), 1.2),  # a shrub stands below
        (above(dsm=-1.2), 1.2),
        (above(0.9, dem=-1.2), 1.2),
        (above(2.5, dem=-1.2), 2.5),
        (above(dem=float("nan")), None),
        (above(dem=float("nan"), dsm=1.5), None),
        (above(0.9, dem=float("nan")), 0.9),
    ],
)
def test_the_deepest_of_what_tells_the_fall_counts(site, fall_m):
    assert drop_beyond(site, SOUTH).fall_m == (None if fall_m is None else pytest.approx(fall_m, abs=0.02))


def test_a_drop_that_a_surface_model_alone_shows_is_less_sure():
    """It lies anywhere in a cell of 0.5 m: sd 0.5 / sqrt(12) = 0.144 m beside the 0.1 m of any edge."""
    site = above(dsm=-1.2)
    assert drop_beyond(site, SOUTH).edge_sd_m == pytest.approx(0.1)
    bare = replace(site, layers={name: table for name, table in site.layers.items() if name != "barriers"})
    assert drop_beyond(bare, SOUTH).edge_sd_m == pytest.approx(np.hypot(0.1, 0.1443), abs=1e-4)


def test_evidence_says_what_is_known():
    assert Drop(0.94, 0.1).evidence("a ledge") == "a ledge; it falls by 0.9 m, and its place is known to ± 0.10 m"
    assert "it falls by 0.1 m" in Drop(0.05, 0.1).evidence("a ledge")
    assert Drop(0.04, 0.1).evidence("a ledge").startswith("a ledge; the heights that are known show no fall there")
    assert "nothing tells how far it falls, so 3 m are assumed" in Drop(None, 0.1).evidence("a ledge")


TWO_DROPS = {
    "geometry": [LineString([(-1, 0), (19.2, 0)]), LineString([(20, 0.8), (20, 13)])],
    "kind": ["drop", "drop"],
    "height_m": [0.4, 3.0],
}
"""To the south 0.4 m, to the east 3 m, and something else at the corner between them."""


def test_wire_above_drops_of_different_depths_keeps_the_setback_of_each():
    """0.60 and 0.85 m from edges that are surely where the map says; at the corner the one is nearer to the other."""
    site = replace(site_of(LAWN, layers={"barriers": TWO_DROPS}), accuracy=DataAccuracy(position_sd_m=0.0))
    plan = plan_of(site, MOWER, until="wire")
    plan.close()
    (path,) = plan.rows("wire_path")
    for line, setback_m in zip(TWO_DROPS["geometry"], (0.60, 0.85), strict=True):
        assert path["geometry"].distance(line) == pytest.approx(setback_m, abs=0.006)
    assert {row["setback_m"] for row in plan.rows("wire_runs") if row["edge_class"] == "drop"} == {0.60, 0.85}
    assert not plan.select("findings", severity="stop")


def test_the_independent_checker_agrees():
    site = site_of(LAWN, layers={"barriers": TWO_DROPS})
    assert violations_of(site, plan_of(site, MOWER, until="summary"), CONTRACT_PROFILE) == []
