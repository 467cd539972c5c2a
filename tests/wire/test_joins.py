"""Joins between reels of wire: at their ends, where hands can work."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lawngis.errors import ParameterError
from lawngis.geometry.lines import chainage_m
from lawngis.wire.joins import JOIN_CLEAR_M, joins
from lawngis.wire.loop import Loop, Run

EDGE, CORNER, PASSAGE, ISLAND, OUT, BACK = "edge", "corner", "passage", "island", "lead_out", "lead_back"


def joined(*parts, reel_m):
    """Joins of a loop drawn out straight, of runs of some kinds and lengths."""
    ends = np.cumsum([0.0, *(length for _, length in parts)])
    lines = [np.array([[low, 0.0], [high, 0.0]]) for low, high in pairwise(ends)]
    loop = Loop(tuple(Run(kind, xy) for (kind, _), xy in zip(parts, lines, strict=True)))
    return joins(loop, chainage_m(loop.xy), reel_m=reel_m)


def test_along_edges_joins_are_where_reels_end():
    found = joined((EDGE, 320), reel_m=150)
    assert found.chainage_m.tolist() == [150, 300, 320]
    assert found.why.tolist() == ["reel_end", "reel_end", "closing"]
    assert joined((EDGE, 150), reel_m=150).why.tolist() == ["closing"]


@pytest.mark.parametrize(
    ("parts", "at_m"),
    [
        # The reel ends at 150 m: in what begins at 140, so it is cut 0.3 m before that.
        ([(EDGE, 140), (PASSAGE, 20), (EDGE, 40)], 139.7),
        ([(EDGE, 140), (CORNER, 20), (EDGE, 40)], 139.7),
        ([(EDGE, 140), (OUT, 5), (ISLAND, 30), (BACK, 5), (EDGE, 20)], 139.7),
        ([(EDGE, 110), (OUT, 5), (ISLAND, 30), (BACK, 10), (EDGE, 45)], 109.7),
        # 0.2 m before or behind a corner it is too near to it, 0.4 m away it isn't.
        ([(EDGE, 150.2), (CORNER, 1), (EDGE, 48.8)], 149.9),
        ([(EDGE, 150.4), (CORNER, 1), (EDGE, 48.6)], 150.0),
        ([(EDGE, 148.8), (CORNER, 1), (EDGE, 50.2)], 148.5),
        ([(EDGE, 148.6), (CORNER, 1), (EDGE, 50.4)], 150.0),
        # An edge of 0.5 m between two corners has no room for a join.
        ([(EDGE, 140), (CORNER, 1), (EDGE, 0.5), (CORNER, 8.7), (EDGE, 49.8)], 139.7),
        # Two edges of different classes are one to hands.
        ([(EDGE, 149.9), (EDGE, 50.1)], 150.0),
    ],
)
def test_a_join_lies_along_an_edge_clear_of_all_else(parts, at_m):
    assert joined(*parts, reel_m=150).chainage_m == pytest.approx([at_m, 200])


def test_where_a_whole_reel_has_no_edge_an_island_is_next_and_then_a_passage():
    island = joined((EDGE, 20), (OUT, 5), (ISLAND, 200), (BACK, 5), (EDGE, 20), reel_m=150)
    assert island.chainage_m == pytest.approx([19.7, 169.7, 250])
    passage = joined((EDGE, 20), (PASSAGE, 200), (EDGE, 20), reel_m=150)
    assert passage.chainage_m == pytest.approx([19.7, 169.7, 240])
    beside = joined((EDGE, 20), (OUT, 5), (ISLAND, 35), (PASSAGE, 150), (ISLAND, 15), (BACK, 5), (EDGE, 20), reel_m=150)
    assert beside.chainage_m == pytest.approx([19.7, 59.7, 209.7, 250])


KINDS = st.sampled_from([EDGE, EDGE, CORNER, PASSAGE, ISLAND, OUT])


@given(st.lists(st.tuples(KINDS, st.floats(0.1, 40)), min_size=1, max_size=40), st.floats(20, 200))
@settings(max_examples=100, deadline=None)
def test_no_reel_is_too_short_and_no_join_in_a_lead(parts, reel_m):
    ends = np.cumsum([length for _, length in parts])
    try:
        found = joined(*parts, reel_m=reel_m)
    except ParameterError as error:
        assert "shorter than the lead" in str(error)
        assert OUT in dict(parts)
        return
    assert np.diff([0.0, *found.chainage_m]).max() <= reel_m + 1e-6
    assert found.chainage_m[-1] == pytest.approx(ends[-1])
    for done, at in zip([0.0, *found.chainage_m], found.chainage_m[:-1], strict=False):
        kind = parts[int(np.searchsorted(ends, at, side="right"))][0]
        assert kind != OUT
        if kind != EDGE:
            # No edge with room for a join lies within the reel.
            groups = edges_of(parts)
            assert not any(min(high, done + reel_m) - max(low, done) > 1e-5 for low, high in groups)


def edges_of(parts):
    """Chainages of edges, neighbouring ones as one, less the room on both sides."""
    found, at = [], 0.0
    for kind, length in parts:
        if kind == EDGE:
            if found and found[-1][1] == at:
                found[-1][1] = at + length
            else:
                found.append([at, at + length])
        at += length
    return [(low + JOIN_CLEAR_M, high - JOIN_CLEAR_M) for low, high in found]


def test_a_reel_shorter_than_a_lead_is_refused():
    with pytest.raises(ParameterError, match=r"shorter than the lead at 4\.7 m\. Use a longer reel\.$"):
        joined((EDGE, 5), (OUT, 35), (EDGE, 60), reel_m=10)
    with pytest.raises(ParameterError, match="not a length"):
        joined((EDGE, 5), reel_m=0)
