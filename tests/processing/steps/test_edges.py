"""Step `edges` on small sites drawn by hand, with answers worked by hand."""

import dataclasses
import json
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from shapely import LineString, Point, box

sys.path.insert(0, str(Path(__file__).parents[2] / "contract"))
from made import plan_of, site_of

from lawngis.mower import built_in_profile
from lawngis.processing.model.facts import Fact, Facts
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import DataAccuracy, LayerAccuracy, Site

MOWER = built_in_profile()
LAWN = box(0, 0, 20, 12)
SOUTH = LineString([(-1, 0), (21, 0)])
BELOW = box(-1, -2, 21, 0)


def planned(site: Site, **parameters) -> Plan:
    plan = plan_of(site, MOWER, until="edges", edges=parameters)
    plan.close()
    return plan


def with_layers(layers=None, **settings) -> Plan:
    return planned(site_of(LAWN, layers=layers), **settings)


def metres(plan: Plan) -> dict[str, float]:
    """Length of edge of each class."""
    found: dict[str, float] = {}
    for row in plan.rows("edges"):
        found[row["edge_class"]] = found.get(row["edge_class"], 0.0) + row["length_m"]
    return {edge_class: round(length, 2) for edge_class, length in found.items()}


def evidence(plan: Plan, edge_class: str) -> set[str]:
    return {row["evidence"] for row in plan.select("edges", edge_class=edge_class)}


def codes(plan: Plan) -> list[str]:
    return [row["code"] for row in plan.rows("findings")]


def paving(level, use="terrace", shape=BELOW):
    return {"hard_surfaces": {"geometry": [shape], "use": [use], "level": [level]}}


def barrier(kind, line=SOUTH, height_m=None):
    return {"barriers": {"geometry": [line], "kind": [kind], "height_m": [height_m]}}


def rising(site: Site, height, grid: str = "dem") -> Site:
    """The site with a terrain or surface model of heights by place, 0.5 m cells."""
    min_x, min_y, max_x, max_y = site.parcel.bounds
    x, y = np.arange(min_x - 4, max_x + 4, 0.5) + 0.25, np.arange(max_y + 4, min_y - 4, -0.5) - 0.25
    model = dataclasses.replace(
        site.dem,
        values=height(*np.meshgrid(x, y)),
        transform=Affine(0.5, 0, x[0] - 0.25, 0, -0.5, y[0] + 0.25),
    )
    return dataclasses.replace(site, **{grid: model})


# Classes ------------------------------------------------------------------------------------------------------------

BESIDE = {
    "flush terrace": (paving("flush"), "flush", "flush terrace beyond"),
    "flush path": (paving("flush", "path"), "flush", "flush path beyond"),
    "raised drive": (paving("raised", "drive"), "raised", "raised drive beyond"),
    "sunken path": (paving("sunken", "path"), "drop", "sunken path beyond"),
    "paving of unknown level": (paving(None, "path"), "unknown", "path of unknown level beyond"),
    "house": ({"buildings": {"geometry": [BELOW]}}, "raised", "building beyond"),
    "wall": (barrier("wall"), "raised", "wall beyond"),
    "fence": (barrier("fence"), "raised", "fence beyond"),
    "kerb": (barrier("kerb", height_m=0.1), "raised", "kerb beyond"),
    "flush kerb": (barrier("kerb", height_m=0.02), "flush", "kerb low enough to roll onto"),
    "bed": ({"beds": {"geometry": [BELOW], "kind": ["flowers"]}}, "soft", "keep-out beyond: bed"),
    "pond": ({"water": {"geometry": [BELOW], "kind": ["pond"]}}, "water", "open water beyond"),
}


@pytest.mark.parametrize("name", BESIDE)
def test_what_lies_beyond_an_edge_gives_its_class_setback_and_evidence(name):
    layers, edge_class, words = BESIDE[name]
    plan = with_layers(layers)
    lengths = metres(plan)
    if edge_class == "unknown":
        assert lengths == {"unknown": pytest.approx(64.0, abs=0.3)}
    else:
        assert lengths[edge_class] == pytest.approx(20.0, abs=0.7) and set(lengths) == {edge_class, "unknown"}
    assert any(said.startswith(words) for said in evidence(plan, edge_class))
    for row in plan.rows("edges"):
        if row["edge_class"] != "drop":
            assert row["setback_m"] == getattr(MOWER.setback_m, row["edge_class"])
        assert 0 < row["confidence"] <= 1 and row["evidence"]


def test_the_property_line_is_a_boundary():
    plan = planned(site_of(LAWN, parcel=LAWN))
    assert metres(plan) == {"boundary": pytest.approx(64.0, abs=0.01)}
    assert evidence(plan, "boundary") == {"property line, nothing known to stand on it"}


