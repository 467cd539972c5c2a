"""Ground cut at its mouths: faces, chords and what counts as narrow."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import Point, Polygon, box

from lawngis.geometry.medial import medial_axis
from lawngis.geometry.mouths import CORNER_DEPTH, CUT_TOLERANCE_M, PartedAxis, PartedGround, parted_axis, parted_ground

RADIUS = 0.8


def cut(ground: Polygon) -> tuple[PartedAxis, PartedGround]:
    parted = parted_axis(medial_axis(ground), radius_m=RADIUS)
    return parted, parted_ground(ground, parted)


def corridor(width: float) -> Polygon:
    return shapely.union_all([box(0, 0, 6, 6), box(6, 3 - width / 2, 9, 3 + width / 2), box(9, 0, 15, 6)])


def test_corridor_has_two_mouths():
    parted, ground = cut(corridor(1.0))
    assert (parted.wide_stretches, parted.narrow_stretches) == (2, 1)
    assert sorted(face.area for face in ground.faces) == pytest.approx([3, 36, 36], abs=1e-6)
    assert np.sort(ground.chord_middles, axis=0) == pytest.approx(np.array([[6, 3], [9, 3]]), abs=1e-6)
    assert parted.axis.clearance_m[parted.mouths] == pytest.approx(RADIUS, abs=0.003)
    for row, stretch in enumerate(parted.mouth_wide):
        assert ground.face_of_wide[stretch] in ground.faces_beside[row]


def test_no_mouth_no_cut():
    ground = box(0, 0, 6, 6)
    parted, faces = cut(ground)
    assert len(parted.mouths) == 0
    assert len(faces.faces) == 1
    assert faces.faces[0].equals(ground)


def test_narrow_everywhere():
    parted = parted_axis(medial_axis(box(0, 0, 6, 1.5)), radius_m=RADIUS)
    assert (parted.wide_stretches, parted.narrow_stretches, len(parted.mouths)) == (0, 1, 0)


@pytest.mark.parametrize(("angle", "mouths"), [(120, 0), (90, 0), (64, 0), (56, 1), (30, 1)])
def test_corner_is_cut_from_the_depth_limit_on(angle, mouths):
    """The tip is r (1 / sin(angle / 2) - 1) beyond the disc: one radius at 60 degrees."""
    half = np.radians(angle) / 2
    assert (1 / np.sin(half) - 1 > CORNER_DEPTH) == bool(mouths)
    side = 12 * np.array([np.sin(half), np.cos(half)])
    tip = Polygon([(0, 0), side, (side[0], 20), (-side[0], 20), side * [-1, 1]])
    parted, _ = cut(tip)
    assert len(parted.mouths) == mouths


@pytest.mark.parametrize(("dent", "mouths"), [(0.003, 0), (0.05, 2)])
def test_rough_edges_make_no_passages(dent, mouths):
    """A strip just as wide as the disc, with a dent in its outline."""
    strip = box(0, 0, 20, 2 * RADIUS).difference(Polygon([(9, 0), (10, dent), (11, 0)]))
    parted, _ = cut(strip)
    assert len(parted.mouths) == mouths


def test_gap_around_a_post_in_a_corner_is_cut_although_it_is_shallow():
    parted, ground = cut(box(0, 0, 8, 8).difference(Point(0.6, 0.6).buffer(0.1)))
    assert len(parted.mouths) >= 1
    assert not ground.faces[ground.face_of_wide[0]].interiors


def test_chord_ends_move_into_near_vertices():
    """A vertex 4 mm beside the place where the disc comes to rest takes the end of the chord."""
    half = np.radians(15)
    side = np.array([np.sin(half), np.cos(half)])
    rest = (RADIUS - CUT_TOLERANCE_M) / np.tan(half)
    near = (rest + 0.004) * side
    ground = Polygon([(0, 0), near, 12 * side, 12 * side * [-1, 1]])
    _, parted = cut(ground)
    assert len(parted.faces) == 2
    assert all(shapely.get_coordinates(face).tolist().count(near.tolist()) for face in parted.faces)
    points = shapely.points(shapely.get_coordinates(list(parted.faces)))
    apart = shapely.distance(points[:, None], points[None, :])
    assert apart[apart > 0].min() > 1


def test_faces_share_their_vertices():
    ground = corridor(1.2).difference(Point(3, 4.6).buffer(0.8)).difference(Point(12, 2).buffer(0.3))
    _, parted = cut(ground)
    assert len(parted.faces) > 3
    assert shapely.coverage_is_valid(list(parted.faces))
    assert sum(face.area for face in parted.faces) == pytest.approx(ground.area, rel=1e-12)
