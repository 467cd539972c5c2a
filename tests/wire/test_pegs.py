"""Pegs along the wire."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, box

from lawngis.errors import ParameterError
from lawngis.geometry.lines import bends_deg, chainage_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.ground import loop_ground, setback_ground
from lawngis.wire.loop import Loop, Run, Stretch, laid_loop
from lawngis.wire.pegs import first_pass, lead_intervals_m, pegs


def laid(laws, zone, setback=0.3):
    lines = laws.outlines(zone)
    ground = setback_ground(zone, lines, [setback] * len(lines), gap_min_m=0.3)
    whole = loop_ground([polygon_parts(ground)[0]], gap_min_m=0.3)
    return laid_loop(whole, laws.start_on(whole), [Stretch(line, "soft", setback) for line in lines])


def test_square_by_hand():
    # Sides of 4 m: 0.3 m pegs within 0.3 m of each corner, 3.4 m between, dock in the middle of the first side.
    xy = np.array([[2.0, 0], [4, 0], [4, 4], [0, 4], [0, 0], [2, 0]])
    loop = Loop((Run("edge", xy),))
    set_pegs = pegs(loop, chainage_m(xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    # A whole side counts 0.3/0.3 + 3.4/0.8 + 0.3/0.3 = 6.25, so 7 steps; half a side 0.3/0.3 + 1.7/0.8 = 3.125, so 4.
    assert len(set_pegs.xy) == 3 * 7 + 2 * 4 + 1
    assert set_pegs.kind.tolist().count("bend") == 4
    assert set_pegs.kind[[0, -1]].tolist() == ["dock", "dock"]
    assert set(set_pegs.kind[1:-1]) == {"bend", "straight"}
    assert not set_pegs.again.any()
    assert np.diff(set_pegs.chainage_m).max() <= 0.8


@pytest.mark.parametrize(("radius", "spacing"), [(10.0, 0.8), (3.2, 0.8), (2.6, 0.3)])
def test_a_circle_is_pegged_evenly_and_like_a_bend_where_it_turns_by_20_degrees_a_metre(radius, spacing):
    """57.3 / 3.2 = 17.9 degrees a metre, 57.3 / 2.6 = 22; from vertex to vertex it turns by 3."""
    turn = np.linspace(0, 2 * np.pi, 121)
    xy = radius * np.column_stack([np.cos(turn), np.sin(turn)])
    xy[-1] = xy[0]
    found = pegs(Loop((Run("edge", xy),)), chainage_m(xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    length = chainage_m(xy)[-1]
    assert len(found.xy) == np.ceil(length / spacing) + 1
    assert np.diff(found.chainage_m) == pytest.approx(length / np.ceil(length / spacing))
    assert set(found.kind[1:-1]) == {"straight"}


def test_between_two_bends_a_step_apart_stands_no_peg():
    # A square corner cut off at 45 degrees: 0.2 m along each side, 0.28 m between the two bends.
    xy = np.array([[2.0, 0], [3.8, 0], [4, 0.2], [4, 4], [0, 4], [0, 0], [2, 0]])
    found = pegs(Loop((Run("edge", xy),)), chainage_m(xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    first = int(np.flatnonzero(found.kind == "bend")[0])
    assert found.xy[first : first + 2] == pytest.approx(xy[1:3])


@given(st.integers(0, 10**6), st.sampled_from([(0.8, 0.3), (1.5, 0.5), (0.4, 0.4), (0.3, 0.8)]))
@settings(max_examples=15, deadline=None)
def test_spacing_holds_everywhere(laws, seed, spacings):
    straight, bend = spacings
    zone = laws.random_zone(seed)
    stretches = laws.random_stretches(zone, seed)
    parts = polygon_parts(
        setback_ground(zone, [s.line for s in stretches], [s.setback_m for s in stretches], gap_min_m=0.3)
    )
    if not parts or parts[0].area < 0.5:
        return
    whole = loop_ground([parts[0]], gap_min_m=0.3)
    loop = laid_loop(whole, laws.start_on(whole), stretches)
    xy = loop.xy
    # Heights that vary make lengths along the slope differ from those in plan.
    along = chainage_m(xy, 0.3 * xy[:, 0] + 0.2 * np.sin(xy[:, 1]))
    found = pegs(loop, along, spacing_straight_m=straight, spacing_bend_m=bend)
    gaps = np.diff(found.chainage_m)
    assert (gaps > 0).all()
    assert gaps.max() <= straight + 1e-6
    sharp = np.abs(bends_deg(xy)) > 20
    for at, corner in zip(along[sharp], xy[sharp], strict=True):
        near = np.abs(found.chainage_m - at)
        assert near.min() < 1e-5
        assert found.kind[near.argmin()] in ("bend", "dock")
        assert np.hypot(*(found.xy[near.argmin()] - corner)) < 1e-5
        after = found.chainage_m[found.chainage_m > at + 1e-5]
        assert not len(after) or after[0] - at <= min(bend, straight) + 1e-6


def test_curves_are_pegged_like_bends(laws):
    zone = box(0, 0, 20, 10) - Point(10, 5).buffer(1.2, quad_segs=32)
    loop = laid(laws, zone)
    found = pegs(loop, chainage_m(loop.xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    around = np.hypot(*(found.xy - [10, 5]).T) < 1.6
    assert np.diff(found.chainage_m)[around[:-1] & around[1:]].max() <= 0.3 + 1e-6


def test_both_wires_of_a_lead_share_their_pegs(laws):
    zone = box(0, 0, 20, 10) - Point(7, 5).buffer(1) - Point(12, 5).buffer(1)
    loop = laid(laws, zone)
    found = pegs(loop, chainage_m(loop.xy), spacing_straight_m=0.8, spacing_bend_m=0.3)
    first = found.xy[~found.again]
    for peg in found.xy[found.again]:
        assert np.hypot(*(first - peg).T).min() < 1e-6
    leads = lead_intervals_m(loop, chainage_m(loop.xy))
    assert len(leads) == 4
    in_lead = ((found.chainage_m[:, None] > leads[:, 0] + 0.01) & (found.chainage_m[:, None] < leads[:, 1] - 0.01)).any(
        1
    )
    assert in_lead.sum() == 2 * (found.again & in_lead).sum() > 0
    assert (found.kind == "bend").sum() == (np.abs(bends_deg(loop.xy))[1:-1] > 20).sum()
    assert set(found.kind[in_lead]) == {"lead"}


def test_bad_spacing_and_chainage_are_refused():
    xy = np.array([[0.0, 0], [4, 0], [4, 4], [0, 0]])
    loop = Loop((Run("edge", xy),))
    for straight, bend in [(0.0, 0.3), (0.8, 0.0)]:
        with pytest.raises(ParameterError, match=r"^peg spacings must be positive"):
            pegs(loop, chainage_m(xy), spacing_straight_m=straight, spacing_bend_m=bend)
    with pytest.raises(ParameterError, match="3 chainages for 4 vertices"):
        pegs(loop, chainage_m(xy)[:3], spacing_straight_m=0.8, spacing_bend_m=0.3)


def first_at(loop, *, spacing_m=3.0, joins_m=()):
    """Chainages of the first pass, and of all."""
    along = chainage_m(loop.xy)
    standing = pegs(loop, along, spacing_straight_m=0.8, spacing_bend_m=0.3)
    first = first_pass(loop, along, standing, spacing_m=spacing_m, joins_m=np.array(joins_m))
    return standing.chainage_m[first], standing.chainage_m


def test_first_pass_of_a_square_by_hand():
    """between two bends two hold, and one before or after the dock."""
    xy = np.array([[4.0, 0], [8, 0], [8, 8], [0, 8], [0, 0], [4, 0]])
    first, every = first_at(Loop((Run("edge", xy),)))
    assert {0.0, 4.0, 12.0, 20.0, 28.0, 32.0} <= set(first.round(9))
    assert np.diff(first).max() <= 3.0 + 1e-9 and len(first) == 4 * 2 + 6
    assert len(first_at(Loop((Run("edge", xy),)), spacing_m=0.1)[0]) == len(every)


def test_a_wire_that_turns_there_and_back_is_held_between():
    """15 degrees to the left, then 33 to the right in two bends: 18 in all, but 33 on the way."""
    way_deg = np.radians([0.0, 15, -3, -18, 0])
    reach_m = np.array([0.5, 0.3, 0.3, 2.0, 1.0])
    steps = reach_m[:, None] * np.column_stack([np.cos(way_deg), np.sin(way_deg)])
    curve = np.array([4.0, 0]) + np.concatenate([[[0.0, 0]], np.cumsum(steps, axis=0)])
    end = curve[-1]
    xy = np.concatenate([curve, [[end[0], 12], [0, 12], [0, 0], [4, 0]]])
    first, _ = first_at(Loop((Run("edge", xy),)), spacing_m=20.0)
    assert ((first > 0.5 - 1e-9) & (first < 1.1 + 1e-9)).any()


def test_the_pegs_on_either_side_of_a_joint_are_of_the_first_pass():
    xy = np.array([[4.0, 0], [8, 0], [8, 8], [0, 8], [0, 0], [4, 0]])
    loop = Loop((Run("edge", xy),))
    _, every = first_at(loop)
    joint = (every[2] + every[3]) / 2
    first, _ = first_at(loop, spacing_m=20.0, joins_m=[joint, 32.0])
    assert first.tolist() == pytest.approx([0.0, every[2], every[3], 4.0, 12.0, 20.0, 28.0, 32.0])


def test_so_are_those_at_either_end_of_a_passage():
    square = np.array([[4.0, 0], [8, 0], [8, 2.1], [8, 6.05], [8, 8], [0, 8], [0, 0], [4, 0]])
    loop = Loop((Run("edge", square[:3]), Run("passage", square[2:4]), Run("edge", square[3:])))
    first, every = first_at(loop, spacing_m=20.0)
    for end in (6.1, 10.05):
        assert {every[every <= end][-1], every[every >= end][0]} <= set(first)


def test_a_curve_is_held_so_that_the_wire_keeps_its_shape():
    turn = np.linspace(0, 2 * np.pi, 121)
    xy = 5.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    xy[-1] = xy[0]
    first, every = first_at(Loop((Run("edge", xy),)))
    # 20 degrees of a radius of 5 m are 1.75 m; vertices turn by 3 degrees each, so that it may be half of one more.
    assert np.diff(first).max() <= np.radians(20 + 3) * 5.0 and len(first) < 0.6 * len(every)


def test_a_lead_is_held_by_the_same_pegs_out_and_back(laws):
    loop = laid(laws, box(0, 0, 20, 14) - Point(7, 7).buffer(1) - Point(12, 7).buffer(1))
    along = chainage_m(loop.xy)
    standing = pegs(loop, along, spacing_straight_m=0.8, spacing_bend_m=0.3)
    first = first_pass(loop, along, standing, spacing_m=3.0, joins_m=np.empty(0))
    assert (~first & standing.again).sum() > 0
    for peg, held in zip(standing.xy[standing.again], first[standing.again], strict=True):
        same = np.hypot(*(standing.xy - peg).T) < 1e-6
        assert set(first[same]) == {held}
    ends = lead_intervals_m(loop, along).ravel()
    assert np.abs(standing.chainage_m[first][:, None] - ends).min(axis=0).max() < 1e-6
    with pytest.raises(ParameterError, match="must be positive"):
        first_pass(loop, along, standing, spacing_m=0.0, joins_m=np.empty(0))
