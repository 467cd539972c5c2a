"""Wire past ground in which the mower can't turn, and joins on the wire of a whole loop."""

import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of

from lawngis.geometry.lines import bends_deg
from lawngis.mower import built_in_profile
from lawngis.processing.model.plan import Plan

MOWER = built_in_profile()


def planned(lawn, mower=MOWER, **layers) -> Plan:
    plan = plan_of(site_of(lawn, layers=layers), mower, until="wire")
    plan.close()
    return plan


def bends_near(plan: Plan, place: Point, reach_m: float) -> int:
    """Bends of the wire of more than 2 degrees near a place."""
    (path,) = plan.rows("wire_path")
    xy = shapely.get_coordinates(path["geometry"])
    sharp = xy[np.abs(bends_deg(xy)) > 2.0]
    return int((shapely.distance(shapely.points(sharp), place) < reach_m).sum())


@pytest.mark.parametrize(("width_m", "enters"), [(1.3, False), (2.4, True)])
def test_the_wire_goes_straight_on_past_a_gap_in_which_the_mower_cannot_turn(width_m, enters):
    """Two benches of 0.4 m along the north side of a lawn, and a gap between them."""
    gap = box(9, 12, 9 + width_m, 12.4)
    plan = planned(shapely.union(box(0, 0, 20, 12), gap))
    (path,) = plan.rows("wire_path")
    middle = Point(9 + width_m / 2, 12)
    setback = MOWER.setback_m.unknown
    assert (bends_near(plan, middle, 2.5) > 0) == enters
    away = path["geometry"].distance(middle)
    assert away == pytest.approx(abs(0.4 - setback) if enters else setback, abs=0.006)
    assert [row["reason"] for row in plan.rows("hand_mow")] == ([] if enters else ["narrow"])


def test_the_wire_still_turns_into_a_passage_as_narrow_as_a_pocket():
    """Two lawns, and 4 m of passage 1.3 m wide between them: both wires run through it.

    Sharp bends: two at each of eight corners of the lawns, one at each corner of the passage's mouths. Were the mouths
    passed straight on before they open, there would be two.
    """
    plan = planned(shapely.union_all([box(0, 0, 12, 10), box(12, 4.35, 16, 5.65), box(16, 0, 24, 10)]))
    through = [row for row in plan.rows("wire_runs") if row["run_kind"] == "passage"]
    assert len(through) == 2
    assert all(row["geometry"].intersects(LineString([(14, 0), (14, 10)])) for row in through)
    (path,) = plan.rows("wire_path")
    assert (np.abs(bends_deg(shapely.get_coordinates(path["geometry"]))) > 20.0).sum() == 8 * 2 + 4


@pytest.mark.parametrize("reel_m", [20.0, 25.0, 33.0, 41.0])
def test_reels_end_on_edges_of_a_loop_with_passage_and_island(reel_m):
    lawn = shapely.union_all([box(0, 0, 12, 10), box(12, 4.35, 16, 5.65), box(16, 0, 24, 10)])
    lawn = lawn.difference(Point(5, 5).buffer(1))
    plan = planned(lawn, MOWER.model_copy(update={"wire_reel_m": reel_m}))
    (path,) = plan.rows("wire_path")
    ends = [row for row in plan.rows("joins") if row["why"] == "reel_end"]
    assert len(ends) >= path["length_m"] // reel_m
    for row in ends:
        on = [run["run_kind"] for run in plan.rows("wire_runs") if run["from_m"] < row["chainage_m"] < run["to_m"]]
        assert on == ["edge"]
