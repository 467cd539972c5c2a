"""What each supply of a detached zone takes, and what of it the materials hold."""

import geopandas
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import LineString, Point, box

from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.mower import built_in_profile
from lawngis.prices import price_book_from
from lawngis.processing.derived.detached_supply import DetachedZone, LeadCrossings, supply_options
from lawngis.processing.model.plan import Plan
from lawngis.processing.model.site import Site
from lawngis.processing.steps.materials import MaterialsParameters, materials

MOWER = built_in_profile()
PRICES = price_book_from()
SMALL = DetachedZone(
    area_m2=60, perimeter_m=32, ring_m=30, lead_m=5, crossed=LeadCrossings({"path": 2.0, "drive": 3.0}), main_wire_m=80
)


def wire_price(metres: float) -> float:
    """Wire with 2 % in hand, and a peg every 0.8 m, by the example's prices."""
    return metres * 1.02 * PRICES.wire_per_m + metres / 0.8 * PRICES.peg_each


def priced(zone: DetachedZone) -> dict[str, float]:
    return {option.supply: option.price for option in supply_options(zone, MOWER, PRICES).options}


def test_each_supply_costs_its_wire_and_what_feeds_it() -> None:
    assert priced(SMALL) == pytest.approx(
        {
            "main_wire": wire_price(30 + 2 * 5) + 2 * PRICES.saw_cut_per_m + 3 * PRICES.duct_per_m,
            "own_source": wire_price(30) + PRICES.signal_source_each,
            "own_dock": wire_price(30) + PRICES.dock_each,
        }
    )


def test_cheapest_supply_that_serves_is_chosen_and_all_are_told() -> None:
    offer = supply_options(SMALL, MOWER, PRICES)
    assert offer.chosen is not None and offer.chosen.supply == "main_wire"
    assert offer.chosen.why[1]["crossed"] == [
        ("crossed", {"case": "saw_cut", "surface": "path", "length_m": 2.0}),
        ("crossed", {"case": "duct", "surface": "drive", "length_m": 3.0}),
    ]
    assert [values["case"] for _, values in offer.parts] == ["chosen", "served", "served"]
    dear = PRICES.model_copy(update={"duct_per_m": 100.0})
    other = supply_options(SMALL, MOWER, dear)
    assert other.chosen is not None and other.chosen.supply == "own_source"


def test_zone_that_one_charge_cannot_mow_needs_a_dock() -> None:
    large = DetachedZone(area_m2=400, perimeter_m=82, ring_m=80, lead_m=5, crossed=LeadCrossings({}), main_wire_m=80)
    offer = supply_options(large, MOWER, PRICES)
    assert offer.chosen is not None and offer.chosen.supply == "own_dock"
    reasons = [values["reason"][1] for _, values in offer.parts]
    assert [(reason["case"], reason["area_m2"]) for reason in reasons] == [("too_large", 400)] * 3


@pytest.mark.parametrize(
    ("change", "against"),
    [
        ({"lead_m": None, "crossed": None}, {"case": "no_lead"}),
        ({"main_wire_m": 470.0}, {"case": "too_long", "limit_m": 500.0}),
    ],
)
def test_main_wire_that_does_not_serve_gives_way(change: dict[str, float | None], against: dict) -> None:
    offer = supply_options(DetachedZone(**{**vars(SMALL), **change}), MOWER, PRICES)
    assert offer.chosen is not None and offer.chosen.supply == "own_source"
    assert offer.options[0].against == ("supply-reason", against)


def test_nothing_is_chosen_when_nothing_that_is_offered_serves() -> None:
    offer = supply_options(
        DetachedZone(**{**vars(SMALL), "area_m2": 400}),
        MOWER.model_copy(update={"supplies_offered": ("main_wire",)}),
        PRICES,
    )
    assert offer.chosen is None
    assert [values["case"] for _, values in offer.parts] == ["refused"] * 3


# Materials ----------------------------------------------------------------------------------------------------------


def site_with(**surfaces: object) -> Site:
    """Two lawns, and paving of a use each between them."""
    frame = MeasuringFrame.centred_on(Point(0, 0), MeasuringFrame.centred_on(Point(11, 48), CRS(4326)).crs)
    table = geopandas.GeoDataFrame({"use": list(surfaces)}, geometry=list(surfaces.values()), crs=frame.crs)
    dem = Grid(np.full((10, 10), 100.0), Affine(5, 0, -5, 0, -5, 45), frame.crs)
    return Site("P1", "", box(-5, -5, 45, 25), frame, {"hard_surfaces": table}, dem)


def items(site: Site, *runs: tuple[str, str | None, LineString], zones: tuple[tuple[str, str], ...] = ()) -> dict:
    plan = Plan("P1", site.frame.crs)
    path = {"length_m": 100.0, "slack_m": 2.0, "length_sd_m": 1.0}
    layers = {
        "wire_path": [path],
        "wire_runs": [{"run_kind": kind, "island_id": island, "geometry": line} for kind, island, line in runs],
        "zones": [
            {"supply": supply, "loop_id": loop, "reached_by": None, "geometry": box(0, 0, 5, 5)}
            for supply, loop in zones
        ],
    }
    plan._rows.update(layers)
    return {row["item"]: row for row in materials(site, plan, MOWER, MaterialsParameters()).layers["materials"]}


ACROSS = LineString([(18, 5), (24, 5)])
ALONG = LineString([(2, 5), (8, 5)])


def test_lead_under_a_drive_takes_one_duct_for_both_its_wires() -> None:
    site = site_with(drive=box(20, -5, 23, 25))
    found = items(site, ("lead_out", None, ACROSS), ("lead_back", None, ACROSS.reverse()))
    assert found["duct"]["quantity"] == pytest.approx(3.0)
    assert (found["duct"]["unit"], found["duct"]["unit_price"]) == ("m", PRICES.duct_per_m)
    assert found["duct"]["amount"] == pytest.approx(3 * PRICES.duct_per_m)
    assert "saw cut" not in found


def test_wire_on_lawn_and_leads_to_islands_take_no_cut() -> None:
    site = site_with(path=box(20, -5, 21.2, 25))
    found = items(site, ("lead_out", None, ALONG), ("lead_out", "P1-L1-I1", ACROSS), ("edge", None, ACROSS))
    assert not {"saw cut", "duct"} & set(found)


def test_zones_that_share_a_loop_share_its_source() -> None:
    zones = (("own_dock", "P1-L1"), ("own_dock", "P1-L2"), ("own_dock", "P1-L2"))
    zones += (("own_source", "P1-L3"), ("own_source", "P1-L3"))
    found = items(site_with(), zones=zones)
    assert found["further docks"]["quantity"] == 1
    assert found["signal sources"]["quantity"] == 1
