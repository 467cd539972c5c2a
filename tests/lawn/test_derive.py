"""What is lawn: parcel minus everything taken, and the account of it."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPolygon, Point, Polygon, box
from shapely.affinity import rotate

from lawngis.lawn.derive import SLIVER, NonLawn, derived_lawn, ground_account_m2, surveyed_lawn

PARCEL = box(0, 0, 30, 20)


def test_a_house_and_a_pond_are_no_lawn():
    (lawn,) = derived_lawn(PARCEL, [NonLawn([box(10, 5, 18, 12)], "building"), NonLawn([box(2, 2, 4, 4)], "water")])
    assert lawn.area == pytest.approx(600 - 56 - 4)
    assert len(lawn.interiors) == 2


def test_nothing_taken_leaves_the_parcel():
    (lawn,) = derived_lawn(PARCEL, [])
    assert lawn.equals(PARCEL)


def test_a_drive_from_side_to_side_makes_two_pieces_the_larger_first():
    front, back = derived_lawn(PARCEL, [NonLawn([box(8, -5, 11, 25)], "hard surface")])
    assert (front.area, back.area) == (pytest.approx(19 * 20), pytest.approx(8 * 20))


@pytest.mark.parametrize(("gap", "pieces"), [(0.03, 1), (0.3, 2)])
def test_a_hairline_gap_between_house_and_path_is_no_lawn(gap, pieces):
    house, path = box(5, -1, 15, 10), box(15 + gap, -1, 17, 10)
    closing = box(5, 10, 17, 12)
    lawn = derived_lawn(PARCEL, [NonLawn([house, closing], "building"), NonLawn([path], "hard surface")])
    assert len(lawn) == pieces
    assert lawn[0].distance(Point(15 + gap / 2, 5)) > 0.1


def test_a_gap_wider_than_slivers_can_be_closed_too():
    things = [NonLawn([box(5, 5, 15, 10)], "building"), NonLawn([box(15.08, 5, 17, 10)], "bed")]
    (lawn,) = derived_lawn(PARCEL, things, gap_close_m=0.1)
    assert lawn.area == pytest.approx(600 - 12 * 5)


def test_trunks_are_holes():
    trunk = Point(20, 10).buffer(0.25)
    (lawn,) = derived_lawn(PARCEL, [NonLawn([trunk], "trunk")])
    assert lawn.interiors[0].length == pytest.approx(trunk.length, rel=0.01)


def test_what_is_self_crossing_is_repaired_before_it_is_taken():
    bow_tie = Polygon([(5, 5), (9, 9), (9, 5), (5, 9)])
    (lawn,) = derived_lawn(PARCEL, [NonLawn([bow_tie], "bed")])
    assert lawn.area == pytest.approx(600 - 8, abs=0.05)


def test_a_parcel_that_is_covered_has_no_lawn():
    assert derived_lawn(PARCEL, [NonLawn([box(-1, -1, 31, 21)], "hard surface")]) == []


class TestSurveyed:
    def test_it_is_clipped_to_the_parcel_and_keeps_its_shape(self):
        (lawn,) = surveyed_lawn(PARCEL, [rotate(box(5, 5, 12, 9), 20), box(40, 0, 50, 5)])
        assert lawn.equals(rotate(box(5, 5, 12, 9), 20))
        (clipped,) = surveyed_lawn(PARCEL, [box(25, 5, 40, 15)])
        assert clipped.area == pytest.approx(50)

    def test_overlaps_count_once(self):
        (lawn,) = surveyed_lawn(PARCEL, [box(0, 0, 6, 5), box(4, 0, 10, 5)])
        assert lawn.area == pytest.approx(50)

    def test_a_survey_next_door_leaves_nothing(self):
        assert surveyed_lawn(PARCEL, [box(40, 0, 50, 5)]) == []


class TestAccount:
    def test_ground_under_two_reasons_counts_for_the_first(self):
        taken = [NonLawn([box(0, 0, 10, 10)], "building"), NonLawn([box(5, 0, 15, 10)], "hard surface")]
        account = ground_account_m2(PARCEL, derived_lawn(PARCEL, taken), taken)
        assert account == {"building": pytest.approx(100), "hard surface": pytest.approx(50)}

    def test_what_is_too_narrow_has_a_reason_too(self):
        taken = [NonLawn([box(0, 0, 15, 20)], "building"), NonLawn([box(15.04, 0, 30, 20)], "hard surface")]
        assert derived_lawn(PARCEL, taken) == []
        assert ground_account_m2(PARCEL, [], taken)[SLIVER] == pytest.approx(0.8)

    @settings(max_examples=30, deadline=None)
    @given(st.integers(0, 10_000), st.integers(0, 12))
    def test_lawn_and_account_add_up_to_the_parcel(self, seed, things):
        random = np.random.default_rng(seed)
        shapes = [
            rotate(box(x, y, x + w, y + h), angle)
            for x, y, w, h, angle in random.uniform([-2, -2, 0.5, 0.5, 0], [28, 18, 9, 6, 90], (things, 5))
        ]
        taken = [NonLawn(shapes[i::3], reason) for i, reason in enumerate(["building", "bed", "water"])]
        lawn = derived_lawn(PARCEL, taken)
        account = ground_account_m2(PARCEL, lawn, taken)
        # Cleaning moves edges by millimetres, hence not to the last digit.
        assert sum(piece.area for piece in lawn) + sum(account.values()) == pytest.approx(600, abs=0.05)
        assert MultiPolygon(lawn).is_valid
        assert all(piece.difference(PARCEL).area < 0.01 for piece in lawn)
        ground = shapely.union_all(shapes)
        assert all(piece.intersection(ground).area < 0.003 * piece.length for piece in lawn)
        # What is no lawn and not covered is too narrow to be lawn.
        rest = PARCEL.difference(ground).difference(shapely.union_all(lawn))
        assert rest.buffer(-0.03).is_empty
