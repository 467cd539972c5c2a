"""Point clouds against what is published of them."""

from __future__ import annotations

import pytest

from lawngis.ground.point_grid import cell_size_m, filter_windows
from lawngis.processing.files.point_clouds import GROUND, HIGH_NOISE, LOW_NOISE


def test_classes_are_those_of_the_standard():
    """ASPRS, LAS specification 1.4, table of standard point classes: 2 ground, 7 low point (noise), 18 high noise."""
    assert (GROUND, LOW_NOISE, HIGH_NOISE) == (2, 7, 18)


@pytest.mark.parametrize(("level", "density_m2", "cell_m"), [(1, 8.0, 0.5), (2, 2.0, 1.0), (3, 0.5, 2.0)])
def test_cells_are_those_that_the_usgs_asks_for(level, density_m2, cell_m):
    """USGS, Lidar Base Specification: nominal pulse density by quality level (read in a copy), DEM cells (memory)."""
    assert cell_size_m(density_m2) == cell_m


def test_windows_and_thresholds_follow_zhang_et_al():
    """Zhang K. et al., 2003, IEEE TGRS 41(4), 872: equations 5 and 7, as the documentation of lidR gives them.

    w_k = 2 b^k + 1 with b = 2: 3, 5, 9, 17, 33, 65; threshold s (w_k - w_{k-1}) c + dh0, dh0 in the first window and
    never more than dhmax.
    """
    made = filter_windows(1.0, window_max_m=65, slope=1.0, rise_first_m=0.5, rise_max_m=3.0)
    assert [side for side, _ in made] == [2 * 2**k + 1 for k in range(6)]
    assert [rise for _, rise in made] == [0.5, 2.5, 3.0, 3.0, 3.0, 3.0]
    gentle = filter_windows(0.5, window_max_m=8, slope=0.1, rise_first_m=0.2, rise_max_m=3.0)
    assert [rise for _, rise in gentle] == pytest.approx([0.2, 0.2 + 0.1 * 2 * 0.5, 0.2 + 0.1 * 4 * 0.5, 0.2 + 0.4])
