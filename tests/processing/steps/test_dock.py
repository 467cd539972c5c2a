"""Steps `dock` and `supply` on a small garden: 20 x 15 m of lawn, a house beside it, a plane of 2 %."""

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from lawngis.mower import built_in_profile
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.step import loaded_steps
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, ordered, planned

MOWER = built_in_profile()


def plan_of(folder: Path, **parameters: dict[str, object]) -> Plan:
    source = SiteSource(site_files(folder))
    steps = ordered(loaded_steps()[0].values())
    return planned(source.site(source.parcel_ids[0]), steps, Settings(MOWER, parameters)).plan


@pytest.fixture
def garden(tmp_path: Path, build: SimpleNamespace) -> Path:
    folder = build.site(tmp_path / "garden")
    build.layer(folder / "site.gpkg", "buildings", [build.block(0, 0, 8, 5)], height_m=[6.0])
    return folder


def candidates(plan: Plan) -> list:
    return plan.rows("dock_candidates")


def chosen(plan: Plan) -> dict:
    return next(row for row in candidates(plan) if row["chosen"])


def codes(plan: Plan) -> list[str]:
    return [row["code"] for row in plan.rows("findings")]


def test_exactly_one_place_is_chosen_and_it_is_the_best_feasible_one(garden):
    rows = candidates(plan_of(garden))
    assert sum(row["chosen"] for row in rows) == 1
    best = max((row for row in rows if row["feasible"]), key=lambda row: row["score"])
    assert best["chosen"] and best["rank"] == 1
    assert sum(row["first_rank_share"] for row in rows) == pytest.approx(1.0)


def test_places_lie_every_half_metre_on_the_wire(garden):
    plan = plan_of(garden)
    wire = plan.geometries("wire_path")[0]
    places = {(row["geometry"].x, row["geometry"].y) for row in candidates(plan)}
    assert len(places) == pytest.approx(wire.length / 0.5, abs=2)
    assert all(row["geometry"].distance(wire) < 0.01 for row in candidates(plan))


def test_both_headings_are_offered_where_the_wire_is_straight_both_ways(garden):
    rows = candidates(plan_of(garden))
    places = [(round(row["geometry"].x, 6), round(row["geometry"].y, 6)) for row in rows]
    twice = [place for place in set(places) if places.count(place) == 2]
    assert twice
    for place in twice:
        one, other = (row for row, where in zip(rows, places, strict=True) if where == place)
        assert (one["heading_deg"] - other["heading_deg"]) % 360 == pytest.approx(180)


def test_every_failure_is_named_with_value_and_limit(garden):
    rows = [row for row in candidates(plan_of(garden)) if not row["feasible"]]
    assert rows and all(row["failed"] for row in rows)
    corner = [row for row in rows if "way to the next corner" in row["failed"]]
    assert corner and all("under 1.0" in row["failed"] for row in corner)


def test_a_sprinkler_keeps_the_dock_away(garden, build):
    before = chosen(plan_of(garden))["geometry"]
    build.layer(garden / "site.gpkg", "sprinklers", [build.at(before.x + 10, before.y + 7.5)])
    after = chosen(plan_of(garden))
    assert after["sprinkler_m"] >= MOWER.dock_sprinkler_min_m


@pytest.mark.parametrize("use", ["drive", "road"])
def test_vehicles_keep_the_dock_away(garden, build, use):
    """A drive along the south of the lawn, where the wall and its outlet would draw the dock."""
    build.layer(garden / "site.gpkg", "hard_surfaces", [build.block(8, 0, 12, 4)], use=[use], level=["flush"])
    plan = plan_of(garden)
    source = SiteSource(site_files(garden)).site(plan.rows("summary")[0]["parcel_id"])
    (drive,) = source.geometries("hard_surfaces")
    near = [row for row in candidates(plan) if row["geometry"].distance(drive) < MOWER.dock_vehicle_min_m - 1e-6]
    assert near and not any(row["feasible"] for row in near)
    assert all("distance to a drive or road" in row["failed"] for row in near)
    assert chosen(plan)["feasible"] and chosen(plan)["geometry"].distance(drive) >= 1.0 - 1e-6