def test_an_edge_of_which_nothing_is_known_is_unknown_and_looked_at():
    plan = with_layers()
    assert metres(plan) == {"unknown": 64.0}
    (check,) = [row for row in plan.rows("visit_checks") if row["step"] == "edges"]
    assert check["decides"] == "how far the wire keeps from that edge"
    assert (check["target_layer"], check["target_column"]) == ("edges", "edge_class")
    assert "edge-class" not in {row["code"] for row in with_layers(unknown_check_m=100).rows("visit_checks")}


def test_the_edge_of_an_island_is_that_of_what_stands_on_it():
    plan = with_layers(
        {
            "trees": {"geometry": [Point(5, 6)], "trunk_diameter_m": [0.05]},
            "beds": {"geometry": [box(9, 5, 11, 7)], "kind": ["flowers"]},
            "water": {"geometry": [box(14, 5, 16, 7)], "kind": ["pond"]},
        }
    )
    lengths = metres(plan)
    assert lengths["water"] == pytest.approx(8.0)
    assert lengths["soft"] == pytest.approx(8.0 + 2 * np.pi * 0.3, rel=0.01)
    assert evidence(plan, "soft") == {"keep-out beyond: bed", "keep-out beyond: tree"}


def test_a_bank_too_steep_makes_a_steep_edge():
    site = site_of(LAWN)
    bank = rising(site, lambda x, y: 100 + 0.7 * np.clip(x - 14, 0, 9))
    plan = planned(bank)
    assert metres(plan)["steep"] == pytest.approx(12.0, abs=0.2)
    assert evidence(plan, "steep") == {"keep-out beyond: steep"}


def test_an_edge_between_zone_and_passage_is_level():
    lawn = shapely.union_all([box(0, 0, 12, 10), box(12, 4.4, 16, 5.6), box(16, 0, 24, 10)])
    plan = planned(site_of(lawn))
    assert metres(plan)["flush"] == pytest.approx(2 * 1.2, abs=0.1)
    assert evidence(plan, "flush") == {"lawn at the same level beyond, mown by hand"}


def test_the_graver_of_two_things_counts():
    """A pond behind a strip of terrace 10 cm wide."""
    layers = {**paving("flush", shape=box(-1, -0.1, 21, 0)), "water": {"geometry": [box(-1, -2, 21, -0.1)]}}
    assert metres(with_layers(layers))["water"] == pytest.approx(20.0, abs=0.7)


# Short stretches ----------------------------------------------------------------------------------------------------


def broken_wall(gap_m: float) -> dict:
    walls = [LineString([(-1, 0), (10, 0)]), LineString([(10 + gap_m, 0), (21, 0)])]
    return {"barriers": {"geometry": walls, "kind": ["wall", "wall"]}}


@pytest.mark.parametrize(("gap_m", "pieces"), [(0.3, 1), (0.8, 2)])
def test_a_short_gap_in_a_wall_does_not_make_the_wire_wiggle(gap_m, pieces):
    plan = with_layers(broken_wall(gap_m))
    assert len(plan.select("edges", edge_class="raised")) == pieces


def test_even_a_short_stretch_of_water_stays_water():
    layers = {**broken_wall(0.3), "water": {"geometry": [box(10.05, -1, 10.25, 0)], "kind": ["pond"]}}
    assert 0.19 <= metres(with_layers(layers))["water"] <= 0.7


# Drops and ledges ---------------------------------------------------------------------------------------------------


def test_a_drop_falls_away_to_the_right_of_its_direction_only():
    """Eastward along the south edge the lawn is on the left, above; westward it is below a retaining wall."""
    above = with_layers(barrier("drop"))
    assert metres(above)["drop"] == pytest.approx(20.0, abs=0.7)
    (words,) = evidence(above, "drop")
    known = "the heights that are known show no fall there, and its place is known to ± 0.10 m"
    assert words == f"ground falls away beyond; {known}"
    assert "drop-setback" in codes(above)
    below = with_layers(barrier("drop", SOUTH.reverse()))
    assert "drop" not in metres(below) and "drop-setback" not in codes(below)
    assert metres(below)["raised"] == pytest.approx(20.0, abs=0.9)


def test_a_drop_across_the_lawn_is_one_above_and_a_wall_below():
    plan = with_layers(barrier("drop", LineString([(10, -1), (10, 13)])))
    high, low = (shapely.union_all(plan.geometries("edges", edge_class=name)) for name in ("drop", "raised"))
    assert high.length == pytest.approx(12.0, abs=0.5) and low.length == pytest.approx(12.0, abs=0.5)
    assert high.centroid.x < 10.05 < low.centroid.x


def ledge(x, y):
    return np.where(y < 0, 98.8, 100.0) + 0.0 * x


