"""A planned sample parcel whose wire is laid and walked, in truths that tests choose."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from numpy.typing import NDArray

from lawngis.geometry.lines import chainage_m
from lawngis.mower import built_in_profile
from lawngis.processing.as_built.planned_wire import PlannedWire, planned_wires
from lawngis.processing.as_built.tracks import Track, Walk
from lawngis.processing.files import gpkg
from lawngis.processing.files.plan_reader import plan_file
from lawngis.processing.model.layers import PLAN_LAYERS
from lawngis.processing.model.step import loaded_steps
from lawngis.processing.model.tables import table
from lawngis.processing.planning.plan_writer import run_info
from lawngis.processing.reading.site_files import site_files
from lawngis.processing.reading.site_source import SiteSource
from lawngis.processing.steps.workflow import Settings, ordered, planned

ROOT = Path(__file__).parents[3]
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class LaidParcel:
    """The plan of a parcel with one loop, that loop, and walks along it with known truth."""

    plan: Path
    wire: PlannedWire
    simulated: ModuleType

    @property
    def loop(self):
        return self.simulated.PlannedLoop(self.wire.xy, self.wire.chainage, list(self.wire.islands))

    def island_added(self, *, clockwise: bool = True) -> FloatArray:
        """A ring of 1 m radius with its lead of 8 m, where the lawn is free."""
        at = 127.0
        ring = self.simulated.on_lead(self.loop, at, 8.0, 1.0, clockwise=clockwise)
        return self.simulated.spliced(self.wire.xy, self.wire.chainage, at, at, ring)

    def free_share(self) -> tuple[float, float]:
        """Ten metres in the middle of the longest stretch without islands, as shares of the loop with one added."""
        length = float(self.wire.chainage[-1])
        ends = [0.0, *(item.lead_to_m for item in self.wire.islands), length]
        begins = [0.0, *(item.lead_from_m for item in self.wire.islands), length]
        spans = sorted(zip(sorted(ends)[:-1], sorted(begins)[1:], strict=True), key=lambda span: span[1] - span[0])
        middle = sum(spans[-1]) / 2
        total = float(chainage_m(self.island_added())[-1])
        return (middle - 5) / total, (middle + 5) / total

    def walk(self, truth: FloatArray, noise: float, **how) -> Walk:
        crs = self.wire.frame.source
        points = self.simulated.walk(truth, self.simulated.Receiver(noise), seed=2, **how)
        return Walk(self.wire.frame.coordinates_in(crs, points), crs, None, noise, "2026-05-04")

    def track(self, truth: FloatArray, noise: float, **how) -> Track:
        return Track([self.walk(truth, noise, **how)])

    def length_m(self, truth: FloatArray) -> float:
        return float(chainage_m(truth)[-1]) * self.wire.ground_ratio


@pytest.fixture(scope="session")
def parcel(tmp_path_factory):
    """P06 of the sample: a lawn with five islands."""
    spec = importlib.util.spec_from_file_location("simulated_walks_laid", ROOT / "tests" / "record" / "walks.py")
    simulated = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = simulated
    spec.loader.exec_module(simulated)
    source = SiteSource(site_files(ROOT / "sample_parcels"))
    site, settings = source.site("P06"), Settings(built_in_profile())
    plan = planned(site, ordered(loaded_steps()[0].values()), settings).plan
    day = datetime(2026, 4, 1, 12, tzinfo=UTC)
    tables = {}
    for name, layer in PLAN_LAYERS.items():
        rows = run_info(source, settings, day, day) if name == "run_info" else plan.rows(name)
        if layer.geometry and rows:
            moved = site.frame.to_source([row["geometry"] for row in rows])
            rows = [{**row, "geometry": geometry} for row, geometry in zip(rows, moved, strict=True)]
        tables[name] = table(layer, rows, source.crs if layer.geometry else None)
    path = tmp_path_factory.mktemp("laid") / "plan.gpkg"
    gpkg.write_plan(path, tables, tuple(PLAN_LAYERS.values()), crs=source.crs)
    (wire,) = planned_wires(plan_file(path))
    return LaidParcel(path, wire, simulated)
