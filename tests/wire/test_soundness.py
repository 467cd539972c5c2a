"""Wire that checks itself: sound loops say nothing, and every way of breaking a rule is told, with its place."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon, box

from lawngis.errors import FeatureError
from lawngis.geometry.lines import chainage_m
from lawngis.geometry.polygons import polygon_parts
from lawngis.wire.ground import loop_ground, passage_strip, setback_ground
from lawngis.wire.loop import Loop, Run, Stretch, laid_loop
from lawngis.wire.soundness import FAULTS, Asked, Breach, breaches, close_wire, deep_ground

GAP = 0.3
SETBACK = 0.3
LAWN = box(0, 0, 20, 12) - box(4, 4, 7, 7) - box(13, 5, 15, 7)
"""A lawn with two square beds."""


def stretches_of(zone: Polygon, setback: float = SETBACK) -> list[Stretch]:
    """Every side of a zone, the western ones flush with less setback."""
    lines = [
        LineString(pair) for ring in shapely.get_rings(shapely.orient_polygons(zone)) for pair in pairwise(ring.coords)
    ]
    return [
        Stretch(line, "flush", 0.12) if shapely.bounds(line)[2] < 1e-9 else Stretch(line, "boundary", setback)
        for line in lines
    ]


def laid_on(zone: Polygon) -> tuple[Loop, Asked]:
    stretches = stretches_of(zone)
    ground = setback_ground(zone, [s.line for s in stretches], [s.setback_m for s in stretches], gap_min_m=GAP)
    whole = loop_ground([polygon_parts(ground)[0]], gap_min_m=GAP)
    ring = np.array(whole.exterior.coords)
    longest = int(np.hypot(*np.diff(ring, axis=0).T).argmax())
    loop = laid_loop(whole, ring[longest : longest + 2].mean(axis=0), stretches)
    return loop, Asked(zone, [deep_ground(zone, SETBACK, GAP)], stretches, GAP, GAP)


@pytest.fixture(scope="module")
def sound() -> tuple[Loop, Asked]:
    return laid_on(LAWN)


def runs_of(loop: Loop, kind: str) -> list[int]:
    return [number for number, run in enumerate(loop.runs) if run.kind == kind]


def changed(loop: Loop, number: int, change: Callable[[np.ndarray], np.ndarray], **fields: object) -> Loop:
    """The loop with one run changed, and its neighbours' ends moved along."""
    runs = list(loop.runs)
    xy = change(runs[number].xy.copy())
    runs[number] = replace(runs[number], xy=xy, **fields)
    before, after = (number - 1) % len(runs), (number + 1) % len(runs)
    runs[before] = replace(runs[before], xy=np.concatenate([runs[before].xy[:-1], xy[:1]]))
    runs[after] = replace(runs[after], xy=np.concatenate([xy[-1:], runs[after].xy[1:]]))
    return replace(loop, runs=tuple(runs))


def rules(found: Sequence[Breach]) -> set[int]:
    assert all(breach.values.keys() == set(FAULTS[breach.fault]) for breach in found)
    return {breach.rule for breach in found}


def all_breaches(loop: Loop, asked: Asked) -> list[Breach]:
    found = breaches(loop, asked, chainage_m(loop.xy))
    return [*found, *close_wire([loop], asked.gap_min_m, asked.passage_gap_m)]


# Sound wire ----------------------------------------------------------------------------------------------------------


def test_sound_wire_breaks_nothing(sound: tuple[Loop, Asked]) -> None:
    assert len(runs_of(sound[0], "lead_out")) == 2
    assert not all_breaches(*sound)


def dumbbell() -> tuple[Loop, Asked]:
    """Two squares, 2 m apart, and the passage between them."""
    west, east = box(0, 0, 8, 8), box(10, 0, 18, 8)
    outlines = shapely.get_exterior_ring(shapely.orient_polygons([west, east]))
    stretches = [Stretch(LineString(ring.coords), "boundary", SETBACK) for ring in outlines]
    grounds = [
        polygon_parts(setback_ground(zone, [s.line], [s.setback_m], gap_min_m=GAP))[0]
        for zone, s in zip((west, east), stretches, strict=True)
    ]
    strip = passage_strip(LineString([(8, 4), (10, 4)]), *grounds, gap_m=GAP)
    whole = loop_ground(grounds, [strip], gap_min_m=GAP)
    loop = laid_loop(whole, (4.0, SETBACK), stretches, [strip])
    ground = shapely.union_all([west, east])
    return loop, Asked(ground, [deep_ground(zone, SETBACK, GAP) for zone in (west, east)], stretches, GAP, GAP)


