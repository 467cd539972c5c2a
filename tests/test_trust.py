import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.trust import area_sd_m2, combined_sd, flip_probability, outline_spread

few = settings(max_examples=60, deadline=None)
number = st.floats(-1e3, 1e3)


@few
@given(number, st.floats(0, 1e2), number)
def test_flipping_is_symmetric_and_at_most_even(value, sd, limit):
    chance = float(flip_probability(value, sd, limit))
    assert 0 <= chance <= 0.5
    assert chance == pytest.approx(float(flip_probability(2 * limit - value, sd, limit)), abs=1e-9)


@few
@given(number, st.floats(0.01, 10), number, st.floats(0.1, 10))
def test_the_unit_does_not_matter(value, sd, limit, scale):
    one = flip_probability(value, sd, limit)
    assert one == pytest.approx(flip_probability(value * scale, sd * scale, limit * scale), abs=1e-9)


def test_known_points_of_the_normal_distribution():
    # Quantiles in every table of the normal distribution: 1.96 leaves 2.5 %, 1.6449 leaves 5 %.
    chance = flip_probability([1.96, 1.644854, 0.0], 1.0, 0.0)
    assert chance == pytest.approx([0.025, 0.05, 0.5], abs=1e-5)


def test_against_drawn_errors():
    drawn = 1.5 + 0.12 * np.random.default_rng(1).standard_normal(200_000)
    assert flip_probability(1.5, 0.12, 1.6) == pytest.approx((drawn > 1.6).mean(), abs=0.004)


def test_without_any_spread_only_the_limit_itself_is_open():
    assert flip_probability([1.0, 1.6, 2.0], 0.0, 1.6).tolist() == [0.0, 0.5, 0.0]
    assert np.isnan(flip_probability([np.nan, 1.0], [0.0, np.nan], 1.6)).all()
    # None, as tables have it, is NaN.
    assert np.isnan(flip_probability([None, 1.0, 1.0], [0.1, None, 0.1], [1.6, 1.6, None])).all()
    assert flip_probability(1.0, 5e-324, 1.6) == 0.0
    with pytest.raises(ParameterError, match=r"^a standard deviation can't be negative"):
        flip_probability(1.0, -0.1, 1.6)


def test_independent_errors_add_in_squares():
    assert combined_sd(0.1, [0.1, 0.0], 0.1) == pytest.approx([0.1 * np.sqrt(3), 0.1 * np.sqrt(2)])
    assert combined_sd() == 0.0
    assert np.isnan(combined_sd([None], 0.1))


def test_area_of_a_drawn_square_scatters_as_said():
    """A square whose four sides are each off by their own 0.1 m: the area by 0.1 x 10 m a side."""
    offsets = 0.1 * np.random.default_rng(2).standard_normal((4, 100_000))
    areas = (10 + offsets[0] + offsets[1]) * (10 + offsets[2] + offsets[3])
    assert area_sd_m2(40.0, 0.1, correlation_m=10.0) == pytest.approx(areas.std(), rel=0.02)
    assert area_sd_m2(40.0, 0.1, correlation_m=1e9) == pytest.approx(4.0)
    # Half a metre of edge that is off by the same everywhere; no edge; an edge of unknown length.
    assert area_sd_m2([0.5, 0.0], 0.1, correlation_m=0.6) == pytest.approx([0.05, 0.0])
    assert np.isnan(area_sd_m2([None], 0.1, correlation_m=1))
    with pytest.raises(ParameterError, match="correlation length 0 m"):
        area_sd_m2(40.0, 0.1, correlation_m=0)
    with pytest.raises(ParameterError, match=r"^a perimeter can't be negative"):
        area_sd_m2(-1.0, 0.1, correlation_m=1)


# --- length and area of outlines -------------------------------------------------------------------------

L_SHAPE = np.array([[0, 0], [20, 0], [20, 8], [12, 8], [12, 15], [0, 15], [0, 0]], dtype=float)
OWNERS = np.array([0, 0, 1, 1, 0, 0])
"""A parcel's edges, and two of a house in its corner."""


def drawn_again(
    shift_m: tuple[float, float], vertex_m: tuple[float, float], count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Length and area of the L with edges moved at random: each feature as a whole, each corner by itself.

    An edge moves with its feature; corners are where moved edges meet. No formula of the module is used.
    """
    rng = np.random.default_rng(7)
    lengths, areas = [], []
    for _ in range(count):
        moved = rng.normal(0, 1, (2, 2)) * np.array(shift_m)[:, None]
        normals = np.array([(0, -1), (1, 0), (0, 1), (1, 0), (0, 1), (-1, 0)], dtype=float)
        out = (moved[OWNERS] * normals).sum(axis=1)
        corners = []
        for edge in range(6):
            one, other = edge - 1, edge
            # Edges are along the axes: a corner has the x of one and the y of the other.
            xy = L_SHAPE[edge] + out[one] * normals[one] + out[other] * normals[other]
            corners.append(xy + rng.normal(0, 1, 2) * vertex_m[OWNERS[edge]])
        ring = shapely.Polygon(corners)
        lengths.append(ring.length)
        areas.append(ring.area)
    return np.array(lengths), np.array(areas)


@pytest.mark.parametrize(
    ("shift_m", "vertex_m"),
    [((0.2, 0.0), (0.0, 0.0)), ((0.0, 0.2), (0.0, 0.0)), ((0.0, 0.0), (0.1, 0.1)), ((0.2, 0.2), (0.1, 0.1))],
)
def test_outlines_are_as_far_off_as_when_they_are_drawn_again(shift_m, vertex_m):
    lengths, areas = drawn_again(shift_m, vertex_m, 4000)
    said = outline_spread([L_SHAPE], [OWNERS], shift_m, vertex_m)
    # A standard deviation of 4000 draws is good to 1 / sqrt(8000); second order adds a little.
    assert said.length_sd_m == pytest.approx(lengths.std(), rel=0.05, abs=1e-9)
    assert said.area_sd_m2 == pytest.approx(areas.std(), rel=0.05, abs=1e-9)
    assert abs(lengths.mean() / 70 - 1) < 0.01, "noise of corners makes an outline longer by less than 1 %"


def test_what_moves_alike_all_around_changes_nothing_and_the_way_round_does_not_matter():
    square = np.array([[0, 0], [7, 0], [7, 7], [0, 7], [0, 0]], dtype=float)
    assert outline_spread([square], [np.zeros(4, dtype=int)], [0.5], [0.0]) == pytest.approx((0.0, 0.0), abs=1e-12)
    there = outline_spread([L_SHAPE], [OWNERS], [0.2, 0.1], [0.1, 0.05])
    back = outline_spread([L_SHAPE[::-1]], [OWNERS[::-1]], [0.2, 0.1], [0.1, 0.1])
    again = outline_spread([L_SHAPE], [OWNERS], [0.2, 0.1], [0.1, 0.1])
    assert back == pytest.approx(again) and there.length_sd_m < again.length_sd_m


def test_each_edge_needs_its_feature():
    with pytest.raises(ParameterError, match="5 features for 6 edges"):
        outline_spread([L_SHAPE], [OWNERS[1:]], [0.1, 0.1], [0.1, 0.1])
