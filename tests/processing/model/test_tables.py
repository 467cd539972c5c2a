"""Layers as tables: a step may read and write GeoDataFrames, and means the same by them as by rows."""

from __future__ import annotations

import geopandas
import numpy as np
import pandas as pd
import pytest
from pyproj import CRS
from shapely import Point, box

from lawngis.errors import PlanError
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.plan import Plan, StepResult
from lawngis.processing.model.tables import rows_of

FRAME = CRS.from_proj4("+proj=tmerc +lat_0=48.2 +lon_0=9.3 +k=1 +ellps=GRS80")
ROWS = {
    "lawn": [
        {"lawn_id": "P-G1", "area_m2": 4.0, "source": "derived", "confidence": 0.7, "geometry": box(0, 0, 2, 2)},
        {"lawn_id": "P-G2", "area_m2": 1.0, "source": "surveyed", "confidence": 1.0, "geometry": box(4, 0, 5, 1)},
    ],
    "dock_candidates": [
        {"candidate_id": "P-D1", "zone_id": "P-Z1", "rank": 1, "score": 0.5, "chosen": True, "feasible": True,
         "failed": None, "geometry": Point(1, 0)},
        {"candidate_id": "P-D2", "zone_id": "P-Z1", "rank": None, "score": None, "chosen": False, "feasible": False,
         "failed": "slope", "geometry": Point(2, 0)},
    ],
    "materials": [
        {"item": "pegs", "quantity": 40.0, "unit": "piece", "basis": None, "unit_price": 0.2, "amount": 8.0},
    ],
}  # fmt: skip


def plan_of(**layers: object) -> Plan:
    plan = Plan("P", FRAME)
    plan.attach("any", StepResult(layers), layers)  # type: ignore[arg-type]
    return plan


@pytest.mark.parametrize("name", ROWS)
def test_a_layer_is_a_table_in_the_measuring_frame_with_the_declared_columns(name: str) -> None:
    plan = plan_of(**{name: ROWS[name]})
    frame, spec = plan.frame(name), PLAN_LAYERS[name]
    assert [column for column in frame if column != "geometry"] == [column.name for column in spec.columns]
    assert frame["parcel_id"].tolist() == ["P"] * len(ROWS[name])
    if spec.geometry is None:
        assert not isinstance(frame, geopandas.GeoDataFrame)
    else:
        assert frame.crs == FRAME and frame.geometry.tolist() == plan.geometries(name)
    assert list(Plan("P", FRAME).frame(name).columns) == list(frame.columns)


@pytest.mark.parametrize("name", ROWS)
def test_a_table_comes_back_as_the_rows_that_it_was_made_of(name: str) -> None:
    plan = plan_of(**{name: ROWS[name]})
    again = plan_of(**{name: plan.frame(name)})
    full = [{column.name: None for column in PLAN_LAYERS[name].columns} | row for row in plan.rows(name)]
    assert again.rows(name) == full
    for row in again.rows(name):
        assert {type(value) for value in row.values()} <= {str, float, int, bool, type(None), type(row.get("geometry"))}


def test_index_order_of_columns_and_name_of_the_geometry_do_not_matter() -> None:
    frame = plan_of(lawn=ROWS["lawn"]).frame("lawn").drop(columns="parcel_id")
    frame = frame.rename_geometry("shape").iloc[::-1][["shape", "source", "confidence", "area_m2", "lawn_id"]]
    assert [row["lawn_id"] for row in plan_of(lawn=frame).rows("lawn")] == ["P-G2", "P-G1"]
    assert plan_of(lawn=frame).rows("lawn")[0]["geometry"].equals(box(4, 0, 5, 1))


def test_rows_belong_to_the_parcel_whatever_a_table_says() -> None:
    frame = plan_of(lawn=ROWS["lawn"]).frame("lawn").assign(parcel_id=["Q", None])
    assert [row["parcel_id"] for row in plan_of(lawn=frame).rows("lawn")] == ["P", "P"]


def test_missing_values_of_any_kind_are_none_and_whole_numbers_with_gaps_stay_whole() -> None:
    frame = plan_of(dock_candidates=ROWS["dock_candidates"]).frame("dock_candidates")
    frame["rank"] = np.array([3.0, np.nan])  # as pandas makes of whole numbers with gaps
    frame["failed"] = [pd.NA, np.nan]
    rows = plan_of(dock_candidates=frame).rows("dock_candidates")
    assert [row["rank"] for row in rows] == [3, None] and isinstance(rows[0]["rank"], int)
    assert [row["failed"] for row in rows] == [None, None]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda frame: frame.to_crs(4326), r"layer lawn: lies in WGS 84, not in the measuring frame\. Move it there"),
        (lambda frame: pd.DataFrame(frame.drop(columns="geometry")), "layer lawn: has no geometry"),
        (lambda frame: frame.assign(area_m2=["large", "small"]), "layer lawn: column area_m2: could not convert"),
        (lambda frame: frame.assign(colour="green"), "layer lawn, P-G1: column 'colour' is not declared"),
        (lambda frame: frame.assign(area_m2=np.nan), "layer lawn, P-G1: column area_m2: has no value"),
        (lambda frame: frame.assign(lawn_id="P-G1"), "lawn_id 'P-G1' occurs more than once"),
    ],
)
def test_a_table_that_does_not_fit_is_refused_by_name(change, said: str) -> None:
    frame = plan_of(lawn=ROWS["lawn"]).frame("lawn")
    with pytest.raises(PlanError, match=said):
        plan_of(lawn=change(frame))


def test_a_table_without_a_crs_is_taken_to_be_in_the_frame_and_an_empty_one_has_no_rows() -> None:
    frame = plan_of(lawn=ROWS["lawn"]).frame("lawn").set_crs(None, allow_override=True)
    assert len(plan_of(lawn=frame).rows("lawn")) == 2
    assert rows_of(PLAN_LAYERS["lawn"], frame.iloc[:0], FRAME) == []
    assert rows_of(PLAN_LAYERS["materials"], pd.DataFrame(), FRAME) == []
