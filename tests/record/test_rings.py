"""Rings of wire that the plan doesn't have, by the ground inside and how often the loop goes round it."""

import numpy as np
import pytest
import shapely

from lawngis.record.rings import rings


def looped(walks, ring):
    """A square of 20 m, anti-clockwise, with a ring on a lead of 5 m from its lower side, and that excursion alone."""
    excursion = np.concatenate([[[10.0, 0.0]], ring, [[10.0, 0.0]]])
    return np.concatenate([[[0.0, 0.0]], excursion, [[20, 0], [20, 20], [0, 20], [0, 0]]]), excursion


@pytest.mark.parametrize(("turn", "winding"), [(1, 0), (-1, 2)])
def test_a_ring_on_a_lead_is_found_with_the_way_round_it_lies(walks, turn, winding):
    loop, excursion = looped(walks, walks.ring(10.0, 6.5, 1.5)[::turn])
    (found,) = rings([excursion], loop, sd_m=0.02)
    assert found.winding == winding
    assert found.ground.contains(shapely.Point(10.0, 6.5))


def test_ground_added_outside_is_gone_round_once_when_wire_closes_it():
    through = np.array([[20.0, 5.0], [24, 5], [24, 2], [30, 2], [30, 9], [24, 9], [24, 5.2], [20, 5.2]])
    loop = np.concatenate([[[0.0, 0.0], [20, 0]], through, [[20, 20], [0, 20], [0, 0]]])
    (found,) = rings([through], loop, sd_m=0.02)
    assert (found.winding, found.ground.area) == (1, pytest.approx(42.0, rel=0.05))
    bump = np.array([[20.0, 5.0], [26, 5], [26, 12], [20, 12]])
    assert rings([bump], np.concatenate([[[0.0, 0.0], [20, 0]], bump, [[20, 20], [0, 20], [0, 0]]]), sd_m=0.02) == []


def test_a_lead_alone_and_what_is_smaller_than_the_noise_are_no_rings(walks):
    lead = np.array([[10.0, 0.0], [10, 8], [10.1, 8], [10.1, 0]])
    loop, excursion = looped(walks, walks.ring(10.0, 6.5, 1.5))
    assert rings([lead], loop, sd_m=0.02) == []
    assert rings([excursion], loop, sd_m=2.0) == []
