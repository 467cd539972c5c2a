"""The tree of leads: shortest, inside the ground, without crossings, attached apart."""

from itertools import combinations, product

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LinearRing, LineString, Point, box

from lawngis.wire.leads import ATTACHMENT_GAP_M, CORNER_GAP_M, ground_rings, lead_tree


def scattered(seed, count, size=12.0):
    """A square lawn with up to `count` islands that neither touch nor overlap."""
    rng = np.random.default_rng(seed)
    ground = box(0, 0, size, size)
    for _ in range(count):
        centre, reach = rng.uniform(1, size - 1, 2), rng.uniform(0.2, 1.2)
        corners = int(rng.integers(3, 9))
        angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
        island = shapely.convex_hull(
            shapely.multipoints(centre + reach * np.column_stack([np.cos(angle), np.sin(angle)]))
        )
        if island.area > 0.05 and island.distance(ground.boundary) > 0.4 and ground.contains(island):
            ground = ground - island
    return ground


def least_by_exhaustion(ground):
    """Length of the best tree of straight leads, trying all trees over the rings (Prüfer codes)."""
    rings = [LinearRing(ring) for ring in ground_rings(ground)]
    n = len(rings)
    away = {pair: rings[pair[0]].distance(rings[pair[1]]) for pair in combinations(range(n), 2)}
    if n <= 2:
        return sum(away.values())
    best = np.inf
    for code in product(range(n), repeat=n - 2):
        degree = np.bincount(code, minlength=n) + 1
        total = 0.0
        for node in code:
            leaf = int(np.flatnonzero(degree == 1)[0])
            total += away[tuple(sorted((leaf, node)))]
            degree[leaf] -= 1
            degree[node] -= 1
        total += away[tuple(np.flatnonzero(degree == 1))]
        best = min(best, total)
    return best


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_length_is_within_a_twentieth_of_the_best_tree_but_for_corners_kept_clear(seed):
    ground = scattered(seed, 5)
    tree = lead_tree(ground, 3.0)
    best = least_by_exhaustion(ground)
    assert tree.shortest_m == pytest.approx(best, rel=1e-9)
    # A lead that is moved gets no longer than it was and the way that it was moved: past two corners at most.
    assert tree.length_m <= 1.05 * best + 2 * CORNER_GAP_M * len(tree.leads)
    assert tree.length_m >= best - 1e-9


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_leads_stay_inside_do_not_touch_and_are_attached_apart(seed):
    ground = scattered(seed, 25)
    start = 5.0
    tree = lead_tree(ground, start)
    lines = [LineString(lead.xy) for lead in tree.leads]
    assert all(ground.buffer(1e-6).covers(line) for line in lines)
    assert not any(a.intersects(b) for a, b in combinations(lines, 2))
    rings = ground_rings(ground)
    assert sorted(lead.child for lead in tree.leads) == list(range(1, len(rings)))
    for number, ring in enumerate(rings):
        at = [lead.parent_at_m for lead in tree.leads if lead.parent == number]
        at += [lead.child_at_m for lead in tree.leads if lead.child == number]
        at += [start] if number == 0 else []
        length = LinearRing(ring).length
        gaps = np.diff(np.sort([*at, min(at) + length])) if at else np.array([length])
        assert len(at) < 2 or gaps.min() >= min(ATTACHMENT_GAP_M, length / 8) - 1e-9
    for lead in tree.leads:
        parent, child = LinearRing(rings[lead.parent]), LinearRing(rings[lead.child])
        assert parent.interpolate(lead.parent_at_m).distance(Point(lead.xy[0])) < 1e-9
        assert child.interpolate(lead.child_at_m).distance(Point(lead.xy[1])) < 1e-9


def test_parents_come_before_their_children():
    tree = lead_tree(scattered(7, 25))
    reached = {0}
    for lead in tree.leads:
        assert lead.parent in reached
        reached.add(lead.child)


def test_no_islands_no_leads():
    tree = lead_tree(box(0, 0, 4, 4))
    assert tree.leads == ()
    assert tree.ratio == 1.0


def test_a_lead_goes_round_the_dock():
    ground = box(0, 0, 10, 10) - Point(5, 2).buffer(0.5)
    (lead,) = lead_tree(ground, start_m=float(LinearRing(ground_rings(ground)[0]).project(Point(5, 0)))).leads
    assert abs(lead.xy[0][0] - 5) >= ATTACHMENT_GAP_M - 1e-9
    assert lead.xy[0][1] == pytest.approx(0)
    assert lead.length_m == pytest.approx(1.5, rel=0.01)


def test_a_lead_leaves_beside_a_corner_that_points_at_its_island():
    """An L whose inner corner at (5, 5) is nearest to a pond of 0.5 m around (7, 7): 2.83 - 0.5 = 2.33 m away.

    From 0.2 m beside the corner it is the root of 2² + 2.2² = 2.97 to the middle, so the lead is 2.47 m long, to the
    pond's polygon a hair less than to its circle.
    """
    ground = box(0, 0, 10, 10) - box(0, 0, 5, 5) - Point(7, 7).buffer(0.5)
    start_m = LinearRing(ground_rings(ground)[0]).project(Point(10, 5))
    (lead,) = lead_tree(ground, start_m=start_m).leads
    x, y = lead.xy[0]
    assert sorted([x, y]) == pytest.approx([4.8, 5.0], abs=0.011)
    assert lead.length_m == pytest.approx(2.47, abs=0.02)


def test_a_ring_that_is_all_corners_has_its_lead_all_the_same():
    """Sides of 0.3 m leave no place 0.2 m from both corners: the lead keeps the lesser distance."""
    pond, stone = box(4.85, 4.85, 5.15, 5.15), box(4.85, 4.0, 5.15, 4.3)
    tree = lead_tree(box(0, 0, 10, 10) - pond - stone)
    (between,) = (lead for lead in tree.leads if lead.parent)
    assert between.length_m == pytest.approx(0.55)
    assert 4.85 + 0.05 - 1e-6 <= between.xy[0][0] <= 5.15 - 0.05 + 1e-6


def test_scale_and_turn_do_not_matter():
    ground = scattered(3, 8)
    one = lead_tree(ground)
    other = lead_tree(shapely.affinity.rotate(shapely.affinity.scale(ground, 2, 2, origin=(0, 0)), 33, origin=(0, 0)))
    assert other.shortest_m == pytest.approx(2 * one.shortest_m)
    assert {frozenset((lead.parent, lead.child)) for lead in one.leads} == {
        frozenset((lead.parent, lead.child)) for lead in other.leads
    }
