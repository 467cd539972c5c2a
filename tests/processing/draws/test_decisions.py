"""What plans decide, matched by place: the same ground, wherever the plans' lines lie and whatever their names are."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from shapely import LineString, Point, Polygon, box

from lawngis.mower import built_in_profile
from lawngis.processing.draws.decisions import Decision, decisions
from lawngis.processing.draws.drawn_plans import DECIDING, Picture

MOWER = built_in_profile()
WEST, EAST = box(0, 0, 10, 10), box(11, 0, 21, 10)


def zone(ground: Polygon, role: str = "linked", supply: str = "own_dock") -> dict[str, Any]:
    return {"geometry": ground, "role": role, "supply": supply, "area_m2": ground.area}


def link(line: list[tuple[float, float]], kind: str, surface: str = "lawn") -> dict[str, Any]:
    return {"geometry": LineString(line), "kind": kind, "surface": surface}


def picture(**layers: list[dict[str, Any]]) -> Picture:
    lawn = [{"geometry": box(0, 0, 21, 10)}]
    given = {"lawn": lawn, "zones": [zone(WEST, "home"), zone(EAST)], "wire_path": [{"length_m": 60.0}], **layers}
    return Picture({name: given.get(name, []) for name in (*DECIDING, "findings")})


def decided(found: Picture, *drawn: Picture) -> dict[str, list[Decision]]:
    made: dict[str, list[Decision]] = {}
    for one in decisions(found, drawn, MOWER, whole=Point(5, 5)):
        made.setdefault(one.kind, []).append(one)
    return made


def test_a_crossing_between_two_lawns_is_one_wherever_it_lies() -> None:
    north, south = (link([(9.9, y), (11.1, y)], "crossing", "flush path") for y in (9.0, 1.0))
    made = decided(picture(links=[north]), picture(links=[south]), picture(), picture(links=[north]))
    (crossing,) = made["crossing"]
    assert (crossing.found, crossing.drawn) == ("joined", ("joined", "parted", "joined"))
    (crossing,) = decided(picture(), picture(links=[south]), picture(links=[north]))["crossing"]
    assert (crossing.found, crossing.mostly, list(crossing.otherwise)) == ("parted", "joined", [True, True])


def test_a_passage_that_appears_is_mown_where_the_maps_see_none() -> None:
    whole = picture(zones=[zone(box(0, 0, 21, 10), "home")])
    parted = picture(links=[link([(10, 5), (11, 5)], "transit")])
    closed = picture(
        zones=[zone(WEST, "home"), zone(EAST, "detached")], links=[link([(10, 5.4), (11, 5.4)], "blocked")]
    )
    made = decided(whole, parted, closed, whole)
    (passage,) = made["passage"]
    assert (passage.found, passage.drawn) == ("mown", ("driven", "closed", "mown"))
    east = next(one for one in made["reach"] if one.ground.equals(EAST))
    assert (east.found, east.drawn) == ("reached", ("reached", "own_dock", "reached"))


def test_ground_without_a_zone_is_left_to_hand_mowing() -> None:
    made = decided(picture(), picture(zones=[zone(WEST, "home")]))
    east = [next(one for one in made[kind] if one.ground.equals(EAST)) for kind in ("zone", "reach")]
    assert [(one.found, one.drawn) for one in east] == [("kept", ("by_hand",)), ("reached", (None,))]


def test_steep_ground_is_compared_as_pieces_that_hang_together() -> None:
    def steep(ground: Polygon) -> Picture:
        return picture(keepouts=[{"geometry": ground, "reason": "steep"}])

    made = decided(steep(box(0, 0, 4, 4)), steep(box(0, 0, 4, 4)), steep(box(12, 2, 16, 6)), steep(box(0, 0, 4, 3.9)))
    opened, kept = sorted(made["slope"], key=lambda one: one.ground.bounds)
    assert (opened.found, opened.drawn) == ("kept_out", ("kept_out", "not_kept_out", "kept_out"))
    assert (kept.found, kept.drawn) == ("not_kept_out", ("not_kept_out", "kept_out", "not_kept_out"))
    assert opened.safety and kept.safety
    assert kept.ground.area == pytest.approx(16)


def test_a_stretch_of_edge_is_judged_otherwise_from_a_metre_and_a_quarter_on() -> None:
    def edge(*parts: tuple[float, float, str]) -> Picture:
        rows = [{"geometry": LineString([(a, 0.2), (b, 0.2)]), "edge_class": name} for a, b, name in parts]
        return picture(edges=rows)

    found = picture(edges=[{"geometry": LineString([(0, 0), (10, 0)]), "edge_class": "flush"}])
    drawn = [edge((0, 8, "flush"), (8, 10, "drop")), edge((0, 5, "flush"), (5, 10, "drop")), edge((0, 10, "flush"))]
    (decision,) = decided(found, *drawn)["edge"]
    assert (decision.found, decision.drawn, decision.safety) == ("flush", ("flush", "drop", "flush"), True)


def test_a_parcel_without_a_wire_has_its_verdict_alone() -> None:
    none = picture(wire_path=[])
    made = decided(none, picture(), none)
    assert set(made) == {"verdict"}
    assert list(made["verdict"][0].otherwise) == [True, False]
    assert np.array_equal(decided(picture(), none)["verdict"][0].otherwise, [True])
