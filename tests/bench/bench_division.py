"""How dividing a lawn among mowers grows with its size: from 1 ha, six parts, to 20 ha, over a hundred."""

from __future__ import annotations

import pytest
import shapely
from shapely import Polygon, box

from lawngis.lawn.division import CutRules, LinkedGround, Piece, division

HECTARE_M2 = 10_000.0
MOWER_M2 = 1750.0
REACH_M = 18.1


@pytest.mark.benchmark(group="divide a square lawn among mowers")
@pytest.mark.parametrize("hectares", [1, 5, 20])
def test_divide_a_lawn(benchmark, hectares: int) -> None:
    side_m = (hectares * HECTARE_M2) ** 0.5
    pond = box(side_m / 3, side_m / 3, side_m / 3 + 20, side_m / 3 + 15)
    lawn = box(0, 0, side_m, side_m).difference(pond)
    ground = LinkedGround((Piece(0, lawn, 1.0),))
    least = int(-(-ground.load // MOWER_M2))
    rules = CutRules(MOWER_M2, 1.6, Polygon(), 1.3)
    found = benchmark.pedantic(division, args=(ground, least, 3 * least, _serves, rules), rounds=2)
    print(f"{hectares} ha: {len(found.parts)} parts where {ground.load / MOWER_M2:.1f} mowers have the hours")


def _serves(part: LinkedGround) -> float | None:
    deep = shapely.maximum_inscribed_circle(part.pieces[0].outline, 0.1).length > REACH_M
    return None if deep or part.load > MOWER_M2 else 0.0