def test_a_ledge_that_no_layer_knows_is_found_in_the_terrain():
    plan = planned(rising(site_of(LAWN), ledge))
    found = [row for row in plan.rows("findings") if row["code"] == "ledge-found"]
    assert found and all(row["geometry"].y < 0.6 for row in found)
    assert json.loads(found[0]["values"])["fall_m"] == pytest.approx(1.2, abs=0.05)


def test_a_ledge_of_the_layers_is_no_news():
    plan = planned(rising(site_of(LAWN, layers=barrier("drop")), ledge))
    assert "ledge-found" not in codes(plan)
    assert "ledge-found" not in codes(with_layers())


def setbacks(plan: Plan, edge_class: str = "drop") -> set[float]:
    return {row["setback_m"] for row in plan.select("edges", edge_class=edge_class)}


def sure(site: Site, position_sd_m: float) -> Site:
    """The site with edges that are known to so much."""
    return dataclasses.replace(site, accuracy=DataAccuracy(position_sd_m=position_sd_m))


def nothing_known_of_heights(site: Site) -> Site:
    return dataclasses.replace(
        site, dem=dataclasses.replace(site.dem, values=np.full_like(site.dem.values, np.nan)), dsm=None
    )


@pytest.mark.parametrize(
    ("height_m", "position_sd_m", "setback_m"),
    [
        (None, 0.0, 0.60),  # the terrain model shows no fall: the profile's
        (0.5, 0.0, 0.60),
        (1.5, 0.0, 0.70),  # 0.60 + 0.1 x (1.5 - 0.5)
        (-1.5, 0.0, 0.70),  # a depth by another sign
        (4.0, 0.0, 0.85),  # a storey: 0.60 + 0.1 x (3.0 - 0.5)
        (0.5, 0.10, 0.77),  # 0.60 + 1.645 x 0.10 = 0.7645, up to whole centimetres
        (1.5, 0.20, 1.03),  # 0.60 + 0.10 + 0.329 = 1.029
    ],
)
def test_the_setback_above_a_drop_grows_with_the_fall_and_with_the_doubt_of_its_place(
    height_m, position_sd_m, setback_m
):
    plan = planned(sure(site_of(LAWN, layers=barrier("drop", height_m=height_m)), position_sd_m))
    assert setbacks(plan) == {setback_m}


def test_of_two_that_tell_the_fall_the_deeper_counts():
    """The terrain falls by 1.2 m: 0.60 + 0.07 = 0.67 m; where the layer says 2 m, 0.60 + 0.15 m."""
    layered = {height_m: sure(site_of(LAWN, layers=barrier("drop", height_m=height_m)), 0.0) for height_m in (0.3, 2.0)}
    (by_terrain,) = setbacks(planned(rising(layered[0.3], ledge)))
    assert by_terrain == pytest.approx(0.67, abs=0.0101)
    assert setbacks(planned(rising(layered[2.0], ledge))) == {0.75}


def test_a_drop_of_unknown_depth_counts_as_a_storey_and_says_so():
    site = nothing_known_of_heights(sure(site_of(LAWN, layers=barrier("drop")), 0.0))
    plan = planned(site)
    assert setbacks(plan) == {0.85}
    (words,) = evidence(plan, "drop")
    assert words.startswith("ground falls away beyond; nothing tells how far it falls, so 3 m are assumed")


def test_each_layer_has_its_own_doubt():
    """Drops are known to 0.4 m, which adds 0.658 m; paving, known to 0.1 m as everything else, has 0.165 m."""
    accuracy = DataAccuracy(layers={"barriers": LayerAccuracy(position_sd_m=0.4)})
    drawn = dataclasses.replace(site_of(LAWN, layers=barrier("drop", height_m=0.4)), accuracy=accuracy)
    assert setbacks(planned(drawn)) == {1.26}
    paved = dataclasses.replace(site_of(LAWN, layers=paving("sunken", "path")), accuracy=accuracy)
    assert setbacks(planned(paved)) == {0.77}


def test_a_profile_may_have_another_least():
    careful = MOWER.model_copy(update={"setback_m": MOWER.setback_m.model_copy(update={"drop": 0.9})})
    plan = plan_of(sure(site_of(LAWN, layers=barrier("drop")), 0.0), careful, until="edges")
    assert setbacks(plan) == {0.90}


