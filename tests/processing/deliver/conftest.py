# ruff: noqa: E501 (rows are easier compared side by side)
"""One plan with names that break things, and its documents, made once for all tests here."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas
import pandas as pd
import pytest
import shapely

pytest.importorskip("fpdf", reason="documents need the extra lawngis[documents]")

from lawngis.processing.deliver.documents import Wishes, deliver_documents
from lawngis.processing.deliver.formats import Formats
from lawngis.processing.deliver.reading import document_source
from lawngis.processing.files import gpkg
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.tables import table

X0, Y0 = 500_000.0, 5_500_000.0
LABEL = 'Grüße "O\'Neil" & <script>alert(1)</script> שלום 🌳'
WRITTEN = datetime(2026, 5, 1, 8, tzinfo=UTC)


def box(x: float, y: float, width: float, depth: float) -> shapely.Polygon:
    return shapely.box(X0 + x, Y0 + y, X0 + x + width, Y0 + y + depth)


def parcel_rows(name: str, label: str, x: float, size_m: float) -> dict[str, list[dict[str, Any]]]:
    """A square lawn with one island, made by hand: enough of every layer for every document."""
    wire = shapely.LineString(
        [(X0 + x + a, Y0 + b) for a, b in [(2, 0.4), (size_m - 0.4, 0.4), (size_m - 0.4, size_m - 0.4), (0.4, size_m - 0.4), (0.4, 0.4), (2, 0.4)]]
    )  # fmt: skip
    chainages = [at * 0.75 for at in range(int(wire.length / 0.75) + 1)]
    at = {"parcel_id": name}
    start = shapely.Point(wire.coords[0])
    return {
        "summary": [{**at, "label": label, "status": "planned", "verdict_text": "A mower can serve all.",
                     "lawn_m2": size_m**2, "mowable_m2": size_m**2 - 1, "zones": 1, "loops": 1, "wire_m": wire.length,
                     "lead_m": 0.0, "pegs": len(chainages), "dock_score": 0.8, "slope_p95_percent": 4.0,
                     "mowing_hours_week": 6.0, "amount": 50.0, "stop_findings": 0, "visit_checks": 1, "seconds": 0.1,
                     "geometry": shapely.MultiPolygon([box(x, 0, size_m, size_m)])}],
        "zones": [{**at, "zone_id": f"{name}-Z1", "role": "home", "area_m2": size_m**2 - 1, "perimeter_m": 4 * size_m,
                   "slope_p50_percent": 2.0, "slope_p95_percent": 4.0, "slope_max_percent": 6.0, "loop_id": f"{name}-L1",
                   "supply": "own_dock", "hours_week": 6.0,
                   "geometry": box(x, 0, size_m, size_m) - box(x + 5, 5, 1, 1)}],
        "keepouts": [{**at, "keepout_id": f"{name}-K1", "reason": "bed", "treatment": "island", "area_m2": 1.0,
                      "confidence": 0.9, "evidence": "=cmd", "geometry": box(x + 5, 5, 1, 1)}],
        "wire_path": [{**at, "loop_id": f"{name}-L1", "source": "dock", "length_m": wire.length, "plan_length_m": wire.length,
                       "lead_m": 0.0, "slack_m": 1.0, "resistance_ohm": 1.2, "geometry": wire}],
        "wire_runs": [{**at, "loop_id": f"{name}-L1", "seq": 1, "run_kind": "edge", "edge_class": "raised",
                       "setback_m": 0.4, "from_m": 0.0, "to_m": wire.length, "geometry": wire}],
        "pegs": [{**at, "loop_id": f"{name}-L1", "peg_no": number, "chainage_m": chainage, "peg_kind": "straight",
                  "geometry": wire.interpolate(chainage)} for number, chainage in enumerate(chainages, 1)],
        "joins": [{**at, "loop_id": f"{name}-L1", "chainage_m": wire.length, "why": "closing", "geometry": start}],
        "dock_candidates": [{**at, "candidate_id": f"{name}-D1", "zone_id": f"{name}-Z1", "rank": 1, "score": 0.8,
                             "chosen": True, "feasible": True, "heading_deg": 90.0, "slope_percent": 1.0, "straight_m": 3.0,
                             "corner_m": 3.0, "supply_score": 0.9, "supply_m": 2.0, "geometry": start}],
        "materials": [{**at, "item": "boundary wire", "quantity": 100.0, "unit": "m", "basis": "=1+1", "unit_price": 0.45,
                       "amount": 45.0, "currency": "EUR", "price_source": "example"}],
        "schedule": [{**at, "zone_id": f"{name}-Z1", "weekday": "Tuesday", "start_time": "09:00", "end_time": "11:30",
                      "mowing_h": 1.5, "charging_h": 1.0, "edge_pass": True}],
        "findings": [{**at, "finding_id": f"{name}-F1", "severity": "caution", "code": "x", "text": "<b>wet</b> & steep",
                      "advice": "Look.", "geometry": shapely.Point()}],
        "visit_checks": [{**at, "check_id": f"{name}-V1", "priority": 1, "measure_what": "width of the passage",
                          "measured_how": "tape", "value": 1.55, "sd": 0.1, "unit": "m", "limit_value": 1.6,
                          "decides": "whether it is mown", "flip_probability": 0.3, "step": "zones",
                          "target_layer": "links", "target_id": f"{name}-P1", "target_column": "width_m",
                          "geometry": start}],
    }  # fmt: skip


def write_plan(path: Path) -> Path:
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in PLAN_LAYERS}
    for parcel in (parcel_rows("P1", LABEL, 0, 20), parcel_rows("../P2", "large", 40, 90)):
        for name, some in parcel.items():
            rows[name] += some
    failed = {"parcel_id": "P3", "status": "failed", "verdict_text": "no DEM", "geometry": shapely.MultiPolygon()}
    rows["summary"].append(failed)
    return write_rows(path, rows)


def write_portfolio(path: Path, parcels: int) -> Path:
    """Many parcels like the first, side by side."""
    rows: dict[str, list[dict[str, Any]]] = {name: [] for name in PLAN_LAYERS}
    for number in range(parcels):
        for name, some in parcel_rows(f"P{number + 1}", "plain", 30.0 * number, 20).items():
            rows[name] += some
    return write_rows(path, rows)


def write_rows(path: Path, rows: dict[str, list[dict[str, Any]]]) -> Path:
    facts = {"lawngis version": "0.1.0", "finished": "2026-05-01T08:00:00+00:00", "accuracy.dem_sd_m": "0.1",
             "raster dem": "/secret/place/dem.tif, 9 x 9 cells of 0.5 m, UTM", "profile.slope_limit_percent": "35.0",
             "dated raster dem": "2019-04-03T10:00:00", "modified /secret/place/dem.tif": "2024-02-01T00:00:00+00:00",
             "sha256 /secret/place/dem.tif": "0123456789abcdef",
             "attribution dem": "Survey of Nowhere, CC BY 4.0"}  # fmt: skip
    rows["run_info"] = [{"parcel_id": None, "key": key, "value": value} for key, value in facts.items()]
    rows["run_info"].append({"parcel_id": "P1", "key": "lawngis version", "value": "of one parcel's record"})
    crs = geopandas.GeoSeries([], crs="EPSG:25832").crs
    tables: dict[str, pd.DataFrame] = {name: table(spec, rows[name], crs) for name, spec in PLAN_LAYERS.items()}
    return gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=crs)


@pytest.fixture
def portfolio_written(tmp_path: Path) -> Path:
    """A plan of forty parcels."""
    return write_portfolio(tmp_path / "plan.gpkg", 40)


@pytest.fixture(scope="session")
def delivered(tmp_path_factory: pytest.TempPathFactory) -> SimpleNamespace:
    """Plan, folder of documents, and the parcels as read back."""
    folder = tmp_path_factory.mktemp("deliver")
    path = write_plan(folder / "plan.gpkg")
    wishes = Wishes(formats=Formats("en_GB"), starting=date(2026, 5, 1), written_at=WRITTEN)
    names = [row.parcel_id for row in deliver_documents(path, folder / "docs", wishes)]
    source = document_source(path)
    return SimpleNamespace(
        path=path, docs=folder / "docs", names=names, source=source, label=LABEL, first=folder / "docs" / "P1",
        parcels={name: source.parcel(name) for name in names}, wishes=wishes, box=box,
    )  # fmt: skip
