"""Ground that may be mown, where outlines were rounded apart."""

from types import SimpleNamespace

import pytest
import shapely
from shapely import Polygon, box

from lawngis.processing.derived.passages import CRACK_M, mowable_ground
from lawngis.processing.model.plan import GRID_M

CRUMB = Polygon([(30, 0), (30 + 2 * GRID_M, 0), (30, 2 * GRID_M)])


@pytest.mark.parametrize("beside", [[], [CRUMB]])
@pytest.mark.parametrize(("wide_m", "pieces"), [(0.75 * CRACK_M, 2), (2 * CRACK_M, 1)])
def test_ground_hangs_together_by_no_crack_whatever_lies_beside_it(beside, wide_m, pieces):
    """A crumb that goes as ground is cut apart leaves as many pieces as there were."""
    lawn = shapely.union_all([box(0, 0, 10, 10), box(10, 5, 10.2, 5 + wide_m), box(10.2, 0, 20, 10)])
    plan = SimpleNamespace(geometries=lambda layer, **_: [lawn, *beside] if layer == "lawn" else [])
    parts = [part for part in shapely.get_parts(mowable_ground(plan)) if part.area > 1]
    assert len(parts) == pieces
    assert sum(part.area for part in parts) == pytest.approx(198.0, abs=0.01)
