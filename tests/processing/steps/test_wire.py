"""Step `wire` on sites and plans made by hand: what it says of loops that are laid, drawn on site, or broken."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import hypot

import geopandas
import numpy as np
import pytest
import shapely
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.mower import MowerProfile, built_in_profile
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Finding, Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.steps import wire as step
from lawngis.wire.loop import Loop, Run

MOWER = built_in_profile()
SETBACK_M = MOWER.setback_m.boundary
LAWN = box(0, 0, 20, 12)
POND = Point(10, 6).buffer(2, quad_segs=16)


def site_of(parcel: Polygon, drawn: Sequence[LineString] = (), **layers: Sequence[Polygon]) -> Site:
    """A level site in a plane of its own."""
    frame = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
    min_x, min_y, max_x, max_y = parcel.bounds
    rows, columns = int(max_y - min_y) + 4, int(max_x - min_x) + 4
    dem = Grid(np.full((rows, columns), 100.0), Affine(1, 0, min_x - 2, 0, -1, max_y + 2), frame.crs)
    tables = {
        name: geopandas.GeoDataFrame(
            {"use": ["path"] * len(shapes), "level": ["flush"] * len(shapes)}, geometry=list(shapes), crs=frame.crs
        )
        for name, shapes in layers.items()
    }
    wires = tuple(Fact(line, "wire_path", "geometry", place=line) for line in drawn)
    return Site("P1", "", parcel, frame, tables, dem, facts=Facts(wires=wires))


def zone(number: int, shape: Polygon, role: str = "home", supply: str = "own_dock", **columns: object) -> dict:
    row = {"zone_id": f"P1-Z{number}", "role": role, "area_m2": shape.area, "perimeter_m": shape.length}
    row |= {"supply": supply, "loop_id": "P1-L1", "reached_by": None, "supply_why": "", "geometry": shape}
    return row | columns


def plan_of(site: Site, zones: Sequence[dict], *, links: Sequence[dict] = (), edge: str = "boundary") -> Plan:
    """A plan as the steps before the wire leave it: one class all round, water round holes, a dock on each own loop."""
    plan = Plan("P1", site.frame.crs)
    edges = []
    for row in zones:
        for number, ring in enumerate(shapely.get_rings(shapely.orient_polygons(row["geometry"]))):
            kind = "water" if number else edge
            edges.append(
                {
                    "edge_id": f"P1-E{len(edges) + 1}",
                    "zone_id": row["zone_id"],
                    "edge_class": kind,
                    "setback_m": getattr(MOWER.setback_m, kind),
                    "length_m": ring.length,
                    "geometry": LineString(ring.coords),
                }
            )
    docks = [
        {"candidate_id": f"P1-D{number}", "zone_id": row["zone_id"], "rank": 1, "score": 1.0}
        | {"chosen": True, "feasible": True, "geometry": dock_of(row["geometry"])}
        for number, row in enumerate(zones, 1)
        if row["supply"] == "own_dock"
    ]
    layers = {"zones": zones, "links": links, "edges": edges, "dock_candidates": docks, "hand_mow": [], "keepouts": []}
    plan.attach("made by hand", StepResult(layers), layers)
    return plan


def dock_of(shape: Polygon) -> Point:
    """In the middle of the south side of the wire."""
    min_x, min_y, max_x, _ = shape.bounds
    return Point((min_x + max_x) / 2, min_y + SETBACK_M)


def laid(site: Site, plan: Plan, mower: MowerProfile = MOWER, **parameters: object) -> StepResult:
    result = step.wire(site, plan, mower, step.WireParameters(**parameters))
    plan.attach("wire", result, result.layers)
    return result


def said(result: StepResult, code: str) -> Finding:
    (finding,) = [finding for finding in result.findings if finding.code == code]
    return finding


def remarks(finding: Finding) -> dict[str, dict]:
    """What is said of wire along a drawn line, by case."""
    return {values["case"]: values for _, values in finding.values["remarks"]}


def codes(result: StepResult) -> set[str]:
    return {finding.code for finding in result.findings}


def test_plain_lawn_is_laid_without_a_word() -> None:
    site = site_of(LAWN)
    assert not codes(laid(site, plan_of(site, [zone(1, LAWN)])))


# Wire drawn on site -------------------------------------------------------------------------------------------------


def drawn_on(line: LineString, **layers: Sequence[Polygon]) -> tuple[StepResult, list[dict]]:
    site = site_of(LAWN.buffer(10), [line], **layers)
    result = laid(site, plan_of(site, [zone(1, LAWN)]))
    return result, list(result.layers["wire_runs"])


def test_line_along_the_ring_itself_changes_nothing() -> None:
    result, runs = drawn_on(LineString([(4, 12 - SETBACK_M), (16, 12 - SETBACK_M)]))
    finding = said(result, "drawn-wire")
    assert (finding.severity, finding.values) == (
        "info",
        {"case": "info", "zone_id": "P1-Z1", "length_m": pytest.approx(12.0), "remarks": []},
    )
    plain = laid(site_of(LAWN), plan_of(site_of(LAWN), [zone(1, LAWN)]))
    assert sum(row["geometry"].length for row in runs) == pytest.approx(
        sum(row["geometry"].length for row in plain.layers["wire_runs"]), abs=0.01
    )


def test_line_into_the_lawn_is_followed_and_says_what_is_left_out() -> None:
    line = LineString([(20 - SETBACK_M, 7), (15, 12 - SETBACK_M)])
    result, runs = drawn_on(line)
    finding = said(result, "drawn-wire")
    assert finding.severity == "caution"
    ((_, left_out),) = finding.values["remarks"]
    assert left_out == {"case": "left_out", "area_m2": pytest.approx(11.0, abs=0.5)}
    wire = shapely.union_all([row["geometry"] for row in runs])
    # Both of its corners are cut; in between the wire lies on it.
    inner = shapely.segmentize(LineString([line.interpolate(0.3), line.interpolate(line.length - 0.3)]), 0.1)
    assert shapely.distance(shapely.points(inner.coords), wire).max() < 0.006
    assert {row["setback_m"] for row in runs} == {SETBACK_M}


def test_line_nearer_to_the_edge_than_the_setback_keeps_and_tells_its_true_setback() -> None:
    result, runs = drawn_on(LineString([(4, 11.7), (5, 11.9), (15, 11.9), (16, 11.7)]))
    finding = said(result, "drawn-wire")
    assert finding.severity == "caution"
    short = {"case": "setback", "edge_class": "boundary", "kept_m": pytest.approx(0.1, abs=0.005), "setback_m": 0.3}
    assert ("drawn-wire", short) in finding.values["remarks"]
    near = [row for row in runs if row["run_kind"] == "edge" and row["setback_m"] < SETBACK_M]
    assert sum(row["geometry"].length for row in near) == pytest.approx(10 + 2 * hypot(1, 0.2), abs=0.1)
    for row in runs:
        if row["run_kind"] == "edge":
            assert row["geometry"].distance(LAWN.exterior) >= row["setback_m"] - 0.006


def test_line_off_the_zone_stops_the_plan() -> None:
    result, _ = drawn_on(LineString([(5, 11.7), (5, 14), (12, 14), (12, 11.7)]))
    finding = said(result, "drawn-wire")
    assert finding.severity == "stop"
    assert "off_zone" in remarks(finding)
    assert not LAWN.contains(finding.place)
    assert "rule-8-off-zone" not in codes(result)


def test_line_over_water_stops_the_plan() -> None:
    lawn = LAWN.difference(POND)
    line = LineString([(8, 6 - 2.2), (8.6, 6), (8, 6 + 2.2)])
    site = site_of(LAWN, [line], water=[POND])
    finding = said(laid(site, plan_of(site, [zone(1, lawn)])), "drawn-wire")
    assert finding.severity == "stop"
    assert {"water", "setback"} <= remarks(finding).keys()
    assert (remarks(finding)["setback"]["edge_class"], remarks(finding)["setback"]["setback_m"]) == ("water", 0.6)


def test_closed_line_makes_an_island_on_a_lead() -> None:
    around = LineString(box(8, 4, 11, 7).exterior.coords)
    result, runs = drawn_on(around)
    assert said(result, "drawn-wire").severity == "caution"
    assert [row["run_kind"] for row in runs].count("lead_out") == 1
    islands = shapely.union_all([row["geometry"] for row in runs if row["run_kind"] == "island"])
    assert islands.length == pytest.approx(12 - 4 * (2 - np.sqrt(2)) * 0.2, abs=0.3)
    assert "rule-2-signal-sign" not in codes(result)


def test_line_that_ends_far_from_the_wire_is_missed() -> None:
    result, runs = drawn_on(LineString([(8, 6), (12, 6)]))
    finding = said(result, "drawn-wire-missed")
    assert finding.severity == "caution" and "5.7 m from the wire" in finding.values["reason"]
    assert "drawn-wire" not in codes(result)
    assert runs


def test_line_changes_the_zone_whose_wire_it_ends_at() -> None:
    other = box(24, 0, 34, 12)
    site = site_of(box(-5, -5, 40, 17), [LineString([(24 + SETBACK_M, 6), (28, 12 - SETBACK_M)])])
    zones = [zone(1, LAWN), zone(2, other, "detached", loop_id="P1-L2")]
    result = laid(site, plan_of(site, zones))
    assert said(result, "drawn-wire").values["zone_id"] == "P1-Z2"
    first, second = result.layers["wire_path"]
    assert first["plan_length_m"] > second["plan_length_m"]
    assert Polygon(second["geometry"]).area < (10 - 2 * SETBACK_M) * (12 - 2 * SETBACK_M) - 9


# What is said of loops ----------------------------------------------------------------------------------------------


def squares_field(side: Polygon, x: float, y: float, height: float) -> float:
    """Field per ampere of a rectangle of wire by the textbook form: mu0 I / 4 pi d (sin a + sin b), side by side."""
    total = 0.0
    corners = list(shapely.orient_polygons(side).exterior.coords)
    for (x0, y0), (x1, y1) in pairwise(corners):
        length = hypot(x1 - x0, y1 - y0)
        ux, uy = (x1 - x0) / length, (y1 - y0) / length
        along, left = (x - x0) * ux + (y - y0) * uy, ux * (y - y0) - uy * (x - x0)
        d = hypot(left, height)
        sines = along / hypot(along, d) + (length - along) / hypot(length - along, d)
        total += 0.1 * sines / d * (left / d)
    return total


def test_two_loops_close_together_interfere_as_the_field_formula_says() -> None:
    east = box(20.5, 0, 40.5, 12)
    site = site_of(box(-1, -1, 42, 13))
    zones = [zone(1, LAWN), zone(2, east, "detached", loop_id="P1-L2")]
    result = laid(site, plan_of(site, zones, edge="boundary"), interference_share_min=0.05)
    findings = [finding for finding in result.findings if finding.code == "interference"]
    assert len(findings) == 2
    wires = [shape.buffer(-SETBACK_M, join_style="mitre") for shape in (LAWN, east)]
    for finding, own, other in zip(findings, wires, wires[::-1], strict=True):
        x, y = finding.place.x, finding.place.y
        height = MOWER.antenna_height_m
        share = abs(squares_field(other, x, y, height) / squares_field(own, x, y, height))
        assert finding.values["share_percent"] == pytest.approx(100 * share, rel=0.02)
        assert finding.severity == "caution"


def test_loops_far_apart_do_not_interfere() -> None:
    site = site_of(box(-1, -1, 92, 13))
    zones = [zone(1, LAWN), zone(2, box(70, 0, 90, 12), "detached", loop_id="P1-L2")]
    assert "interference" not in codes(laid(site, plan_of(site, zones)))


def test_zone_behind_a_house_gets_no_lead() -> None:
    site = site_of(box(-1, -1, 41, 13), buildings=[box(21, -2, 25, 14)])
    zones = [zone(1, LAWN), zone(2, box(26, 0, 40, 12), "detached", "main_wire")]
    result = laid(site, plan_of(site, zones))
    finding = said(result, "no-lead")
    assert finding.severity == "stop" and finding.values == {"loop_id": "P1-L1", "zone_id": "P1-Z2"}
    assert {row["run_kind"] for row in result.layers["wire_runs"]} == {"edge", "corner"}


def test_lead_over_a_path_says_what_it_crosses() -> None:
    site = site_of(box(-1, -1, 41, 13), hard_surfaces=[box(20, -2, 22, 14)])
    zones = [zone(1, LAWN), zone(2, box(22, 0, 40, 12), "detached", "main_wire")]
    result = laid(site, plan_of(site, zones))
    finding = said(result, "wire-crosses")
    path = {"case": "saw_cut", "surface": "path", "length_m": pytest.approx(2.0)}
    assert finding.severity == "caution" and finding.values["crossed"] == [("crossed", path)]
    assert {"lead_out", "lead_back"} <= {row["run_kind"] for row in result.layers["wire_runs"]}
    assert codes(result) == {"wire-crosses"}


@pytest.mark.parametrize(("gap_to_m", "from_dock_m"), [(10.2, (0.1, 0.8)), (12.8, (2.0, 2.8))])
def test_a_lead_leaves_the_dock_room_but_goes_no_long_way_round_for_it(
    gap_to_m: float, from_dock_m: tuple[float, float]
) -> None:
    """Between two houses along the wire is a gap at the dock, 2.6 m long; their other ends lie 14 m off."""
    houses = [box(-4, -1.8, 9.3, 0.28), box(gap_to_m, -1.8, 24, 0.28)]
    site = site_of(box(-8, -14, 28, 13), buildings=houses)
    zones = [zone(1, LAWN), zone(2, box(0, -12, 20, -2), "detached", "main_wire")]
    lead = next(row for row in laid(site, plan_of(site, zones)).layers["wire_runs"] if row["run_kind"] == "lead_out")
    least_m, most_m = from_dock_m
    assert least_m <= lead["geometry"].distance(dock_of(LAWN)) <= most_m
    assert lead["geometry"].length == pytest.approx(2.6, abs=0.1)


def pair(supply: str, loop: str) -> tuple[Site, Plan]:
    """A lawn, and across a path two others with a passage between them."""
    near, far = box(24, 0, 30, 8), box(35, 1, 41, 7)
    link = {"link_id": "P1-P1", "zone_a": "P1-Z2", "zone_b": "P1-Z3", "kind": "transit", "width_m": 1.2}
    link |= {"length_m": 5.0, "surface": "lawn", "geometry": LineString([(30, 4), (35, 4)])}
    zones = [zone(1, LAWN), zone(2, near, "detached", supply, loop_id=loop)]
    zones += [zone(3, far, "detached", supply, loop_id=loop, reached_by="P1-P1")]
    site = site_of(box(-1, -1, 43, 13), hard_surfaces=[box(20, -2, 24, 14)])
    return site, plan_of(site, zones, links=[link])


@pytest.mark.parametrize(("supply", "loops"), [("main_wire", 1), ("own_source", 2), ("own_dock", 2)])
def test_detached_zones_with_a_passage_between_them_share_one_supply(supply: str, loops: int) -> None:
    site, plan = pair(supply, "P1-L1" if supply == "main_wire" else "P1-L2")
    result = laid(site, plan)
    runs = [row["run_kind"] for row in result.layers["wire_runs"]]
    assert len(result.layers["wire_path"]) == loops
    assert runs.count("lead_out") == (supply == "main_wire")
    assert runs.count("passage") == 2
    assert not [finding for finding in result.findings if finding.severity == "stop"]
    whole = shapely.union_all([Polygon(row["geometry"]) for row in result.layers["wire_path"]])
    for shape in plan.geometries("zones"):
        assert whole.buffer(1e-6).contains(shape.buffer(-0.6))


def test_link_over_paving_says_that_the_wire_crosses() -> None:
    link = {"link_id": "P1-P1", "zone_a": "P1-Z1", "zone_b": "P1-Z2", "kind": "crossing", "width_m": 12.0}
    link |= {"length_m": 1.5, "surface": "flush path", "geometry": LineString([(20, 6), (21.5, 6)])}
    site = site_of(box(-1, -1, 41, 13))
    zones = [zone(1, LAWN), zone(2, box(21.5, 0, 40, 12), "linked", "main_wire", reached_by="P1-P1")]
    result = laid(site, plan_of(site, zones, links=[link]))
    finding = said(result, "wire-crosses")
    assert finding.severity == "caution" and finding.values == {
        "case": "crossing",
        "loop_id": "P1-L1",
        "link_id": "P1-P1",
        "surface": "flush path",
    }
    assert [row["run_kind"] for row in result.layers["wire_runs"]].count("passage") == 2


def test_field_too_weak_for_the_mower_stops_the_plan() -> None:
    # In the middle of a rectangle a by b: mu0 I / pi · 2 sqrt(a² + b²) / (a b), at a height that is next to nothing.
    a, b = (side - 2 * SETBACK_M for side in (20, 12))
    middle = 0.4 * 2 * hypot(a, b) / (a * b)
    site = site_of(LAWN)
    strong = MOWER.model_copy(update={"signal_min_ut": 0.98 * middle})
    assert "signal-weak" not in codes(laid(site, plan_of(site, [zone(1, LAWN)]), strong))
    weak = MOWER.model_copy(update={"signal_min_ut": 1.05 * middle})
    result = laid(site, plan_of(site, [zone(1, LAWN)]), weak)
    finding = said(result, "signal-weak")
    assert finding.severity == "stop"
    assert finding.place.distance(LAWN.centroid) < 1.0
    assert result.layers["wire_path"][0]["signal_min_ut"] == pytest.approx(middle, rel=0.02)


def test_middle_beyond_reach_is_a_caution_and_a_long_loop_a_stop() -> None:
    wide = box(0, 0, 60, 44)
    site = site_of(wide)
    result = laid(site, plan_of(site, [zone(1, wide)]), MOWER.model_copy(update={"loop_length_max_m": 150.0}))
    assert said(result, "signal-reach").severity == "caution"
    reach = said(result, "signal-reach").values["away_m"]
    assert 44 / 2 - SETBACK_M - 1.1 < reach <= 44 / 2 - SETBACK_M
    long = said(result, "loop-too-long")
    length_m = result.layers["wire_path"][0]["length_m"]
    assert long.severity == "stop" and long.values == {"loop_id": "P1-L1", "length_m": length_m, "limit_m": 150.0}


# Loops that are broken on purpose -----------------------------------------------------------------------------------


def parted_lead(loop: Loop) -> Loop:
    """The way back of the lead 1.5 m beside the way out."""

    def moved(run: Run) -> Run:
        ends = run.xy[[0, -1]]
        beside = ends + np.array([1.5, 0.0])
        return replace(run, xy=np.array([ends[0], *beside, ends[1]]))

    return replace(loop, runs=tuple(moved(run) if run.kind == "lead_back" else run for run in loop.runs))


def turned_island(loop: Loop) -> Loop:
    """The island's ring the other way round."""
    first = next(index for index, run in enumerate(loop.runs) if run.kind == "island")
    last = len(loop.runs) - next(index for index, run in enumerate(loop.runs[::-1]) if run.kind == "island")
    turned = tuple(replace(run, xy=run.xy[::-1]) for run in loop.runs[first:last][::-1])
    return replace(loop, runs=(*loop.runs[:first], *turned, *loop.runs[last:]))


