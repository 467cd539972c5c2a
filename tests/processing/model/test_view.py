"""A step sees what it declares: reading more is an error that names the step and what it read."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
from affine import Affine
from pyproj import CRS
from shapely import Point, box

from lawngis.errors import PlanError
from lawngis.geometry.frame import MeasuringFrame
from lawngis.ground.raster import Grid
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.site import Site
from lawngis.processing.model.step import Step
from lawngis.processing.model.view import SITE_INPUTS, PlanView, SiteView, views

FRAME = MeasuringFrame.centred_on(Point(9.0, 48.0), CRS.from_epsg(4326))
LAWN = {"lawn_id": "P-G1", "area_m2": 4.0, "source": "derived", "confidence": 0.7, "geometry": box(0, 0, 2, 2)}

READING = {
    "site:parcels": lambda site: (site.parcel, site.label),
    "site:beds": lambda site: site.geometries("beds"),
    "site:water": lambda site: site.geometries("water"),
    "site:trees": lambda site: "trees" in site.layers,
    "site:streets": lambda site: site.layers.get("streets"),
    "raster:dem": lambda site: (site.dem, site.dem_around),
    "raster:dsm": lambda site: site.dsm,
    "raster:imagery": lambda site: site.imagery,
    "accuracy:dem_sd_m": lambda site: site.accuracy.dem_sd_m,
    "accuracy:position_sd_m": lambda site: site.accuracy.position_sd_m,
    "fact:wires": lambda site: site.facts.wires,
    "fact:slopes": lambda site: site.facts.slopes,
}
"""Ways to read each kind of input, present or absent."""


def a_site() -> Site:
    beds = geopandas.GeoDataFrame({"kind": ["flowers"]}, geometry=[box(0, 0, 1, 1)], crs=FRAME.crs)
    dem = Grid(np.zeros((4, 4)), Affine(1.0, 0, -2, 0, -1.0, 2), FRAME.crs)
    return Site("P", "Mill", box(-2, -2, 2, 2), FRAME, {"beds": beds}, dem)


def a_plan() -> Plan:
    plan = Plan("P", FRAME.crs)
    plan.attach("lawn", StepResult({"lawn": [LAWN]}), ("lawn",))
    plan.attach("cover", StepResult({"cover": []}), ("cover",))
    return plan


def seen(*reads: str, plan: Plan | None = None, step: str = "shade") -> tuple[SiteView, PlanView]:
    declared = Step(step, "", "", reads, (), lambda *_: StepResult())
    return views(declared, a_site(), a_plan() if plan is None else plan)


@pytest.mark.parametrize("name", READING)
def test_what_is_declared_of_a_site_is_read_and_noted(name: str) -> None:
    site, plan = seen(name)
    seen_there, there = READING[name](site), READING[name](a_site())
    assert repr(seen_there) == repr(there)
    assert plan.reads.made == {name}


@pytest.mark.parametrize("name", READING)
def test_what_is_not_declared_of_a_site_is_refused_with_step_and_layer(name: str) -> None:
    site, _ = seen(*(other for other in READING if other != name), "lawn")
    with pytest.raises(PlanError, match=rf"step shade reads {name}, which it doesn't declare"):
        READING[name](site)


@pytest.mark.parametrize(
    "read",
    [
        lambda plan: plan.rows("lawn"),
        lambda plan: plan.select("lawn", source="derived"),
        lambda plan: plan.geometries("lawn"),
        lambda plan: "lawn" in plan,
    ],
)
def test_a_plan_shows_the_layers_that_are_declared(read) -> None:
    _, plan = seen("lawn")
    assert read(plan)
    assert plan.reads.made == {"lawn"} and plan.layers == ["lawn"]
    _, plan = seen("cover")
    with pytest.raises(PlanError, match=r"P: step shade reads lawn, which it doesn't declare"):
        read(plan)


def test_every_kind_of_input_that_a_site_has_can_be_read_and_no_attribute_escapes() -> None:
    assert {name.partition(":")[0] for name in SITE_INPUTS} == {name.partition(":")[0] for name in READING}
    site, _ = seen(*SITE_INPUTS)
    assert site.parcel_id == "P" and site.frame is FRAME
    for name in Site.__dataclass_fields__:
        if name != "findings":
            getattr(site, name)
    with pytest.raises(PlanError, match=r"reads site\.findings"):
        site.findings  # noqa: B018  what reading noticed is no input


def test_layers_that_are_not_declared_are_not_listed() -> None:
    assert list(seen("site:beds")[0].layers) == ["beds"]
    assert list(seen("site:water")[0].layers) == []


def test_a_derived_value_counts_as_read_by_each_step_that_takes_it() -> None:
    """A value that one step may derive from a layer can't hide that layer from the declaration of the next."""
    plan, computed = a_plan(), []

    def area(view: PlanView) -> float:
        return view.derived("area", lambda: computed.append(1) or sum(row["area_m2"] for row in view.rows("lawn")))

    _, first = seen("lawn", plan=plan, step="first")
    assert area(first) == 4.0 and first.reads.made == {"lawn"}
    _, second = seen("lawn", "cover", plan=plan, step="second")
    assert area(second) == 4.0 and second.reads.made == {"lawn"}
    _, third = seen("cover", plan=plan, step="third")
    with pytest.raises(PlanError, match="step third reads lawn"):
        area(third)
    assert computed == [1]


def test_what_a_derived_value_takes_of_another_counts_as_well() -> None:
    plan = a_plan()

    def twice(site: SiteView, view: PlanView) -> float:
        def inner() -> float:
            return 2 * len(site.geometries("beds"))

        return view.derived("outer", lambda: view.derived("inner", inner) + len(view.rows("lawn")))

    site, view = seen("site:beds", "lawn", "cover", plan=plan)
    view.rows("cover")  # read before, and no part of the value
    assert twice(site, view) == 3 and view.reads.made == {"site:beds", "lawn", "cover"}
    site, view = seen("site:beds", "lawn", plan=plan)
    assert twice(site, view) == 3 and view.reads.made == {"site:beds", "lawn"}
    for missing in ("site:beds", "lawn"):
        site, view = seen(*({"site:beds", "lawn"} - {missing}), plan=plan)
        with pytest.raises(PlanError, match=f"reads {missing}"):
            twice(site, view)


def test_a_value_that_could_not_be_derived_leaves_what_was_read_noted() -> None:
    _, view = seen("lawn", "cover")
    view.rows("cover")
    with pytest.raises(ZeroDivisionError, match="division by zero"):
        view.derived("broken", lambda: len(view.rows("lawn")) / 0)
    assert view.reads.made == {"cover", "lawn"}
    assert view.derived("broken", lambda: 7) == 7


def test_a_step_writes_by_what_it_returns_alone() -> None:
    plan = a_plan()
    _, view = seen("lawn", plan=plan)
    with pytest.raises(AttributeError, match="PlanView"):
        view.attach("shade", StepResult({"lawn": []}), ("lawn",))
    assert len(plan.rows("lawn")) == 1