def test_sound_passage_breaks_nothing() -> None:
    loop, asked = dumbbell()
    assert len(runs_of(loop, "passage")) == 2
    assert not all_breaches(loop, asked)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_what_says_nothing_keeps_the_rules_and_the_other_way_round(laws, seed: int) -> None:
    zone = laws.random_zone(seed)
    lines = laws.sides(zone)
    ground = setback_ground(zone, lines, [SETBACK] * len(lines), gap_min_m=GAP)
    if ground.is_empty:
        return
    stretches = [Stretch(line, "boundary", SETBACK) for line in lines]
    try:
        whole = loop_ground([polygon_parts(ground)[0]], gap_min_m=GAP)
    except FeatureError:
        return
    loop = laid_loop(whole, laws.start_on(whole), stretches)
    asked = Asked(zone, [], stretches, GAP, GAP)
    assert {text[0] for text in laws.broken(loop, zone, stretches) if text[0].isdigit()} == {
        str(rule) for rule in rules(all_breaches(loop, asked))
    }


@pytest.mark.parametrize("seed", range(24))
def test_a_vertex_out_of_place_breaks_what_it_breaks(laws, sound: tuple[Loop, Asked], seed: int) -> None:
    """Bends, setbacks and distances as the independent measure of these tests sees them."""
    rng = np.random.default_rng(seed)
    loop, asked = sound
    number = int(rng.choice([n for n, run in enumerate(loop.runs) if len(run.xy) > 2 and "lead" not in run.kind]))

    def moved(xy: np.ndarray) -> np.ndarray:
        xy[int(rng.integers(1, len(xy) - 1))] += rng.uniform(-0.5, 0.5, 2)
        return xy

    broken = changed(loop, number, moved)
    told = {str(rule) for rule in rules(all_breaches(broken, asked))}
    seen = {text[0] for text in laws.broken(broken, LAWN, list(asked.stretches))}
    assert told & set("346") == seen & set("346")


def blob(rng: np.random.Generator, x: float) -> Polygon:
    """A lawn with bays and noses, without tight spots."""
    count = int(rng.integers(5, 14))
    angle, reach = np.sort(rng.uniform(0, 2 * np.pi, count)), rng.uniform(2, 4, count)
    outline = np.column_stack([x + reach * np.cos(angle), reach * np.sin(angle)])
    lawn: Polygon = Polygon(outline).buffer(-0.3).buffer(0.3)
    return lawn


def passage_between_blobs(seed: int) -> tuple[Loop, Asked]:
    """Two such lawns, and a passage askew between them."""
    rng = np.random.default_rng(seed)
    setback = float(rng.choice([0.12, 0.25, 0.35]))
    zones = [blob(rng, 0.0), blob(rng, 7.0 + rng.uniform(-1, 1))]
    rings = shapely.get_exterior_ring(shapely.orient_polygons(zones))
    stretches = [Stretch(LineString(ring.coords), "flush", setback) for ring in rings]
    grounds = [
        polygon_parts(setback_ground(zone, [s.line], [setback], gap_min_m=GAP))[0]
        for zone, s in zip(zones, stretches, strict=True)
    ]
    aside = rng.uniform(-1, 1, 2)
    west, east = (zone.exterior for zone in zones)
    first = west.interpolate(west.project(Point(shapely.shortest_line(*zones).coords[0])) + aside[0])
    middle = LineString([first, east.interpolate(east.project(first) + 0.3 * aside[1])])
    strip = passage_strip(middle, *grounds, gap_m=GAP)
    whole = loop_ground(grounds, [strip], gap_min_m=GAP)
    ring = np.array(whole.exterior.coords)
    loop = laid_loop(whole, ring[np.argmin(ring[:, 0])], stretches, [strip])
    return loop, Asked(shapely.union_all(zones), [], stretches, GAP, GAP)


