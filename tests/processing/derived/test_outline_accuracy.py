"""Outlines that only an image shows: less sure edges, less sure widths, more to measure on site."""

import sys
from math import hypot
from pathlib import Path

import pytest
import shapely
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import all_steps, site_of

from lawngis.mower import built_in_profile
from lawngis.processing.derived.outline_accuracy import seen_outlines
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.site import Site

MOWER = built_in_profile()
WIDTH_M = 1.2
LAWN = shapely.union_all([box(0, 0, 12, 10), box(12, 4.4, 16, 5.6), box(16, 0, 24, 10)])
STEPS = {step.id: step for step in all_steps()}


def seen_site(layers=None) -> Site:
    return site_of(LAWN, layers=layers)


def seen_plan(site: Site, confidence: float, source: str = "imagery", last: str = "edges") -> Plan:
    """A plan whose lawn is what an image shows, so sure of it and of the bare ground around; cells of 1 m."""
    plan = Plan("P1", site.frame.crs)
    around = site.parcel.difference(LAWN)
    cover = [
        {
            "cover_id": f"P1-C{number}",
            "cover": kind,
            "area_m2": shape.area,
            "confidence": confidence,
            "evidence": "drawn",
        }
        | {"shaded_share": 0.0, "geometry": shape}
        for number, (kind, shape) in enumerate((("lawn", LAWN), ("bare", around)), start=1)
    ]
    lawn = [{"lawn_id": "P1-G1", "area_m2": LAWN.area, "source": source, "confidence": confidence, "geometry": LAWN}]
    plan.attach("cover", StepResult({"cover": cover, "trees_found": []}), ("cover", "trees_found"))
    plan.attach("lawn", StepResult({"lawn": lawn}), ("lawn",))
    for name in ("keepouts", "zones", "edges"):
        step = STEPS[name]
        plan.attach(name, step.compute(site, plan, MOWER, step.parameters_from({})), step.writes)
        if name == last:
            break
    plan.close()
    return plan


def path_south() -> dict:
    """Paving along the southern side of the passage."""
    return {"hard_surfaces": {"geometry": [box(12, 2, 16, 4.4)], "use": ["path"], "level": ["raised"]}}


def link(site: Site, *settings) -> dict:
    (row,) = seen_plan(site, *settings, last="zones").rows("links")
    return row


def test_a_lawn_from_layers_has_no_outline_that_is_only_seen():
    site = seen_site()
    plan = seen_plan(site, 0.8, "surveyed")
    assert seen_outlines(site, plan) is None
    assert plan.rows("links")[0]["width_sd_m"] == pytest.approx(0.1 * (2 * 0.36) ** 0.5)  # one feature
    assert {row["confidence"] for row in plan.select("edges", edge_class="unknown")} == {0.3}


@pytest.mark.parametrize("confidence", [1.0, 0.8, 0.5])
def test_a_width_between_two_seen_outlines_is_less_sure(confidence):
    """Accuracy 10 cm and a cell of 1 m on either side, divided by the confidence of the cover."""
    side = hypot(0.1, 1.0) / confidence
    assert link(seen_site(), confidence)["width_sd_m"] == pytest.approx(hypot(side, side), rel=1e-6)


def test_a_mapped_side_keeps_its_own_accuracy():
    side = hypot(0.1, 1.0) / 0.8
    assert link(seen_site(path_south()), 0.8)["width_sd_m"] == pytest.approx(hypot(side, 0.1), rel=1e-6)


def test_a_less_sure_width_is_measured_where_a_sure_one_is_not():
    """1.2 m lies 0.3 m off the limit of 0.9 m: two of 14 cm, but less than one of 1.4 m."""
    sure, seen = (seen_plan(seen_site(), 0.9, source, "zones") for source in ("surveyed", "imagery"))
    assert not [row for row in sure.rows("visit_checks") if row["unit"] == "m" and row["limit_value"] == 0.9]
    asked = [row for row in seen.rows("visit_checks") if row["unit"] == "m" and row["limit_value"] == 0.9]
    check, _ = sorted(asked, key=lambda row: row["code"])
    assert [row["code"] for row in asked if row is not check] == ["zone-reach"]
    assert check["flip_probability"] > 0.3


def test_edges_are_as_sure_as_the_cover_on_both_sides():
    for confidence in (0.9, 0.5):
        edges = seen_plan(seen_site(), confidence).select("edges", edge_class="unknown")
        assert edges and all(row["confidence"] == pytest.approx(0.3 * confidence, rel=0.02) for row in edges)
        assert all("seen in the image only" in row["evidence"] for row in edges)


def test_edges_along_mapped_things_and_mouths_of_passages_stay_as_sure_as_they_were():
    plan = seen_plan(seen_site(path_south()), 0.5)
    known = [row for row in plan.rows("edges") if row["edge_class"] in ("raised", "flush")]
    assert known and all(row["confidence"] >= 0.8 and "image" not in row["evidence"] for row in known)


def test_the_less_sure_edge_is_looked_at_first():
    weights = {}
    for confidence in (0.9, 0.4):
        checks = [row for row in seen_plan(seen_site(), confidence).checks if row[1].code == "edge-class"]
        weights[confidence] = max(check.weight for _, check in checks)
    assert 0.3 < weights[0.9] < weights[0.4] <= 1.0


def test_confidence_is_that_of_the_cover_beside():
    site = seen_site()
    seen = seen_outlines(site, seen_plan(site, 0.6, last="zones"))
    assert seen.confidence([LineString([(0, 2), (0, 8)]), Point(6, 5)]) == pytest.approx([0.6, 0.6], abs=1e-6)
    assert seen.confidence([Point(1000, 1000)]) == pytest.approx([0.4])