def test_without_an_outlet_the_house_wall_is_assumed_and_checked_on_site(garden):
    plan = plan_of(garden)
    assert "outlet-assumed" in codes(plan)
    assert plan.rows("supply_route")[0]["starts_at"].startswith("nearest house wall")
    assert any("supply point" in row["measure_what"] for row in plan.rows("visit_checks"))


def test_an_outlet_draws_the_dock_near_and_the_route_starts_there(garden, build):
    build.layer(garden / "site.gpkg", "outlets", [build.at(8.0, 2.5)])
    plan = plan_of(garden)
    route = plan.rows("supply_route")[0]
    assert route["starts_at"] == "outlet" and route["within_limit"]
    assert route["length_m"] >= chosen(plan)["outlet_m"] - 0.01
    assert "outlet-assumed" not in codes(plan)


def test_voltage_drop_is_that_of_a_pair_of_conductors(garden, build):
    """2 R L I / U with 13.3 ohm/km (IEC 60228, class 5, 1.5 mm²) and 1 + 0.004 (30 - 20) of its table."""
    build.layer(garden / "site.gpkg", "outlets", [build.at(8.0, 2.5)])
    route = plan_of(garden).rows("supply_route")[0]
    ohm = 2 * 13.3e-3 * route["length_m"] * (1 + 0.004 * 10)
    assert route["drop_percent"] == pytest.approx(100 * ohm * MOWER.supply_current_a / MOWER.supply_voltage_v, rel=1e-6)


def test_a_cable_too_long_stops_the_plan(tmp_path, build):
    folder = build.site(tmp_path / "garden", parcels=[build.block(0, 0, 45, 20)])
    build.layer(folder / "site.gpkg", "outlets", [build.at(0.1, 0.1)])
    build.layer(folder / "site.gpkg", "beds", [build.block(0, 0, 25, 20)])
    plan = plan_of(folder)
    assert not chosen(plan)["feasible"] and "supply cable" in chosen(plan)["failed"]
    assert {"dock-not-feasible", "supply-too-long"} <= set(codes(plan))
    assert plan.rows("summary")[0]["stop_findings"] >= 2


def test_crossing_a_path_is_a_trip_hazard(tmp_path, build):
    folder = build.site(tmp_path / "garden", parcels=[build.block(0, 0, 30, 20)])
    build.layer(folder / "site.gpkg", "buildings", [build.block(0, 0, 5, 20)], height_m=[5.0])
    build.layer(folder / "site.gpkg", "hard_surfaces", [build.block(5, 0, 1.2, 20)], use=["path"], level=["raised"])
    build.layer(folder / "site.gpkg", "outlets", [build.at(5.0, 10.0)])
    plan = plan_of(folder)
    assert plan.rows("supply_route")[0]["crosses"] == "path"
    finding = next(row for row in plan.rows("findings") if row["code"] == "supply-crosses")
    assert "trip hazard" in finding["advice"]


def test_unknown_criteria_leave_the_score_and_are_said(tmp_path, build):
    """Without any other layer nothing stands and nobody looks: shade, sight, neighbours and beds are unknown."""
    plan = plan_of(build.site(tmp_path / "bare"))
    best = chosen(plan)
    unknown = {"shade", "hidden", "supply", "neighbours", "beds"}
    assert all(best[f"{name}_score"] is None for name in unknown)
    known = {name: getattr(MOWER.dock_weight, name) for name in ("flat", "straight", "central")}
    mean = sum(weight * best[f"{name}_score"] for name, weight in known.items()) / sum(known.values())
    assert best["score"] == pytest.approx(mean)
    finding = next(row for row in plan.rows("findings") if row["code"] == "dock-criteria-unknown")
    values = json.loads(finding["values"])
    assert {criterion["criterion"] for _, criterion in values["criteria"]} == unknown and values["unknown"] == 5