@pytest.mark.parametrize("seed", [99, 147, 150, 291, 299, 456, 552, 1197, 1258, 1364, 1457])
def test_mouths_of_any_shape_are_sound(seed: int) -> None:
    """Flares that reach far along a lawn's edge, beside its bays, and around its noses."""
    loop, asked = passage_between_blobs(seed)
    assert len(runs_of(loop, "passage")) >= 2
    assert not all_breaches(loop, asked)


# Rule 1 --------------------------------------------------------------------------------------------------------------


def test_wire_with_a_hole_is_open(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    runs = list(loop.runs)
    runs[3] = replace(runs[3], xy=runs[3].xy + np.array([0.0, 0.002]))
    found = breaches(replace(loop, runs=tuple(runs)), asked)
    assert [breach.rule for breach in found] == [1, 1]
    assert (found[0].fault, found[0].values) == ("open", {"gap_m": pytest.approx(0.002)})
    assert np.allclose(found[0].xy, runs[3].xy[0])


def test_wire_that_ends_elsewhere_than_it_began_is_open(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    assert rules(breaches(replace(loop, runs=loop.runs[:-1]), asked)) == {1}


def test_no_wire_is_no_loop(sound: tuple[Loop, Asked]) -> None:
    assert rules(breaches(Loop(()), sound[1])) == {1}


@pytest.mark.parametrize("wrong", ["jumps", "falls", "starts late", "is short", "is no number"])
def test_chainage_with_a_hole_is_told(sound: tuple[Loop, Asked], wrong: str) -> None:
    loop, asked = sound
    chainage = chainage_m(loop.xy)
    assert not breaches(loop, asked, chainage * 1.02)
    if wrong == "jumps":
        chainage[10:] += 5.0
    elif wrong == "falls":
        chainage[10] -= 1.0
    elif wrong == "starts late":
        chainage += 1.0
    elif wrong == "is short":
        chainage = chainage[:-1]
    else:
        chainage[10] = np.nan
    assert rules(breaches(loop, asked, chainage)) == {1}


# Rule 2 --------------------------------------------------------------------------------------------------------------


def reversed_run(run: Run) -> Run:
    return replace(run, xy=run.xy[::-1])


def test_loop_laid_clockwise_is_told() -> None:
    loop, asked = laid_on(box(0, 0, 20, 12))
    found = breaches(replace(loop, runs=tuple(map(reversed_run, loop.runs[::-1]))), asked)
    assert rules(found) == {2}
    assert any(breach.fault == "turns" and breach.values["turns"] == -1 for breach in found)
    assert asked.ground.contains(Point(found[0].xy))


def test_island_gone_round_the_wrong_way_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    first, last = runs_of(loop, "lead_out")[0], runs_of(loop, "lead_back")[0]
    around = tuple(map(reversed_run, loop.runs[first + 1 : last][::-1]))
    found = breaches(replace(loop, runs=(*loop.runs[: first + 1], *around, *loop.runs[last:])), asked)
    assert rules(found) == {2}
    (breach,) = found
    assert (breach.fault, breach.values["turns"]) == ("turns", 2)
    assert not LAWN.contains(Point(breach.xy))


def test_wire_over_ground_that_is_no_zone_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    pond = box(9, 8, 10, 9)
    found = breaches(loop, replace(asked, ground=LAWN - pond))
    assert rules(found) == {2}
    assert (found[0].fault, found[0].values) == ("strange_ground", {"area_m2": pytest.approx(1.0)})
    assert pond.contains(Point(found[0].xy))


def test_ground_along_the_wire_may_be_anything(sound: tuple[Loop, Asked]) -> None:
    """Nobody asks about what lies within 5 cm of the wire."""
    loop, asked = sound
    whole = Polygon(loop.xy).buffer(0)
    assert not breaches(loop, replace(asked, ground=whole.buffer(-0.04) - box(4, 4, 7, 7)))
    assert rules(breaches(loop, replace(asked, ground=whole.buffer(-0.08)))) == {2}


def test_mown_ground_left_out_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    more = shapely.union(LAWN, box(5, 12, 10, 16))
    found = breaches(loop, replace(asked, ground=more, deep=[deep_ground(more, SETBACK, GAP)]))
    assert rules(found) == {2}
    assert found[0].fault == "left_out"
    assert box(5, 11, 10, 16).contains(Point(found[0].xy))


# Rule 3 --------------------------------------------------------------------------------------------------------------


def side_at(loop: Loop, x: float, kind: str = "edge") -> int:
    """The run of a kind whose middle lies furthest toward one side."""
    return max(runs_of(loop, kind), key=lambda n: x * LineString(loop.runs[n].xy).centroid.x)


@pytest.mark.parametrize(("nearer_m", "told"), [(0.015, set()), (0.025, {3})])
def test_setback_may_be_short_by_two_centimetres(sound: tuple[Loop, Asked], nearer_m: float, told: set) -> None:
    loop, asked = sound
    broken = changed(loop, side_at(loop, 1.0), lambda xy: xy + np.array([nearer_m, 0.0]))
    found = breaches(broken, asked)
    assert rules(found) == told
    for breach in found:
        assert (breach.fault, breach.values) == ("setback", {"kept_m": pytest.approx(0.275), "setback_m": 0.3})
        assert Point(breach.xy).distance(LineString([(20, 0), (20, 12)])) == pytest.approx(0.275, abs=0.001)


def test_run_that_claims_a_smaller_setback_than_its_nearest_edge_is_told(sound: tuple[Loop, Asked]) -> None:
    """What the nearest edge asks counts, whatever the run says of itself."""
    loop, asked = sound
    number = side_at(loop, 1.0)
    broken = changed(loop, number, lambda xy: xy + np.array([0.1, 0.0]), edge_class="flush", setback_m=0.12)
    assert 3 in rules(breaches(broken, asked))


def test_run_too_near_to_an_edge_of_its_own_class_is_told(sound: tuple[Loop, Asked]) -> None:
    """A run that says it keeps more than it does."""
    loop, asked = sound
    broken = changed(loop, side_at(loop, -1.0), lambda xy: xy, setback_m=0.35)
    found = breaches(broken, asked)
    assert rules(found) == {3}
    assert found[0].values["setback_m"] == 0.35
    # So is one behind another of which nothing is asked.
    first = changed(broken, 0, lambda xy: xy, edge_class="flush", setback_m=0.01)
    assert [breach.values for breach in breaches(first, asked)] == [breach.values for breach in found]


def test_drawn_run_keeps_what_it_says(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    number = side_at(loop, 1.0)
    drawn = changed(loop, number, lambda xy: xy + np.array([0.1, 0.0]), drawn=True, setback_m=0.2)
    assert 3 not in rules(breaches(drawn, asked))
    assert 3 in rules(breaches(changed(drawn, number, lambda xy: xy + np.array([0.03, 0.0])), asked))


# Rule 4 --------------------------------------------------------------------------------------------------------------


def test_square_corner_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    number = next(n for n in runs_of(loop, "corner") if loop.runs[n].xy.min() > 10)

    def square(xy: np.ndarray) -> np.ndarray:
        corner = np.array([xy[:, 0].max(), xy[:, 1].max()])
        return np.array([xy[0], corner, xy[-1]])

    found = breaches(changed(loop, number, square), asked)
    assert rules(found) == {4}
    assert (found[0].fault, found[0].values) == ("bend", {"bend_deg": pytest.approx(90)})
    assert np.allclose(found[0].xy, (20 - SETBACK, 12 - SETBACK), atol=0.01)


def test_every_corner_is_told_also_the_one_where_the_wire_begins() -> None:
    corners = np.array([(0.0, 0), (9, 0), (9, 7), (0, 7), (0, 0)])
    found = breaches(
        Loop((Run("edge", corners[:3]), Run("edge", corners[2:]))), Asked(box(0, 0, 9, 7), [], [], GAP, GAP)
    )
    assert [breach.rule for breach in found] == [4] * 4
    assert sorted(tuple(breach.xy) for breach in found) == sorted(map(tuple, corners[:4]))


def test_corner_split_into_two_vertices_at_one_place_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    number = next(n for n in runs_of(loop, "corner") if loop.runs[n].xy.min() > 10)

    def nearly_square(xy: np.ndarray) -> np.ndarray:
        x, y = xy.max(axis=0)
        return np.array([xy[0], (x, y - 0.003), (x - 0.003, y), xy[-1]])

    assert rules(breaches(changed(loop, number, nearly_square), asked)) == {4}


# Rule 5 --------------------------------------------------------------------------------------------------------------


def test_two_wires_of_a_lead_that_part_are_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound

    def bulged(xy: np.ndarray) -> np.ndarray:
        return np.array([xy[0], xy.mean(axis=0) + np.array([0.007, 0.0]), xy[-1]])

    back = runs_of(loop, "lead_back")[0]
    (breach,) = breaches(changed(loop, back, bulged), asked)
    assert breach.rule == 5
    assert (breach.fault, breach.values) == ("lead_apart", {"gap_m": pytest.approx(0.007)})
    assert np.array_equal(breach.xy, loop.runs[back].xy[-1])


def test_island_whose_wire_does_not_come_back_to_its_lead_is_told(sound: tuple[Loop, Asked]) -> None:
    """It ends 2 cm beside, where the way back begins."""
    loop, asked = sound
    back = runs_of(loop, "lead_back")[0]

    def beside(xy: np.ndarray) -> np.ndarray:
        xy[0] += [0.0, 0.02]
        return xy

    found = breaches(changed(loop, back, beside), asked)
    (breach,) = [breach for breach in found if breach.fault == "island_off_lead"]
    assert breach.rule == 5
    assert np.array_equal(breach.xy, loop.runs[runs_of(loop, "lead_out")[0] + 1].xy[0])


def test_lead_without_a_way_back_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    for lost, fault in (("lead_back", "lead_never_back"), ("lead_out", "lead_never_out")):
        number = runs_of(loop, lost)[0]
        runs = list(loop.runs)
        runs[number] = replace(runs[number], kind="edge", setback_m=None)
        found = breaches(replace(loop, runs=tuple(runs)), asked)
        assert any(breach.fault == fault for breach in found if breach.rule == 5)


def test_lead_back_from_another_island_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    found = breaches(changed(loop, runs_of(loop, "lead_back")[0], lambda xy: xy, island=7), asked)
    (breach,) = found
    assert (breach.rule, breach.fault) == (5, "lead_other_island")
    assert np.array_equal(breach.xy, loop.runs[runs_of(loop, "lead_out")[0]].xy[0])


def test_island_with_two_leads_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    runs = tuple(run if run.island is None else replace(run, island=0) for run in loop.runs)
    found = breaches(replace(loop, runs=runs), asked)
    assert rules(found) == {5}
    assert (found[0].fault, found[0].values) == ("island_leads", {"leads": 2})
    assert np.array_equal(found[0].xy, loop.runs[runs_of(loop, "island")[0]].xy[0])


def test_island_without_a_lead_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    number = runs_of(loop, "edge")[0]
    found = breaches(changed(loop, number, lambda xy: xy, kind="island", island=5), asked)
    (breach,) = [breach for breach in found if breach.rule == 5]
    assert breach.fault == "island_without_lead"
    assert np.array_equal(breach.xy, loop.runs[number].xy[0])


def test_lead_to_nothing_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    first, last = runs_of(loop, "lead_out")[0], runs_of(loop, "lead_back")[0]
    found = breaches(replace(loop, runs=(*loop.runs[: first + 1], *loop.runs[last:])), asked)
    (breach,) = [breach for breach in found if breach.fault == "lead_to_nothing"]
    assert breach.rule == 5
    assert np.array_equal(breach.xy, loop.runs[first].xy[-1])


def crossing_leads() -> Loop:
    """Two islands on leads that start in the other one's place."""

    def island(number: int, x: float, way: Sequence[tuple[float, float]]) -> list[Run]:
        around = np.array([(x, 3), (x - 0.5, 3.2), (x - 0.5, 3.8), (x, 4), (x + 0.5, 3.8), (x + 0.5, 3.2), (x, 3)])
        lead = np.array(way, dtype=float)
        return [
            Run("lead_out", lead, island=number),
            Run("island", around, island=number),
            Run("lead_back", lead[::-1], island=number),
        ]

    edges = [[(0, 0), (3, 0)], [(3, 0), (6, 0)], [(6, 0), (9, 0), (10, 1), (10, 8), (9, 9), (1, 9), (0, 8), (0, 0)]]
    first, second, rest = (Run("edge", np.array(xy, dtype=float)) for xy in edges)
    return Loop((first, *island(0, 7, [(3, 0), (7, 3)]), second, *island(1, 2, [(6, 0), (2, 3)]), rest))


def test_leads_that_cross_are_told() -> None:
    found = [
        breach for breach in breaches(crossing_leads(), Asked(box(0, 0, 10, 9), [], [], GAP, GAP)) if breach.rule == 5
    ]
    (breach,) = found
    assert breach.fault == "lead_crosses_lead"
    assert np.allclose(breach.xy, (4.5, 1.125))


def test_lead_across_other_wire_is_told(sound: tuple[Loop, Asked]) -> None:
    loop, asked = sound
    out, back = runs_of(loop, "lead_out")[0], runs_of(loop, "lead_back")[0]
    # A detour through the edge wire, both wires alike.
    way = np.array([loop.runs[out].xy[0], [1.0, -1.0], [2.0, -1.0], loop.runs[out].xy[-1]])
    found = breaches(changed(changed(loop, out, lambda _: way), back, lambda _: way[::-1]), asked)
    assert "lead_crosses_wire" in {breach.fault for breach in found if breach.rule == 5}


# Rule 6 --------------------------------------------------------------------------------------------------------------


def with_island_moved(loop: Loop, by: tuple[float, float]) -> Loop:
    """The loop with what lies between its first lead's ends moved, the lead stretched along."""
    first, last = runs_of(loop, "lead_out")[0], runs_of(loop, "lead_back")[0]
    runs = list(loop.runs)
    for number in range(first + 1, last):
        runs[number] = replace(runs[number], xy=runs[number].xy + by)
    runs[first] = replace(runs[first], xy=np.concatenate([runs[first].xy[:-1], runs[first].xy[-1:] + by]))
    runs[last] = replace(runs[last], xy=runs[first].xy[::-1])
    return replace(loop, runs=tuple(runs))


@pytest.mark.parametrize(("apart_m", "told"), [(0.31, 0), (0.28, 1), (0.0, 1)])
def test_island_too_near_to_the_outer_ring_is_told(sound: tuple[Loop, Asked], apart_m: float, told: int) -> None:
    loop, _ = sound
    first = runs_of(loop, "lead_out")[0]
    island = Polygon(np.concatenate([run.xy for run in loop.runs[first + 1 : runs_of(loop, "lead_back")[0]]]))
    east = 20 - SETBACK - apart_m - island.bounds[2]
    found = close_wire([with_island_moved(loop, (east, 0.0))], GAP, GAP)
    assert [breach.rule for breach in found] == [6] * told
    for breach in found:
        assert (breach.fault, breach.values) == ("close", {"gap_m": pytest.approx(apart_m, abs=5e-4), "gap_min_m": GAP})
        assert abs(breach.xy[0] - (20 - SETBACK)) < apart_m + 0.01


@pytest.mark.parametrize(("nearer_m", "told"), [(0.02, set()), (0.04, {6})])
def test_wires_of_a_passage_too_near_are_told(nearer_m: float, told: set) -> None:
    loop, _ = dumbbell()
    north = max(runs_of(loop, "passage"), key=lambda n: LineString(loop.runs[n].xy).centroid.y)
    found = close_wire([changed(loop, north, lambda xy: xy - [0.0, nearer_m])], GAP, GAP)
    assert rules(found) == told
    # A profile that lets passages be narrower doesn't mind; but beside other wire than the passage's it would.
    nearer = changed(loop, north, lambda xy: xy - [0.0, nearer_m])
    assert not close_wire([nearer], GAP, 0.2)
    beside = replace(
        nearer, runs=tuple(replace(r, kind="edge") if n == north else r for n, r in enumerate(nearer.runs))
    )
    assert rules(close_wire([beside], GAP, 0.2)) == told


def test_wire_that_turns_back_on_itself_is_told() -> None:
    """A tongue 25 cm wide; one 35 cm wide is wide enough."""
    for width, told in ((0.25, 1), (0.35, 0)):
        ring = [(0, 0), (9, 0), (10, 1), (10, 4), (12, 4), (12, 4 + width), (10, 4 + width), (10, 9), (1, 9), (0, 8)]
        loop = Loop((Run("edge", np.array([*ring, ring[0]], dtype=float)),))
        assert len(close_wire([loop], GAP, GAP)) == told


def test_two_loops_too_near_are_told() -> None:
    first, _ = laid_on(box(0, 0, 10, 8))
    second, _ = laid_on(box(9.6, 0, 20, 8))
    assert len(close_wire([first, second], GAP, GAP)) == 1
    assert not close_wire([first], GAP, GAP)
    assert not close_wire([], GAP, GAP)
