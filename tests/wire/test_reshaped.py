"""A loop that somebody drew anew, taken apart into runs."""

import numpy as np
import pytest
import shapely
from shapely import LineString, box

from lawngis.errors import FeatureError
from lawngis.wire.loop import Run, Stretch, laid_loop
from lawngis.wire.reshaped import enclosed_ground, reshaped_loop

ISLAND = box(8, 4, 10, 6)
GROUND = box(0, 0, 20, 10).difference(ISLAND)
EDGES = [
    Stretch(LineString([(20.3, -0.3), (20.3, 10.3), (-0.3, 10.3), (-0.3, -0.3)]), "soft", 0.25),
    Stretch(LineString([(-0.3, -0.3), (20.3, -0.3)]), "raised", 0.35),
]


def laid():
    return laid_loop(GROUND, (3.0, 0.0), EDGES)


def with_vertices(loop, more, after):
    """The line of a loop with vertices put in behind the one nearest to a place."""
    at = 1 + int(np.argmin(np.hypot(*(loop.xy - after).T)))
    return LineString(np.concatenate([loop.xy[:at], more, loop.xy[at:]]))


def test_a_line_that_nobody_changed_is_the_loop_that_it_was():
    loop = laid()
    again = reshaped_loop(LineString(loop.xy), loop.runs, EDGES)
    assert [(run.kind, run.edge_class, run.setback_m, run.island) for run in again.runs] == [
        (run.kind, run.edge_class, run.setback_m, run.island) for run in loop.runs
    ]
    np.testing.assert_allclose(again.xy, loop.xy)
    assert enclosed_ground(again).symmetric_difference(GROUND).area < 1e-6


def test_what_was_drawn_anew_follows_the_nearest_edge_and_the_rest_is_as_laid():
    loop = laid()
    drawn = with_vertices(loop, [(20, 3), (18, 4), (18, 6), (20, 7)], (20, 0))
    again = reshaped_loop(drawn, loop.runs, EDGES)
    np.testing.assert_allclose(again.xy, np.array(drawn.coords))
    assert again.lead_m == pytest.approx(loop.lead_m) and again.lead_m > 0
    own = [run for run in again.runs if LineString(run.xy).distance(shapely.Point(18, 5)) < 1e-9]
    assert [(run.kind, run.edge_class, run.setback_m, run.island) for run in own] == [("edge", "soft", 0.25, None)]
    assert enclosed_ground(again).area == pytest.approx(GROUND.area - 6.0)


def test_a_lead_drawn_elsewhere_is_a_lead_still():
    loop = laid()
    numbers = [number for number, run in enumerate(loop.runs) if run.kind == "lead_out"]
    (out,) = [loop.runs[number] for number in numbers]
    bent = (out.xy[0] + out.xy[-1]) / 2 + (0.5, 0.0)
    runs = []
    for run in loop.runs:
        if run.kind.startswith("lead"):
            runs.append(Run(run.kind, np.stack([run.xy[0], bent, run.xy[-1]]), island=run.island))
        else:
            runs.append(run)
    line = LineString(np.concatenate([run.xy[(1 if number else 0) :] for number, run in enumerate(runs)]))
    again = reshaped_loop(line, loop.runs, EDGES)
    leads = [(run.kind, run.island) for run in again.runs if run.kind.startswith("lead")]
    assert leads == [("lead_out", 0), ("lead_back", 0)]
    assert list(dict.fromkeys(run.kind for run in again.runs if run.island is not None)) == [
        "lead_out",
        "island",
        "lead_back",
    ]


def test_a_line_that_does_not_come_home_is_refused():
    loop = laid()
    with pytest.raises(FeatureError, match="not closed"):
        reshaped_loop(LineString(loop.xy[:-2]), loop.runs, EDGES)
