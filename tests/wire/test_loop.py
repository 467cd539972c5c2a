"""The loop in laying order: the plan contract's rules 1 to 6, on known lawns and on generated ones."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, MultiPolygon, Point, Polygon, box

from lawngis.errors import ParameterError
from lawngis.geometry.lines import chainage_m, is_closed, winding_number
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.drawn import ground_along
from lawngis.wire.ground import loop_ground, passage_strip, setback_ground
from lawngis.wire.loop import Stretch, laid_loop
from lawngis.wire.outlying import OutlyingGround
from lawngis.wire.soundness import Asked, breaches, deep_ground

GAP = 0.3


def star(tips=6, tip_deg=20.0, reach=10.0):
    """A star whose tips have a given angle."""
    step = np.pi / tips
    half = np.radians(tip_deg) / 2
    inner = reach * np.sin(half) / np.sin(np.pi - half - step)
    angle = step * np.arange(2 * tips)
    radius = np.where(np.arange(2 * tips) % 2 == 0, reach, inner)
    return Polygon(np.column_stack([radius * np.cos(angle), radius * np.sin(angle)]))


def spiral():
    turn = np.linspace(0, 4 * np.pi, 200)
    radius = 2 + turn * 0.55
    return LineString(np.column_stack([radius * np.cos(turn), radius * np.sin(turn)])).buffer(1.2)


LAWNS = {
    "rectangle": box(0, 0, 20, 10),
    "l_shape": Polygon([(0, 0), (20, 0), (20, 10), (10, 10), (10, 20), (0, 20)]),
    "pond": box(0, 0, 20, 10) - Point(10, 5).buffer(2, quad_segs=32),
    "donut": Point(0, 0).buffer(9) - Point(0, 0).buffer(4),
    "comb": shapely.union_all([box(0, 0, 21.9, 2), *(box(2.2 * k, 0, 2.2 * k + 1.9, 8) for k in range(10))]),
    "spiral": spiral(),
    "star": star(),
    "islands_close": box(0, 0, 20, 10) - box(8, 4, 9.8, 6) - box(10.2, 4, 12, 6),
    "island_at_edge": box(0, 0, 20, 10) - box(8, 0.3, 9.8, 2),
    "strip": box(0, 0, 40, 2),
    "orchard": box(0, 0, 12, 9)
    - shapely.union_all([Point(2 * i, 2 * j).buffer(0.1) for i in range(1, 6) for j in range(1, 4)]),
    "walled": box(0, 0, 10, 10) - box(4.98, 3, 5.02, 12),
}


def laid(laws, zone, stretches):
    ground = setback_ground(zone, [s.line for s in stretches], [s.setback_m for s in stretches], gap_min_m=GAP)
    whole = loop_ground([polygon_parts(ground)[0]], gap_min_m=GAP)
    return laid_loop(whole, laws.start_on(whole), stretches)


@pytest.mark.parametrize("setback", [0.12, 0.35])
@pytest.mark.parametrize("name", LAWNS)
def test_known_lawns_keep_the_rules(laws, name, setback):
    zone = LAWNS[name]
    stretches = [Stretch(line, "soft", setback) for line in laws.sides(zone)]
    loop = laid(laws, zone, stretches)
    assert laws.broken(loop, zone, stretches) == []


def test_rectangle_run_by_run(laws):
    zone = box(0, 0, 20, 10)
    loop = laid(laws, zone, [Stretch(line, "soft", 0.25) for line in laws.sides(zone)])
    assert [run.kind for run in loop.runs] == ["edge", *["corner", "edge"] * 4]
    assert sum(run.length_m for run in loop.runs) == pytest.approx(
        2 * (19.5 + 9.5) - 4 * (0.4 - 0.2 * np.sqrt(2)), abs=0.01
    )
    assert loop.lead_m == 0
    assert loop.lead_ratio == 1


def test_pond_by_hand(laws):
    zone = box(0, 0, 20, 10) - Point(10, 5).buffer(2, quad_segs=64)
    loop = laid(laws, zone, [Stretch(line, "soft", 0.3) for line in laws.outlines(zone)])
    kinds = [run.kind for run in loop.runs if run.kind not in ("edge", "corner")]
    assert kinds == ["lead_out", "island", "lead_back"]
    # Shortest way from the wire at 0.3 m to the ring at 2 + 0.3 m around (10, 5).
    assert loop.lead_m / 2 == pytest.approx(5 - 0.3 - 2.3, abs=0.01)
    island = next(run for run in loop.runs if run.kind == "island")
    assert island.length_m == pytest.approx(2 * np.pi * 2.3, rel=0.003)


def test_islands_hang_on_islands(laws):
    zone = box(0, 0, 30, 12) - box(4, 5, 6, 7) - box(7, 5, 9, 7) - box(10, 5, 12, 7) - box(13, 5, 15, 7)
    loop = laid(laws, zone, [Stretch(line, "soft", 0.25) for line in laws.outlines(zone)])
    depth, deepest = 0, 0
    for run in loop.runs:
        depth += {"lead_out": 1, "lead_back": -1}.get(run.kind, 0)
        deepest = max(deepest, depth)
    assert depth == 0
    assert deepest >= 2
    # One lead from the left edge, three of 0.5 m from island to island.
    assert loop.lead_m / 2 == pytest.approx((4 - 0.5) + 3 * 0.5, abs=0.01)


def test_runs_name_class_and_setback_of_the_nearest_edge(laws):
    zone = shapely.orient_polygons(box(0, 0, 20, 10))
    classes = {
        (20.0, 10.0): ("flush", 0.12),
        (0.0, 10.0): ("raised", 0.35),
        (0.0, 0.0): ("water", 0.6),
        (20.0, 0.0): ("soft", 0.25),
    }
    stretches = [Stretch(line, *classes[line.coords[-1]]) for line in laws.sides(zone)]
    loop = laid(laws, zone, stretches)
    lengths = {}
    for run in loop.runs:
        if run.kind == "edge":
            assert (run.edge_class, run.setback_m) in classes.values()
            lengths[run.edge_class] = lengths.get(run.edge_class, 0) + run.length_m
    assert lengths["flush"] == pytest.approx(10 - 0.35 - 0.25 - 0.4, abs=0.15)
    assert lengths["raised"] == pytest.approx(20 - 0.6 - 0.12 - 0.4, abs=0.15)
    assert laws.broken(loop, zone, stretches) == []


@pytest.mark.parametrize("middle", [((10, 5), (16, 5)), ((10, 5), (12, 5), (14, 6), (16, 6.5))])
def test_dumbbell_runs_through_its_passage_twice(laws, middle):
    zones = [box(0, 0, 10, 10), box(16, 0, 26, 10)]
    stretches = [Stretch(line, "raised", 0.35) for zone in zones for line in laws.sides(zone)]
    grounds = [setback_ground(z, laws.sides(z), [0.35] * 4, gap_min_m=GAP) for z in zones]
    strip = passage_strip(LineString(middle), *grounds, gap_m=GAP)
    loop = laid_loop(loop_ground(grounds, [strip], gap_min_m=GAP), (5, 0.35), stretches, [strip])
    passages = [run for run in loop.runs if run.kind == "passage"]
    assert len(passages) == 2
    length = LineString(middle).length
    for run in passages:
        # From wire to wire: the setback of both zones more than the middle line, and the flares.
        assert length + 0.6 < run.length_m < length + 1.4
    assert laws.broken(loop, MultiPolygon(zones), stretches) == []


def test_start_and_end_are_the_dock(laws):
    zone = box(0, 0, 20, 10)
    stretches = [Stretch(line, "soft", 0.3) for line in laws.sides(zone)]
    ground = loop_ground([setback_ground(zone, [s.line for s in stretches], [0.3] * 4, gap_min_m=GAP)], gap_min_m=GAP)
    loop = laid_loop(ground, (6.0, 0.3), stretches)
    assert is_closed(loop.xy)
    assert loop.xy[0] == pytest.approx([6.0, 0.3], abs=0.005)
    assert loop.xy[1, 0] > 6.0  # along the lower side an anti-clockwise loop goes to the right
    with pytest.raises(ParameterError, match="off the outer wire"):
        laid_loop(ground, (6.0, 3.0), stretches)


@pytest.mark.parametrize(("off_vertex_m", "moved"), [(0.0004, True), (0.003, False), (0.015, False)])
def test_a_start_within_half_a_millimetre_of_a_vertex_lies_on_it(laws, off_vertex_m, moved):
    zone = box(0, 0, 20, 10)
    ground = loop_ground([setback_ground(zone, laws.sides(zone), [0.3] * 4, gap_min_m=GAP)], gap_min_m=GAP)
    ring = np.array(ground.exterior.coords)
    vertex = ring[np.hypot(*(ring - [0.5, 0.3]).T).argmin()]  # 0.3 m setback, 0.2 m of corner cut
    start = vertex + np.array([off_vertex_m, 0])
    loop = laid_loop(ground, start, [Stretch(line, "soft", 0.3) for line in laws.sides(zone)])
    assert loop.xy[0] == pytest.approx(vertex if moved else start, abs=1e-9)


def test_runs_join_and_their_vertices_are_known(laws):
    zone = LAWNS["orchard"]
    loop = laid(laws, zone, [Stretch(line, "soft", 0.3) for line in laws.outlines(zone)])
    xy, spans = loop.xy, loop.run_vertices()
    for run, (first, last) in zip(loop.runs, spans, strict=True):
        assert np.array_equal(xy[first : last + 1], run.xy)
    assert spans[-1, 1] == len(xy) - 1


@pytest.mark.parametrize(("depth_m", "kept_m"), [(0.15, 0.15), (0.27, 0.27), (0.285, 0.3), (1.0, 0.3)])
def test_where_somebody_drew_the_wire_a_run_says_what_it_keeps(laws, depth_m, kept_m):
    """Less than wanted only where it is less by more than bends may lose, 18 mm."""
    zone = box(0, 0, 20, 10)
    stretches = [Stretch(line, "boundary", 0.3) for line in laws.sides(zone)]
    ground = setback_ground(zone, [s.line for s in stretches], [0.3] * 4, gap_min_m=GAP)
    line = LineString([(5, 0.3), (6, depth_m), (14, depth_m), (15, 0.3)])
    changed = ground_along(ground, line)
    whole = loop_ground([changed.ground], gap_min_m=GAP)
    loop = laid_loop(whole, (10.0, 9.7), stretches, drawn=[changed.line])
    drawn = [run for run in loop.runs if run.drawn and run.kind == "edge"]
    assert sum(run.length_m for run in drawn) == pytest.approx(line.length, abs=0.5)
    assert {run.edge_class for run in drawn} == {"boundary"}
    assert min(run.setback_m for run in drawn) == pytest.approx(kept_m, abs=0.002)
    others = [run for run in loop.runs if not run.drawn]
    assert {run.setback_m for run in others} == {0.3}
    assert sum(run.length_m for run in others) == pytest.approx(chainage_m(loop.xy)[-1] - line.length, abs=0.6)
    plain = laid_loop(whole, (10.0, 9.7), stretches)
    assert not any(run.drawn for run in plain.runs)


def test_ground_apart_may_lie_in_a_yard_or_hang_on_ground_apart_and_islands_are_numbered_on(laws):
    """A lawn round a yard, a lawn with a bed in the yard, one beside with a bed, and one that hangs on that."""
    lawns = [
        box(0, 0, 20, 16) - box(6, 4, 14, 12),
        box(8, 6, 12, 10) - box(9.8, 7.8, 10.2, 8.2),
        box(24, 0, 32, 8) - box(27, 3, 29, 5),
        box(36, 0, 44, 8),
    ]
    stretches = [Stretch(line, "soft", 0.3) for lawn in lawns for line in laws.outlines(lawn)]
    grounds = []
    for lawn in lawns:
        lines = laws.outlines(lawn)
        (part,) = polygon_parts(setback_ground(lawn, lines, [0.3] * len(lines), gap_min_m=GAP))
        grounds.append(loop_ground([part], gap_min_m=GAP))
    ways = [[(5.7, 7.5), (8.3, 7.5)], [(19.7, 4), (24.3, 4)], [(31.7, 6), (34, 6.5), (36.3, 6)]]
    outlying = [
        OutlyingGround(ground, parent, np.array(way, dtype=float))
        for ground, parent, way in zip(grounds[1:], (0, 0, 2), ways, strict=True)
    ]
    loop = laid_loop(grounds[0], (4.0, 0.3), stretches, (), outlying)
    mown, beside = [(3, 8), (9, 9), (25.5, 4), (40, 4)], [(10, 11), (10, 8), (28, 4), (22, 4.5), (34, 3), (-1, 4)]
    assert winding_number(loop.xy, np.array(mown + beside)).tolist() == [1] * 4 + [0] * 6
    deep = [deep_ground(lawn, 0.3, GAP) for lawn in lawns]
    assert breaches(loop, Asked(MultiPolygon(lawns), deep, stretches, GAP, GAP)) == []
    assert {run.island for run in loop.runs if run.kind == "island"} == {0, 1, 2}
    leads = [run.xy for run in loop.runs if run.kind == "lead_out"]
    for way in ways:
        assert min(np.abs(lead - way).max() for lead in leads if lead.shape == np.shape(way)) < 0.011


@given(st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_generated_lawns_keep_the_rules(laws, seed):
    zone = laws.random_zone(seed)
    stretches = laws.random_stretches(zone, seed)
    ground = setback_ground(zone, [s.line for s in stretches], [s.setback_m for s in stretches], gap_min_m=GAP)
    for part in polygon_parts(ground):
        if part.area < 0.5:
            continue
        whole = loop_ground([part], gap_min_m=GAP)
        loop = laid_loop(whole, laws.start_on(whole), stretches)
        assert laws.broken(loop, zone, stretches) == []


def test_zones_on_both_sides_of_a_thin_fence_keep_apart_but_for_their_passage(laws):
    zones = [box(0, 0, 10, 10), box(10.02, 0, 20, 10)]
    stretches = [Stretch(line, "flush", 0.12) for zone in zones for line in laws.sides(zone)]
    grounds = [setback_ground(z, laws.sides(z), [0.12] * 4, gap_min_m=GAP) for z in zones]
    assert grounds[0].distance(grounds[1]) < GAP
    strip = passage_strip(LineString([(10, 5), (10.02, 5)]), *grounds, gap_m=GAP)
    loop = laid_loop(loop_ground(grounds, [strip], gap_min_m=GAP), (5, 0.12), stretches, [strip])
    assert laws.broken(loop, MultiPolygon(zones), stretches) == []
    assert sum(run.kind == "passage" for run in loop.runs) == 2
