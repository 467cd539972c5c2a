"""A small plan drawn by hand, on which the checker is tried: right as it stands, and broken one way at a time.

::

      zone Z1 16 x 10 m                zone Z2 10 x 10 m
    +------------------------+       +------------------+
    |                        |       |                  |
    |         +--+  lawn     +-------+                  |
    |         |bed| island   passage                    |
    |         +--+           +-------+                  |
    |            :  lead     |       |                  |
    +-----o------:-----------+       +------------------+
        dock

The wire keeps 0.30 m from the parcel's boundary, 0.25 m from the bed, and goes through the passage (1.2 m wide,
lawn that is mown by hand) with 0.30 m between its wires. Corners are cut at 45 degrees. The ground is level.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from expected_layers import EXPECTED_LAYERS
from pyproj import CRS, Transformer
from shapely import LineString, Point, Polygon, box

PLANE = CRS.from_proj4("+proj=tmerc +lat_0=48.1 +lon_0=9.3 +k=1 +x_0=0 +y_0=0 +datum=WGS84 +units=m +type=crs")
PARCEL = box(0, 0, 29, 10)
BED = box(7, 4, 9, 6)
PASSAGE = box(16, 4.4, 19, 5.6)
ZONES = {"P01-Z1": Polygon(box(0, 0, 16, 10).exterior, [BED.exterior]), "P01-Z2": box(19, 0, 29, 10)}

Step = tuple[str, str | None, list[tuple[float, float]]]

WAY: list[Step] = [
    ("edge", "boundary", [(5, 0.3), (8, 0.3)]),
    ("lead_out", None, [(8, 0.3), (8, 3.75)]),
    (
        "island",
        "soft",
        [
            (8, 3.75),
            (6.89, 3.75),
            (6.75, 3.89),
            (6.75, 6.11),
            (6.89, 6.25),
            (9.11, 6.25),
            (9.25, 6.11),
            (9.25, 3.89),
            (9.11, 3.75),
            (8, 3.75),
        ],
    ),
    ("lead_back", None, [(8, 3.75), (8, 0.3)]),
    ("edge", "boundary", [(8, 0.3), (15.5, 0.3)]),
    ("corner", None, [(15.5, 0.3), (15.7, 0.5)]),
    ("edge", "boundary", [(15.7, 0.5), (15.7, 4.65)]),
    ("passage", None, [(15.7, 4.65), (15.9, 4.85), (19.1, 4.85), (19.3, 4.65)]),
    ("edge", "boundary", [(19.3, 4.65), (19.3, 0.5)]),
    ("corner", None, [(19.3, 0.5), (19.5, 0.3)]),
    ("edge", "boundary", [(19.5, 0.3), (28.5, 0.3)]),
    ("corner", None, [(28.5, 0.3), (28.7, 0.5)]),
    ("edge", "boundary", [(28.7, 0.5), (28.7, 9.5)]),
    ("corner", None, [(28.7, 9.5), (28.5, 9.7)]),
    ("edge", "boundary", [(28.5, 9.7), (19.5, 9.7)]),
    ("corner", None, [(19.5, 9.7), (19.3, 9.5)]),
    ("edge", "boundary", [(19.3, 9.5), (19.3, 5.35)]),
    ("passage", None, [(19.3, 5.35), (19.1, 5.15), (15.9, 5.15), (15.7, 5.35)]),
    ("edge", "boundary", [(15.7, 5.35), (15.7, 9.5)]),
    ("corner", None, [(15.7, 9.5), (15.5, 9.7)]),
    ("edge", "boundary", [(15.5, 9.7), (0.5, 9.7)]),
    ("corner", None, [(0.5, 9.7), (0.3, 9.5)]),
    ("edge", "boundary", [(0.3, 9.5), (0.3, 0.5)]),
    ("corner", None, [(0.3, 0.5), (0.5, 0.3)]),
    ("edge", "boundary", [(0.5, 0.3), (5, 0.3)]),
]
"""The wire as it is laid: kind of run, class of the edge that it follows, vertices in metres of the plane."""

SETBACK_M = {"boundary": 0.30, "soft": 0.25, "flush": 0.12}


@dataclass
class HandMade:
    """What is drawn; everything else of the plan follows from it when it is written."""

    way: list[Step] = field(default_factory=lambda: list(WAY))
    zones: dict[str, Polygon] = field(default_factory=lambda: dict(ZONES))
    slope_factor: float = 1.0
    peg_spacing_m: float = 0.75
    parcel_id: str = "P01"

    def layers(self) -> dict[str, pd.DataFrame]:
        """All layers of the contract, in the plane."""
        tables = {**self._ground(), **self._edges(), **self._wire(), **self._dock(), **self._words()}
        tables["summary"] = [self._summary(tables)]
        return {name: self._table(name, tables.get(name, [])) for name in EXPECTED_LAYERS}

    def _table(self, name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
        expected = EXPECTED_LAYERS[name]
        dtypes = {"text": object, "any": object, "number": float, "integer": "Int64", "boolean": bool}
        table = pd.DataFrame(rows, columns=[*expected.columns, *(["geometry"] if expected.geometry else [])])
        table["parcel_id"] = self.parcel_id
        table = table.astype({column: dtypes[kind] for column, kind in expected.columns.items()})
        return geopandas.GeoDataFrame(table, crs=PLANE) if expected.geometry else table

    def _ground(self) -> dict[str, list[dict[str, Any]]]:
        lawn = shapely.union_all([box(0, 0, 16, 10), PASSAGE, ZONES["P01-Z2"]])
        return {
            "lawn": [_area("lawn_id", "P01-G1", lawn, source="derived", confidence=0.9)],
            "keepouts": [_area("keepout_id", "P01-K1", BED, reason="bed", treatment="island", confidence=0.9)],
            "hand_mow": [_area("area_id", "P01-H1", PASSAGE, reason="narrow")],
            "zones": [
                _area(
                    "zone_id",
                    zone_id,
                    zone,
                    mower_no=1,
                    role="home" if zone_id == "P01-Z1" else "linked",
                    perimeter_m=zone.length,
                    loop_id="P01-L1",
                    reached_by=None if zone_id == "P01-Z1" else "P01-P1",
                    supply="own_dock" if zone_id == "P01-Z1" else "main_wire",
                    hours_week=2.5,
                )
                for zone_id, zone in self.zones.items()
            ],
            "links": [
                {
                    "link_id": "P01-P1",
                    "zone_a": "P01-Z1",
                    "zone_b": "P01-Z2",
                    "kind": "transit",
                    "width_m": 1.2,
                    "width_sd_m": 0.1,
                    "length_m": 3.0,
                    "along_border": False,
                    "geometry": LineString([(16, 5), (19, 5)]),
                }
            ],
        }

    def _edges(self) -> dict[str, list[dict[str, Any]]]:
        mouths = {"P01-Z1": LineString([(16, 4.4), (16, 5.6)]), "P01-Z2": LineString([(19, 4.4), (19, 5.6)])}
        rows = []
        for zone_id, zone in ZONES.items():
            rest = zone.exterior.difference(mouths[zone_id].buffer(1e-9))
            around = shapely.line_merge(rest)
            rows += [(zone_id, "boundary", line) for line in shapely.get_parts(around)]
            rows += [(zone_id, "flush", mouths[zone_id])]
            rows += [(zone_id, "soft", LineString(ring)) for ring in zone.interiors]
        return {
            "edges": [
                {
                    "edge_id": f"P01-E{number}",
                    "zone_id": zone_id,
                    "edge_class": edge_class,
                    "setback_m": SETBACK_M[edge_class],
                    "length_m": line.length,
                    "evidence": "drawn so",
                    "confidence": 1.0,
                    "geometry": line,
                }
                for number, (zone_id, edge_class, line) in enumerate(rows, 1)
            ]
        }

    def _wire(self) -> dict[str, list[dict[str, Any]]]:
        lines = [LineString(xy) for _, _, xy in self.way]
        ends = np.cumsum([line.length for line in lines]) * self.slope_factor
        whole = LineString(np.concatenate([shapely.get_coordinates(line) for line in lines]))
        runs = [
            {
                "loop_id": "P01-L1",
                "seq": seq,
                "run_kind": kind,
                "edge_class": edge_class,
                "setback_m": SETBACK_M.get(edge_class or ""),
                "from_m": end - line.length * self.slope_factor,
                "to_m": end,
                "island_id": "P01-K1" if kind.startswith(("island", "lead")) else None,
                "geometry": line,
            }
            for seq, ((kind, edge_class, _), line, end) in enumerate(zip(self.way, lines, ends, strict=True), 1)
        ]
        leads = sum(run["to_m"] - run["from_m"] for run in runs if run["run_kind"].startswith("lead"))
        path = {
            "loop_id": "P01-L1",
            "source": "dock",
            "length_m": ends[-1],
            "plan_length_m": whole.length,
            "lead_m": leads,
            "slack_m": 0.02 * ends[-1],
            "resistance_ohm": 0.024 * ends[-1],
            "signal_min_ut": 0.1,
            "signal": 1,
            "geometry": whole,
        }
        joins = [{"loop_id": "P01-L1", "chainage_m": 0.0, "why": "closing", "geometry": Point(whole.coords[0])}]
        return {"wire_path": [path], "wire_runs": runs, "pegs": self._pegs(whole), "joins": joins}

    def _pegs(self, wire: LineString) -> list[dict[str, Any]]:
        """A peg at every vertex, and between them so that none are further apart than the spacing on the ground."""
        dense = shapely.segmentize(wire, self.peg_spacing_m / self.slope_factor)
        xy = shapely.get_coordinates(dense)
        xy = xy[np.concatenate([[True], np.hypot(*np.diff(xy, axis=0).T) > 0.001])]
        chainage = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]) * self.slope_factor
        return [
            {
                "loop_id": "P01-L1",
                "peg_no": no,
                "chainage_m": c,
                "peg_kind": "straight",
                "stage": "first",
                "geometry": Point(p),
            }
            for no, (c, p) in enumerate(zip(chainage, xy, strict=True), 1)
        ]

    def _dock(self) -> dict[str, list[dict[str, Any]]]:
        dock = Point(self.way[0][2][0])
        candidate = {
            "candidate_id": "P01-D1",
            "zone_id": "P01-Z1",
            "rank": 1,
            "score": 0.8,
            "chosen": True,
            "feasible": True,
            "heading_deg": 90.0,
            "geometry": dock,
        }
        route = LineString([(5, 0), (5, 0.3)])
        return {
            "dock_candidates": [candidate],
            "supply_route": [
                {"candidate_id": "P01-D1", "length_m": route.length, "within_limit": True, "geometry": route}
            ],
        }

    def _words(self) -> dict[str, list[dict[str, Any]]]:
        note = {"severity": "info", "code": "note", "text": "drawn by hand", "geometry": Point(5, 5)}
        check = {
            "check_id": "P01-C1",
            "priority": 1,
            "measure_what": "width of the passage",
            "flip_probability": 0.1,
            "geometry": Point(17.5, 5),
        }
        times = {"weekday": "Monday", "start_time": "09:00", "end_time": "11:30", "mowing_h": 1.5, "charging_h": 1.0}
        return {
            "findings": [{"finding_id": "P01-F1", **note}],
            "visit_checks": [check],
            "visit_areas": [{"check_id": "P01-C1", "length_m": 3.0, "geometry": LineString([(16, 5), (19, 5)])}],
            "schedule": [{"zone_id": zone, "edge_pass": False, **times} for zone in self.zones],
            "run_info": [{"key": "version", "value": "drawn"}],
        }

    def _summary(self, tables: dict[str, list[dict[str, Any]]]) -> dict[str, Any]:
        path = tables["wire_path"][0]
        tables["materials"] = [
            _item("boundary wire", path["length_m"] + path["slack_m"], "m", 0.5),
            _item("pegs", len(tables["pegs"]), "pieces", 0.2),
        ]
        amount = sum(row["amount"] for row in tables["materials"])
        hours = sum(row["hours_week"] for row in tables["zones"])
        of_mower = {"profile": "medium", "zones": len(tables["zones"]), "loops": 1, "hours_week": hours}
        tables["mowers"] = [{"mower_no": 1, **of_mower, "amount": amount}]
        return {
            "profile": "medium",
            "mowers": 1,
            "status": "planned",
            "verdict_text": "can be done",
            "lawn_m2": sum(row["area_m2"] for row in tables["lawn"]),
            "mowable_m2": sum(row["area_m2"] for row in tables["zones"]),
            "zones": len(tables["zones"]),
            "loops": 1,
            "wire_m": path["length_m"],
            "lead_m": path["lead_m"],
            "pegs": len(tables["pegs"]),
            "dock_score": 0.8,
            "mowing_hours_week": 1.5 * len(tables["zones"]),
            "missing_hours_week": 0.0,
            "amount": amount,
            "stop_findings": 0,
            "visit_checks": 1,
            "seconds": 0.1,
            "geometry": shapely.MultiPolygon([PARCEL]),
        }


def _area(own_id: str, name: str, shape: Polygon, **columns: Any) -> dict[str, Any]:
    return {own_id: name, "area_m2": shape.area, "geometry": shape, **columns}


def _item(item: str, quantity: float, unit: str, price: float) -> dict[str, Any]:
    return {
        "mower_no": 1,
        "item": item,
        "quantity": quantity,
        "unit": unit,
        "basis": "counted",
        "unit_price": price,
        "amount": quantity * price,
    }


def site_layers() -> dict[str, geopandas.GeoDataFrame]:
    """The site that the plan is for."""
    return {
        "parcels": geopandas.GeoDataFrame({"parcel_id": ["P01"]}, geometry=[PARCEL], crs=PLANE),
        "beds": geopandas.GeoDataFrame({"kind": ["flowers"]}, geometry=[BED], crs=PLANE),
    }


def write(path: Path, layers: dict[str, pd.DataFrame], crs: str) -> Path:
    """Write layers into one GeoPackage, moved from the plane into a CRS."""
    target = CRS(crs)
    transformer = Transformer.from_crs(PLANE, target, always_xy=True)
    for name, table in layers.items():
        options: dict[str, Any] = {"layer": name, "driver": "GPKG"}
        if isinstance(table, geopandas.GeoDataFrame):
            shapes = shapely.transform(
                table.geometry.to_numpy(), lambda xy: np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))
            )
            table = table.set_geometry(geopandas.GeoSeries(shapes, index=table.index, crs=target))  # noqa: PLW2901
            kind = EXPECTED_LAYERS[name].geometry if name in EXPECTED_LAYERS else "Polygon"
            kind = "Unknown" if kind and " or " in kind else kind
            pyogrio.write_dataframe(table, path, geometry_type=kind, **options)
        else:
            pyogrio.write_dataframe(table, path, **options)
    return path
