"""Wire forced along lines that somebody drew on site, through the real steps and the independent checker."""

from __future__ import annotations

from dataclasses import replace

import pytest
import shapely
from expected_layers import CONTRACT_PROFILE
from made import plan_of, site_of, violations_of
from shapely import LineString, Polygon, box

from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site

LAWN = box(0, 0, 20, 12)
BELL = shapely.union_all([box(0, 0, 10, 10), box(10, 4.4, 16, 5.6), box(16, 0, 26, 10)])
DRAWN = {
    "across a corner": (LAWN, [LineString([(19.7, 7), (15, 11.7)])], "info"),
    "near the edge": (LAWN, [LineString([(4, 11.7), (5, 11.93), (15, 11.93), (16, 11.7)])], "caution"),
    "around a bay": (LAWN, [LineString([(6, 11), (6, 9), (9, 9), (9, 11)])], "info"),
    "a ring inside": (LAWN, [LineString(box(8, 4, 11, 7).exterior.coords)], "info"),
    "off the lawn": (LAWN, [LineString([(5, 11.7), (5, 14), (12, 14), (12, 11.7)])], "stop"),
    "in both halves": (
        BELL,
        [LineString([(0.5, 5), (3, 9.8)]), LineString([(18, 0.3), (18, 3), (22, 3), (22, 0.3)])],
        "caution info",
    ),
}


def drawn(name: str) -> tuple[Site, Plan, str]:
    lawn, lines, severity = DRAWN[name]
    wires = tuple(Fact(line, "wire_path", "geometry", place=line) for line in lines)
    site = replace(site_of(lawn), facts=Facts(wires=wires))
    return site, plan_of(site), severity


@pytest.mark.parametrize("name", DRAWN)
def test_wire_follows_the_line_and_no_rule_is_broken_unsaid(name: str) -> None:
    site, plan, severity = drawn(name)
    broken = violations_of(site, plan, CONTRACT_PROFILE)
    assert not broken, "\n".join(map(str, broken))
    said = [row for row in plan.rows("findings") if row["code"] == "drawn-wire"]
    assert [row["severity"] for row in said] == severity.split()
    left_out = plan.geometries("hand_mow", reason="left_out")
    assert bool(left_out) == (name not in ("near the edge", "off the lawn"))
    (summary,) = plan.rows("summary")
    lost_m2 = sum(part.area for part in left_out)
    assert summary["mowable_m2"] + lost_m2 == pytest.approx(summary["lawn_m2"], rel=0.06)
    wire = shapely.union_all(plan.geometries("wire_path"))
    for line in [fact.value for fact in site.facts.wires]:
        followed = shapely.intersection(line, wire.buffer(0.15))
        assert followed.length > 0.85 * line.length - 0.8


def test_dock_pegs_and_islands_follow_as_for_any_ring() -> None:
    _, plan, _ = drawn("a ring inside")
    assert [row["run_kind"] for row in plan.rows("wire_runs")].count("lead_out") == 1
    (path,) = plan.geometries("wire_path")
    assert path.distance(plan.geometries("dock_candidates", chosen=True)[0]) < 1e-6
    assert max(path.distance(peg) for peg in plan.geometries("pegs")) < 1e-6
    (plain,) = plan_of(site_of(LAWN)).geometries("wire_path")
    assert Polygon(path).area == pytest.approx(Polygon(plain).area - 9, abs=0.2)