def test_every_drop_is_on_the_visit_list_until_somebody_measured_it():
    drop = barrier("drop", height_m=0.9)
    plan = with_layers(drop)
    (edge,) = plan.select("edges", edge_class="drop")
    (check,) = [row for row in plan.rows("visit_checks") if row["code"] == "drop-edge"]
    assert (check["target_layer"], check["target_id"], check["target_column"]) == (
        "edges",
        edge["edge_id"],
        "edge_class",
    )
    assert check["flip_probability"] is None and check["weight"] == 1.0
    for answer in ("drop", "flush"):
        seen = Fact(answer, "edges", "edge_class", name=edge["edge_id"], label="tape, 3 May")
        measured = planned(dataclasses.replace(site_of(LAWN, layers=drop), facts=Facts(edge_classes=(seen,))))
        assert "drop-edge" not in {row["code"] for row in measured.rows("visit_checks")}
        (row,) = measured.select("edges", edge_id=edge["edge_id"])
        assert row["edge_class"] == answer
        assert row["setback_m"] == {"drop": 0.81, "flush": 0.12}[answer]


def test_no_finding_advises_to_lay_closer_to_a_drop():
    plan = with_layers(barrier("drop", height_m=0.9))
    (said,) = [row for row in plan.rows("findings") if row["code"] == "drop-setback"]
    assert said["text"].endswith("the wire keeps 0.81 m from them") and "never lay closer" in said["advice"]
    two = {"geometry": [SOUTH, LineString([(21, 12), (-1, 12)])], "kind": ["drop"] * 2, "height_m": [0.9, 1.9]}
    (said,) = [row for row in with_layers({"barriers": two}).rows("findings") if row["code"] == "drop-setback"]
    assert said["text"].endswith("the wire keeps 0.81 to 0.91 m from them")


# Hedges -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("away_m", [0.0, 0.4, 0.8])
def test_a_hedge_drawn_as_a_line_is_soft_wherever_its_line_lies(away_m):
    """Half a width of 0.4 m: the lawn's edge lies on the line, 0.4 m before it, or is drawn back from it."""
    line = LineString([(-1, -0.4 + away_m), (21, -0.4 + away_m)])
    plan = with_layers(barrier("hedge", line))
    assert metres(plan)["soft"] == pytest.approx(20.0, abs=0.9)
    assert evidence(plan, "soft") == {"hedge beyond"}


def test_a_hedge_whose_line_lies_beyond_the_parcel_is_soft_where_it_reaches_in():
    """Half a width of 0.4 m and the line 0.3 m beyond the boundary: 0.1 m of the hedge stands on the parcel."""
    site = site_of(LAWN, parcel=LAWN, layers=barrier("hedge", LineString([(-1, -0.3), (21, -0.3)])))
    plan = planned(site)
    assert metres(plan)["soft"] == pytest.approx(20.0, abs=0.9)
    assert evidence(plan, "soft") == {"hedge beyond"}


@pytest.mark.parametrize(("away_m", "soft_m"), [(0.2, 20.0), (0.3, 10.0)])
def test_a_hedge_lies_beyond_an_edge_as_near_as_anything_that_is_drawn(away_m, soft_m):
    """Half of the lawn's edge touches the hedge, the other half was seen a little before it, as cells have it."""
    lawn = shapely.union(box(0, 0, 10, 12), box(10, away_m, 20, 12))
    plan = planned(site_of(lawn, layers=barrier("hedge", LineString([(-1, -0.4), (21, -0.4)]))))
    assert metres(plan)["soft"] == pytest.approx(soft_m, abs=0.5)


def test_a_wall_beside_a_hedge_stays_raised():
    lines = [SOUTH, LineString([(-1, 12), (21, 12)])]
    plan = with_layers({"barriers": {"geometry": lines, "kind": ["hedge", "wall"], "height_m": [None, None]}})
    assert metres(plan)["raised"] == pytest.approx(20.0, abs=0.9)


# Surface model ------------------------------------------------------------------------------------------------------


def kerb_up(x, y):
    return np.where(y < 0, 101.0, 100.0) + 0.0 * x


def test_where_layers_are_silent_the_surface_model_tells_the_class():
    plan = planned(rising(site_of(LAWN), kerb_up, "dsm"))
    assert metres(plan)["raised"] == pytest.approx(20.0, abs=1.5)
    (words,) = evidence(plan, "raised")
    assert words.startswith("the surface model steps up by 1.0")
    (row, *_) = plan.select("edges", edge_class="raised")
    assert row["confidence"] > 0.9


def test_layers_keep_the_say_over_the_surface_model_but_the_contradiction_is_told():
    plan = planned(rising(site_of(LAWN, layers=paving("flush")), kerb_up, "dsm"))
    assert metres(plan)["flush"] == pytest.approx(20.0, abs=0.7)
    (finding,) = (row for row in plan.rows("findings") if row["code"] == "edge-contradiction")
    values = json.loads(finding["values"])
    assert values["evidence"] == "flush terrace beyond" and values["step_m"] == pytest.approx(1.0, abs=0.05)
