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
from lawngis.processing.model.plan import Derived, Plan, StepResult
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
def test_what_is_declared_of_a_site_is_read(name: str) -> None:
    site, _ = seen(name)
    seen_there, there = READING[name](site), READING[name](a_site())
    assert repr(seen_there) == repr(there)


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
    assert plan.layers == ["lawn"]
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


def test_a_step_that_takes_a_derived_value_declares_all_that_it_is_derived_from() -> None:
    """A value that one step may derive from a layer can't hide that layer from the declaration of the next."""
    plan, computed = a_plan(), []

    def area(view: PlanView) -> float:
        what = Derived("area", ("lawn", "site:beds"))
        return view.derived(what, lambda: computed.append(1) or sum(row["area_m2"] for row in view.rows("lawn")))

    for step in ("first", "second"):
        _, view = seen("lawn", "site:beds", plan=plan, step=step)
        assert area(view) == 4.0
    for missing in ("lawn", "site:beds"):
        _, view = seen(*({"lawn", "site:beds"} - {missing}), plan=plan, step="third")
        with pytest.raises(PlanError, match=f"step third reads {missing}, which it doesn't declare"):
            area(view)
    assert computed == [1]


def test_a_step_writes_by_what_it_returns_alone() -> None:
    plan = a_plan()
    site, view = seen("lawn", plan=plan)
    for change in (
        lambda: view.attach("shade", StepResult({"lawn": []}), ("lawn",)),
        lambda: view.keep({"lawn": []}),
        lambda: site.layers.__setitem__("lawn", None),
    ):
        with pytest.raises(PlanError, match="step shade changes lawn"):
            change()
    assert len(plan.rows("lawn")) == 1