def test_shade_is_where_the_house_throws_it(garden):
    """In the hot hours of a northern summer the sun stands in the south: north of the house is shade."""
    rows = candidates(plan_of(garden))
    lowest = min(row["geometry"].y for row in rows)
    north_of_house = [
        r["shade_share"] for r in rows if abs(r["geometry"].x + 6) < 2 and abs(r["geometry"].y + 2.1) < 0.3
    ]
    east_end = [r["shade_share"] for r in rows if r["geometry"].x > 9 and r["geometry"].y > lowest + 3]
    assert np.mean(north_of_house) > np.mean(east_end) + 0.2


def test_the_house_hides_the_dock_from_the_street(garden, build):
    """A street south of the parcel: behind the house nobody sees the dock, beside it everybody does."""
    build.layer(garden / "site.gpkg", "streets", [build.block(0, -4, 8, 2)])
    rows = candidates(plan_of(garden))
    hidden = [
        r["street_sight_share"] for r in rows if abs(r["geometry"].x + 6) < 1 and abs(r["geometry"].y + 2.1) < 0.3
    ]
    seen = [r["street_sight_share"] for r in rows if r["geometry"].x > -1 and r["geometry"].y < -6]
    assert max(hidden) < 0.1 < 0.6 < min(seen)


def test_a_wet_hollow_keeps_the_dock_out(tmp_path, build):
    """A bowl 0.4 m deep across half the lawn: places in it fail by name."""
    import rasterio

    folder = build.site(tmp_path / "garden")
    with rasterio.open(folder / "dem.tif", "r+") as dem:
        z = dem.read(1)
        rows, columns = np.indices(z.shape)
        x, y = dem.transform.c + (columns + 0.5) * 0.5 - 500_000, dem.transform.f - (rows + 0.5) * 0.5 - 5_500_000
        bowl = np.clip(1 - np.hypot(x - 3.5, y - 7.5) / 7, 0, None)
        dem.write((z - 0.6 * bowl).astype("float32"), 1)
    rows = candidates(plan_of(folder))
    wet = [row for row in rows if row["failed"] and "hollow" in row["failed"]]
    assert wet and not any(row["chosen"] for row in wet)


def test_the_route_keeps_to_the_wall_when_open_lawn_is_dear_and_cuts_across_when_it_is_cheap(garden, build):
    """The outlet is on the house's south side's far end; the profile says what crossing the lawn costs."""
    build.layer(garden / "site.gpkg", "outlets", [build.at(0.1, 5.0)])
    build.layer(garden / "site.gpkg", "sprinklers", [build.at(3.0, 5.4)])
    source = SiteSource(site_files(garden))
    steps = ordered(loaded_steps()[0].values())

    def along_the_wall(open_lawn: float) -> float:
        costs = MOWER.supply_cost.model_copy(update={"open_lawn": open_lawn})
        mower = MOWER.model_copy(update={"supply_cost": costs})
        plan = planned(source.site(source.parcel_ids[0]), steps, Settings(mower)).plan
        route = plan.geometries("supply_route")[0]
        house = plan.geometries("zones")[0].envelope.boundary.union(
            source.site("P1").geometries("buildings")[0].boundary
        )
        return route.intersection(house.buffer(0.6)).length / route.length

    assert along_the_wall(50.0) >= along_the_wall(1.0)


def test_a_dock_may_stand_beside_the_lawn_on_level_paving(tmp_path, build):
    """Along a flush terrace every place has room for the base, on the lawn or on the terrace."""
    folder = build.site(tmp_path / "garden", parcels=[build.block(0, 0, 20, 15)])
    build.layer(folder / "site.gpkg", "hard_surfaces", [build.block(0, 0, 20, 5)], use=["terrace"], level=["flush"])
    rows = candidates(plan_of(folder))
    along_the_terrace = [row for row in rows if abs(row["geometry"].y + 2.38) < 0.1 and abs(row["geometry"].x) < 6]
    assert along_the_terrace and not any("room" in (row["failed"] or "") for row in along_the_terrace)