def reversed_loop(loop: Loop) -> Loop:
    """All of it clockwise."""
    other = {"lead_out": "lead_back", "lead_back": "lead_out"}
    turned = (replace(run, xy=run.xy[::-1], kind=other.get(run.kind, run.kind)) for run in loop.runs[::-1])
    return replace(loop, runs=tuple(turned))


@pytest.mark.parametrize("broken", [turned_island, reversed_loop, parted_lead])
def test_broken_loop_is_caught_by_its_field(broken: Callable[[Loop], Loop], monkeypatch: pytest.MonkeyPatch) -> None:
    lawn = LAWN.difference(POND)
    site = site_of(LAWN, water=[POND])
    assert "rule-2-signal-sign" not in codes(laid(site, plan_of(site, [zone(1, lawn)])))
    true = step.laid_loop
    monkeypatch.setattr(step, "laid_loop", lambda *args: broken(true(*args)))
    result = laid(site, plan_of(site, [zone(1, lawn)]))
    finding = said(result, "rule-2-signal-sign")
    assert finding.severity == "stop" and finding.values["places"] > 0
    if broken is turned_island:
        assert finding.place.distance(POND) < 2.0


@pytest.mark.parametrize(
    ("broken", "code"),
    [(turned_island, "rule-2-enclosed"), (reversed_loop, "rule-2-enclosed"), (parted_lead, "rule-5-leads")],
)
def test_broken_loop_is_caught_by_its_shape(
    broken: Callable[[Loop], Loop], code: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    site, lawn, true = site_of(LAWN, water=[POND]), LAWN.difference(POND), step.laid_loop
    monkeypatch.setattr(step, "laid_loop", lambda *args: broken(true(*args)))
    result = laid(site, plan_of(site, [zone(1, lawn)]))
    stops = [finding for finding in result.findings if finding.code == code]
    assert stops
    assert {finding.severity for finding in stops} == {"stop"}


def test_two_loops_too_near_stop_the_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Zones that share an edge, with the ground of both as it is: nothing draws it back."""
    west, east = box(0, 0, 10, 12), box(10, 0, 20, 12)
    zones = [zone(1, west), zone(2, east, "detached", loop_id="P1-L2")]
    site = site_of(LAWN)
    assert "rule-6-wire-gap" not in codes(laid(site, plan_of(site, zones)))
    true = step.laid_loop

    def moved(*args: object) -> Loop:
        loop = true(*args)
        by = [-0.4, 0.0] if loop.xy[:, 0].min() > 9 else [0.0, 0.0]
        return replace(loop, runs=tuple(replace(run, xy=run.xy + by) for run in loop.runs))

    monkeypatch.setattr(step, "laid_loop", moved)
    finding = said(laid(site, plan_of(site, zones)), "rule-6-wire-gap")
    assert finding.severity == "stop"
    code, fault = finding.values["fault"]
    assert (code, fault["case"]) == ("wire-fault", "close") and fault["gap_m"] == pytest.approx(0.2)


def test_wire_off_its_zone_stops_the_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    def bulged(loop: Loop) -> Loop:
        number = max(range(len(loop.runs)), key=lambda n: loop.runs[n].length_m)
        run = loop.runs[number]
        low, high = run.xy[:-1], run.xy[1:]
        top = int(np.argmax(low[:, 1] + high[:, 1]))
        out = np.array([low[top] + [-1, 0], low[top] + [-2, 1.3], low[top] + [-3, 0]])
        xy = np.concatenate([run.xy[: top + 1], out, run.xy[top + 1 :]])
        return replace(loop, runs=(*loop.runs[:number], replace(run, xy=xy), *loop.runs[number + 1 :]))

    site, true = site_of(LAWN), step.laid_loop
    monkeypatch.setattr(step, "laid_loop", lambda *args: bulged(true(*args)))
    finding = said(laid(site, plan_of(site, [zone(1, LAWN)])), "rule-8-off-zone")
    # 1.3 m out with 0.3 m of setback: two thirds and more of either side of the bulge lie beyond the edge.
    assert finding.severity == "stop"
    assert finding.values["length_m"] == pytest.approx(2 * hypot(1, 1.3) * (1.3 - 0.3 - 0.01) / 1.3, abs=0.005)
    assert not LAWN.covers(finding.place)


def test_resistance_and_slack_follow_the_length() -> None:
    site = site_of(LAWN)
    (row,) = laid(site, plan_of(site, [zone(1, LAWN)])).layers["wire_path"]
    ring = 2 * (20 + 12 - 4 * SETBACK_M) - 4 * (2 - np.sqrt(2)) * MOWER.corner_cut_m
    assert row["length_m"] == pytest.approx(ring, abs=0.02)
    assert row["slack_m"] == pytest.approx(0.02 * ring, abs=0.001)
    # 0.75 mm² of copper at 20 °C: 1 / 58 ohm mm²/m, plus what strands and tinning take.
    assert row["resistance_ohm"] == pytest.approx(1.02 * ring / (58 * 0.75), rel=0.15)


@pytest.mark.parametrize("reach_m", [0.5, 3.0, 6.0, 20.0])
def test_the_farthest_place_is_told_where_it_is_out_of_reach_and_only_there(reach_m):
    grounds = [LAWN.difference(POND), box(30, 0, 37, 30)]
    places = np.random.default_rng(2).uniform((0, 0), (37, 30), (400, 2))
    places = places[shapely.intersects_xy(shapely.union_all(grounds), places)]
    rings = shapely.boundary(shapely.union_all(grounds))
    far = max(rings.distance(Point(place)) for place in places)
    found = step._farthest_m(places, grounds, reach_m)
    assert found == pytest.approx(far) if far > reach_m else found <= reach_m
    assert step._farthest_m(places[:0], grounds, reach_m) == 0.0
