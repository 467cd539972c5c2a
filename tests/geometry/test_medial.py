"""Medial axis: clearances by formula, topology by counting, widths of corridors that are known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely import Point, Polygon, box
from shapely.affinity import rotate, scale, translate

from lawngis.errors import FeatureError, ParameterError
from lawngis.geometry.medial import MedialAxis, medial_axis, widest_path


def stretches(axis: MedialAxis) -> int:
    graph = coo_array((np.ones(len(axis.edges)), axis.edges.T), shape=(len(axis.xy), len(axis.xy)))
    return int(connected_components(graph, directed=False)[0])


def true_clearance(axis: MedialAxis, ground: Polygon) -> np.ndarray:
    return shapely.distance(shapely.points(axis.xy), ground.boundary)


def nearest_node(axis: MedialAxis, x: float, y: float) -> int:
    return int(np.argmin(np.hypot(*(axis.xy - [x, y]).T)))


def test_square_has_its_diagonals():
    axis = medial_axis(box(0, 0, 10, 10))
    off_diagonal = np.minimum(np.abs(axis.xy[:, 0] - axis.xy[:, 1]), np.abs(axis.xy.sum(axis=1) - 10))
    assert off_diagonal.max() < 0.03
    assert axis.clearance_m.max() == pytest.approx(5, abs=1e-9)


def test_ring_has_its_middle_circle():
    ring = Point(0, 0).buffer(10, quad_segs=64).difference(Point(0, 0).buffer(8, quad_segs=64))
    axis = medial_axis(ring)
    between = np.hypot(*axis.xy[axis.clearance_m > 0.95].T)
    assert between == pytest.approx(9, abs=0.02)
    assert len(axis.edges) - len(axis.xy) + 1 == 1  # one way round


@pytest.mark.parametrize("holes", [0, 1, 2, 5])
def test_one_way_round_each_island(holes):
    ground = box(0, 0, 30, 8)
    for hole in range(holes):
        ground = ground.difference(Point(3 + 5 * hole, 4).buffer(1 + 0.2 * hole))
    axis = medial_axis(ground, spacing_m=0.3)
    assert stretches(axis) == 1
    assert len(axis.edges) - len(axis.xy) + 1 == holes


@pytest.mark.parametrize("gap", [0.03, 0.1, 0.4])
def test_gaps_narrower_than_the_spacing_stay_open(gap):
    """A house almost as wide as its parcel: the axis passes on all four sides."""
    ground = box(0, 0, 10, 10).difference(box(gap, gap, 10 - gap, 10 - gap))
    axis = medial_axis(ground, spacing_m=0.5)
    assert stretches(axis) == 1
    assert len(axis.edges) - len(axis.xy) + 1 == 1
    assert 2 * np.median(axis.half_width_m) == pytest.approx(gap, abs=0.01)


def test_fine_sampling_only_where_asked():
    ground = box(0, 0, 20, 20)
    coarse = medial_axis(ground, spacing_m=0.1, fine_within=box(-1, -1, 1, 1), coarse_spacing_m=1)
    fine = medial_axis(ground, spacing_m=0.1)
    assert len(coarse.xy) < len(fine.xy) / 5
    assert coarse.clearance_m.max() == pytest.approx(10, abs=1e-6)


def test_touching_points_lie_opposite():
    axis = medial_axis(box(0, 0, 10, 2))
    edge = int(np.argmin(np.hypot(*(axis.narrowest_xy - [5, 1]).T)))
    points, segments = axis.touching_points(np.array([edge]), np.array([[5.0, 1.0]]))
    assert np.sort(points[0], axis=0) == pytest.approx(np.array([[5.0, 0.0], [5.0, 2.0]]), abs=1e-9)
    assert segments[0, 0] != segments[0, 1]


def test_split_keeps_the_ways():
    axis = medial_axis(box(0, 0, 10, 2).difference(Point(5, 1).buffer(0.3)))
    edges = np.arange(0, len(axis.edges), 3)
    split = axis.split(edges, axis.narrowest_xy[edges])
    assert len(split.xy) == len(axis.xy) + len(edges)
    assert len(split.edges) == len(axis.edges) + len(edges)
    assert stretches(split) == 1
    assert split.half_width_m.min() == pytest.approx(axis.half_width_m.min(), abs=1e-12)


@pytest.mark.parametrize("angle", [0, 17, 45])
@pytest.mark.parametrize("width", [0.4, 1.0, 1.57])
def test_width_of_a_straight_corridor(width, angle):
    corridor = rotate(box(0, 0, 12, width), angle, origin=(0, 0))
    axis = medial_axis(corridor)
    ends = rotate(shapely.MultiPoint([(2, width / 2), (10, width / 2)]), angle, origin=(0, 0)).geoms
    start, end = (nearest_node(axis, point.x, point.y) for point in ends)
    path = widest_path(axis, np.arange(len(axis.edges)), start, end, 0.0)
    assert path is not None
    assert 2 * path.half_width_m == pytest.approx(width, abs=1e-6)
    assert Point(path.narrowest_xy).distance(shapely.LineString(list(ends))) < 0.01
    assert axis.middles(path).shape == (2 * len(path.edges), 2)


def test_no_path_that_is_wide_enough():
    dumbbell = shapely.union_all([box(0, 0, 6, 6), box(5, 2.5, 11, 3.5), box(10, 0, 16, 6)])
    axis = medial_axis(dumbbell, spacing_m=0.2)
    start, end = nearest_node(axis, 3, 3), nearest_node(axis, 13, 3)
    edges = np.arange(len(axis.edges))
    assert widest_path(axis, edges, start, end, 0.6) is None
    path = widest_path(axis, edges, start, end, 0.5)
    assert path is not None
    assert path.half_width_m == pytest.approx(0.5, abs=1e-6)
    assert (path.nodes[0], path.nodes[-1]) == (start, end)


def test_of_two_equally_wide_ways_the_shorter():
    ground = box(0, 0, 20, 12).difference(box(1, 1, 19, 3)).difference(box(1, 4, 19, 11))
    axis = medial_axis(ground)
    path = widest_path(axis, np.arange(len(axis.edges)), nearest_node(axis, 0.5, 2), nearest_node(axis, 19.5, 2), 0.5)
    assert path is not None
    assert axis.xy[path.nodes][:, 1].max() < 4


@given(
    radii=st.lists(st.floats(0.5, 10), min_size=3, max_size=12),
    angle=st.floats(0, 360),
    factor=st.floats(0.5, 3),
)
@settings(max_examples=15, deadline=None)
def test_laws_on_stars(radii, angle, factor):
    turns = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    ground = Polygon(np.column_stack([radii * np.cos(turns), radii * np.sin(turns)]))
    if not ground.is_valid or ground.area < 0.5:
        return
    axis = medial_axis(ground, spacing_m=0.5)
    assert stretches(axis) == 1
    assert len(axis.edges) == len(axis.xy) - 1
    assert shapely.contains_xy(ground, axis.xy[:, 0], axis.xy[:, 1]).all()
    greatest = shapely.maximum_inscribed_circle(ground, tolerance=1e-4).length
    assert true_clearance(axis, ground).max() <= greatest + 1e-3
    moved = translate(rotate(scale(ground, factor, factor), angle), 300, -200)
    again = medial_axis(moved, spacing_m=0.5 * factor)
    assert again.clearance_m.max() == pytest.approx(factor * axis.clearance_m.max(), rel=0.05)


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_clearance_is_the_distance_to_the_outline(seed):
    rng = np.random.default_rng(seed)
    ground = box(0, 0, 12, 9)
    for _ in range(4):
        x, y = rng.uniform(1, 9, 2)
        ground = ground.difference(
            rotate(box(x, y, x + rng.uniform(0.1, 2), y + rng.uniform(0.1, 2)), rng.uniform(0, 90))
        )
    for part in shapely.get_parts(ground):
        axis = medial_axis(part, spacing_m=0.1)
        true = true_clearance(axis, part)
        # Where the outline is sampled more coarsely than the ground is wide, nodes may lie beside the middle.
        roomy = true > 0.1
        assert axis.clearance_m[roomy] == pytest.approx(true[roomy], abs=0.01)


def test_bad_input_is_named():
    with pytest.raises(ParameterError, match="spacing"):
        medial_axis(box(0, 0, 1, 1), spacing_m=0)
    with pytest.raises(FeatureError, match="Self-intersection"):
        medial_axis(Polygon([(0, 0), (1, 1), (1, 0), (0, 1)]))
    with pytest.raises(FeatureError, match="it is empty"):
        medial_axis(Polygon())
