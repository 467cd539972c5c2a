"""Stop findings for wire that breaks a rule of its own: code, place, words, and what is not said twice."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely import LineString, Point, Polygon, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.geometry.lines import chainage_m
from lawngis.mower import built_in_profile
from lawngis.processing.derived.loops import DrawnWire, LoopGround
from lawngis.processing.derived.wire_checks import TOLD, LaidWire, close_wire_findings, unsound_findings
from lawngis.processing.model.catalogue import sentences
from lawngis.processing.model.plan import Finding, Plan, StepResult
from lawngis.wire.ground import loop_ground, setback_ground
from lawngis.wire.loop import Loop, Stretch, laid_loop
from lawngis.wire.soundness import FAULTS

MOWER = built_in_profile()
SETBACK = MOWER.setback_m.boundary
LAWN = box(0, 0, 20, 12) - box(8, 5, 11, 7)


def plan_with(lawn: Polygon) -> tuple[Plan, LaidWire]:
    """A plan with one zone, and the wire laid for it."""
    frame = MeasuringFrame.centred_on(Point(11, 48), CRS(4326))
    plan = Plan("P1", frame.crs)
    zone = {"zone_id": "P1-Z1", "role": "home", "loop_id": "P1-L1", "supply": "own_dock", "supply_why": ""}
    zone |= {"area_m2": lawn.area, "perimeter_m": lawn.length, "geometry": lawn}
    outlines = [LineString(ring.coords) for ring in shapely.get_rings(shapely.orient_polygons(lawn))]
    edges = [
        {"zone_id": "P1-Z1", "edge_id": f"P1-E{number}", "edge_class": "boundary"}
        | {"setback_m": SETBACK, "length_m": line.length, "geometry": line}
        for number, line in enumerate(outlines, 1)
    ]
    layers = {"zones": [zone], "edges": edges, "keepouts": [], "hand_mow": []}
    plan.attach("by hand", StepResult(layers), layers)
    inner = setback_ground(lawn, outlines, [SETBACK] * len(outlines), gap_min_m=MOWER.wire_gap_min_m)
    ground = loop_ground([inner], gap_min_m=MOWER.wire_gap_min_m, corner_cut_m=MOWER.corner_cut_m)
    stretches = [Stretch(line, "boundary", SETBACK) for line in outlines]
    loop = LoopGround("P1-L1", "dock", [zone], edges, [], ground, [])
    laid = laid_loop(ground, (2.0, SETBACK), stretches)
    return plan, LaidWire(loop, laid, chainage_m(laid.xy), stretches, lawn, [ground])


@pytest.fixture(scope="module")
def sound() -> tuple[Plan, LaidWire]:
    return plan_with(LAWN)


def with_laid(wire: LaidWire, laid: Loop) -> LaidWire:
    return replace(wire, laid=laid, chainage=chainage_m(laid.xy))


def moved(wire: LaidWire, change: Callable[[np.ndarray], np.ndarray]) -> LaidWire:
    """The wire with all of its places changed."""
    return with_laid(wire, replace(wire.laid, runs=tuple(replace(run, xy=change(run.xy)) for run in wire.laid.runs)))


def codes(findings: list[Finding]) -> set[str]:
    assert all(finding.severity == "stop" for finding in findings)
    return {finding.code for finding in findings}


def test_sound_wire_needs_no_word(sound: tuple[Plan, LaidWire]) -> None:
    plan, wire = sound
    assert not unsound_findings(plan, wire, MOWER, [])
    assert not close_wire_findings([wire], MOWER)


def test_wire_shifted_as_a_whole_is_too_near_to_an_edge(sound: tuple[Plan, LaidWire]) -> None:
    plan, wire = sound
    found = unsound_findings(plan, moved(wire, lambda xy: xy + np.array([0.1, 0.0])), MOWER, [])
    assert codes(found) == {"rule-3-setback"}
    assert found[0].values["loop_ids"] == ["P1-L1"]
    assert found[0].values["fault"] == (
        "wire-fault",
        {"case": "setback", "kept_m": pytest.approx(0.2), "setback_m": pytest.approx(0.3)},
    )
    assert all(found[0].said())
    assert found[0].place is not None and found[0].place.x > 7.0


def test_every_stop_names_its_rule_as_a_number(sound: tuple[Plan, LaidWire]) -> None:
    plan, wire = sound
    turned = [replace(run, xy=run.xy[::-1]) for run in wire.laid.runs[::-1]]
    for laid in (turned, wire.laid.runs[:-1], wire.laid.runs[3:]):
        found = unsound_findings(plan, with_laid(wire, Loop(tuple(laid))), MOWER, [])
        assert found
        for finding in found:
            assert re.search(rf"\brule {finding.code.split('-')[1]}\b", finding.said()[0])


def test_open_wire_is_told_and_measured_no_further(sound: tuple[Plan, LaidWire]) -> None:
    plan, wire = sound
    runs = list(wire.laid.runs)
    runs[2] = replace(runs[2], xy=runs[2].xy + 0.01)
    assert codes(unsound_findings(plan, with_laid(wire, Loop(tuple(runs))), MOWER, [])) == {"rule-1-open-wire"}


def test_many_places_are_counted(sound: tuple[Plan, LaidWire]) -> None:
    plan, wire = sound

    def zigzag(xy: np.ndarray) -> np.ndarray:
        dense = shapely.get_coordinates(shapely.segmentize(LineString(xy), 0.5))
        dense[1:-1:2] += [0.0, 0.4]
        return dense

    number = max(range(len(wire.laid.runs)), key=lambda n: wire.laid.runs[n].length_m)
    runs = list(wire.laid.runs)
    runs[number] = replace(runs[number], xy=zigzag(runs[number].xy))
    found = unsound_findings(plan, with_laid(wire, Loop(tuple(runs))), MOWER, [])
    bends = [finding for finding in found if finding.code == "rule-4-bend"]
    assert len(bends) == TOLD
    assert not any(finding.values["more"] for finding in bends[:-1])
    ((code, more),) = bends[-1].values["more"]
    assert code == "more-places" and more["places"] > 1


def test_close_wire_is_told_for_all_loops_together(sound: tuple[Plan, LaidWire]) -> None:
    _, wire = sound
    beside = moved(wire, lambda xy: xy + np.array([20.0 - 2 * SETBACK + 0.1, 0.0]))
    found = close_wire_findings([wire, replace(beside, loop=replace(wire.loop, loop_id="P1-L2"))], MOWER)
    assert codes(found) == {"rule-6-wire-gap"}
    assert found[0].values["loop_ids"] == ["P1-L1", "P1-L2"]
    assert found[0].values["fault"][1] == {"case": "close", "gap_m": pytest.approx(0.1), "gap_min_m": 0.3}


# Ground that the wire leaves out ------------------------------------------------------------------------------------


@pytest.fixture
def half_laid() -> tuple[Plan, LaidWire]:
    """Wire round the western half of a lawn alone."""
    plan, _ = plan_with(LAWN)
    _, half = plan_with(box(0, 0, 6, 12))
    edges = plan.rows("edges")
    stretches = [Stretch(row["geometry"], row["edge_class"], row["setback_m"]) for row in edges]
    # Its eastern side follows no edge.
    return plan, replace(half, stretches=stretches, ground=LAWN, loop=replace(half.loop, edges=edges))


def test_mown_ground_outside_the_wire_is_told(half_laid: tuple[Plan, LaidWire]) -> None:
    plan, wire = half_laid
    found = unsound_findings(plan, wire, MOWER, [])
    assert codes(found) == {"rule-2-enclosed"}
    assert found[0].values["fault"][1]["case"] == "left_out"
    assert found[0].place is not None and found[0].place.x > 6.0


def test_what_is_said_already_of_a_zone_without_wire_is_not_said_again(half_laid: tuple[Plan, LaidWire]) -> None:
    plan, wire = half_laid
    of_another = Finding("stop", "no-wire", {"case": "narrow", "zone_id": "P1-Z10"})
    of_this = Finding("stop", "no-wire", {"case": "narrow", "zone_id": "P1-Z1"})
    assert unsound_findings(plan, wire, MOWER, [of_another])
    assert not unsound_findings(plan, wire, MOWER, [of_this])
    assert unsound_findings(plan, wire, MOWER, [replace(of_this, severity="caution")])


def test_what_somebody_drew_out_of_the_lawn_is_no_mistake(half_laid: tuple[Plan, LaidWire]) -> None:
    plan, wire = half_laid
    line = LineString([(5.7, 0), (5.7, 12)])
    for left_out_m2, told in ((0.5, True), (150.0, False)):
        drawn = replace(wire, loop=replace(wire.loop, drawn=[DrawnWire("P1-Z1", line, left_out_m2, 0.0)]))
        assert bool(unsound_findings(plan, drawn, MOWER, [])) is told


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_of_wire_has_its_words(fault: str) -> None:
    assert sentences().said("part", "wire-fault", "text", {"case": fault, **dict.fromkeys(FAULTS[fault], 2)})
