"""Facts of every kind on the sample parcels: the same plan by a full run, by workers, resumed, and from a step on.

``python tests/processing/measured/test_every_way.py`` prints what each fact changes.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd
import pyogrio
import pytest
import shapely
from shapely import LineString, Point, box

from lawngis.processing.cli.main import main

ROOT = Path(__file__).parents[3]
SAMPLE = ROOT / "sample_parcels"
CRS = "EPSG:25832"

FACTS: dict[str, tuple[str, str, str, str, str, Any]] = {
    # parcel: what is measured, layer, feature, column, value, place
    "P04": ("passage wider", "links", "P04-P1", "width_m", "1.75", None),
    "P05": ("passage wider than blocked", "links", "P05-P1", "width_m", "1.10", None),
    "P08": ("slope of a bank at a point", "keepouts", "", "slope_percent", "20", "visit_checks"),
    "P01": ("edge class", "edges", "", "edge_class", "raised", "edge"),
    "P02": ("thing gone", "beds", "", "gone", "", "beds"),
    "P06": ("thing added", "beds", "", "geometry", "new", "zone"),
    "P09": ("outlet", "outlets", "", "geometry", "new", Point(561499.0, 5467297.6)),
    "P10": ("dock", "dock_candidates", "", "geometry", "", "dock"),
    "P03": ("zone left out", "zones", "P03-Z2", "gone", "", None),
    "P07": ("wire along a line", "wire_path", "", "geometry", "",
            LineString([(561489, 5467292.5), (561486.3, 5467311)])),
}  # fmt: skip

STEP_OF = {
    "P04": "lawn", "P05": "lawn", "P08": "keepouts", "P01": "edges", "P02": "cover", "P06": "cover",
    "P09": "cover", "P10": "dock", "P03": "zones", "P07": "zones",
}  # fmt: skip
"""The step from which on a plan follows each fact."""

FIGURES = ("zones", "lawn_m2", "mowable_m2", "wire_m", "amount", "stop_findings", "visit_checks", "slope_p95_percent")


def place_of(parcel: str, word: Any, plan: Path) -> Any:
    """Where a fact was measured, as a person would find it in the plan or the site."""
    if not isinstance(word, str):
        return word
    if word == "visit_checks":
        rows = pyogrio.read_dataframe(plan, layer="visit_checks")
        return rows[(rows.parcel_id == parcel) & (rows.target_layer == "keepouts")].geometry.iloc[0]
    if word == "edge":
        rows = pyogrio.read_dataframe(plan, layer="edges").query("parcel_id == @parcel and edge_class == 'flush'")
        return rows.geometry.iloc[int(rows.geometry.length.argmax())].interpolate(0.5, normalized=True)
    zone = shapely.union_all(pyogrio.read_dataframe(plan, layer="zones").query("parcel_id == @parcel").geometry)
    if word == "zone":
        middle = zone.representative_point()
        return box(middle.x - 0.5, middle.y - 0.5, middle.x + 0.5, middle.y + 0.5)
    if word == "dock":
        rows = pyogrio.read_dataframe(plan, layer="dock_candidates").query("parcel_id == @parcel and feasible")
        chosen = rows[rows.chosen].geometry.iloc[0]
        return rows.geometry.iloc[int(rows.geometry.distance(chosen).to_numpy().argmax())]
    keepouts = pyogrio.read_dataframe(plan, layer="keepouts").query("parcel_id == @parcel and reason == 'bed'")
    beds = pyogrio.read_dataframe(SAMPLE / "neighbourhood.gpkg", layer="beds")
    return beds.geometry[beds.intersects(keepouts.geometry.iloc[0])].iloc[0].representative_point()


def measured_site(folder: Path, plan: Path) -> Path:
    """The sample with one fact for each of ten parcels."""
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("*.py", "__pycache__", "*.md"))
    rows = [
        {"target_layer": layer, "target_id": name, "column": column, "value": value, "note": what,
         "geometry": place_of(parcel, place, plan)}
        for parcel, (what, layer, name, column, value, place) in FACTS.items()
    ]  # fmt: skip
    table = geopandas.GeoDataFrame(pd.DataFrame(rows), geometry="geometry", crs=CRS)
    table.to_file(folder / "overrides.gpkg", layer="overrides")
    return folder


def run(*words: object) -> None:
    assert main(["plan", *map(str, words)]) == 0


def every_way(folder: Path) -> dict[str, Path]:
    """Plan the sample without and with the facts, in every way; the plans by way."""
    plans = {way: folder / way / "plan.gpkg" for way in ("before", "full", "workers", "resume", "from")}
    run(SAMPLE, "--out", folder / "before")
    site = measured_site(folder / "site", plans["before"])
    run(site, "--out", folder / "full")
    run(site, "--out", folder / "workers", "--workers", 2)
    run(site, "--out", folder / "resume", "--resume", "--parcel", "P04")
    run(site, "--out", folder / "resume", "--resume")
    return plans


def layers_of(plan: Path, parcel: str) -> dict[str, pd.DataFrame]:
    names = [name for name, _ in pyogrio.list_layers(plan) if name not in ("run_info", "layer_styles")]
    found = {name: pyogrio.read_dataframe(plan, layer=name) for name in names}
    return {name: texts_filled(rows[rows.parcel_id == parcel]) for name, rows in found.items()}


def texts_filled(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows with empty texts as one value: a column without any text is read as another kind of nothing."""
    rows = pd.DataFrame(rows.drop(columns="seconds", errors="ignore")).reset_index(drop=True)
    return rows.fillna(dict.fromkeys(rows.select_dtypes(["object", "str"]).columns.difference(["geometry"]), ""))


def same(one: Path, two: Path, parcel: str, *, but: tuple[str, ...] = ()) -> list[str]:
    """The layers of a parcel that differ between two plans."""
    first, second = layers_of(one, parcel), layers_of(two, parcel)
    differing = []
    for name in first:
        if name in but:
            continue
        try:
            pd.testing.assert_frame_equal(first[name], second[name], check_dtype=False, rtol=1e-5, atol=1e-5)
        except AssertionError:
            differing.append(name)
    return differing


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return every_way(tmp_path_factory.mktemp("facts"))


@pytest.mark.slow
@pytest.mark.parametrize("parcel", FACTS)
def test_a_fact_changes_its_parcel_the_same_in_every_way_of_planning(plans, parcel):
    assert "summary" in same(plans["before"], plans["full"], parcel)
    assert same(plans["full"], plans["workers"], parcel) == []
    assert same(plans["full"], plans["resume"], parcel) == []


@pytest.mark.slow
@pytest.mark.parametrize("parcel", FACTS)
def test_a_fact_measured_after_planning_is_followed_from_its_step_on(plans, parcel, tmp_path):
    (tmp_path / "out").mkdir()
    shutil.copy(plans["before"], tmp_path / "out" / "plan.gpkg")
    run(plans["full"].parents[1] / "site", "--out", tmp_path / "out", "--from", STEP_OF[parcel], "--parcel", parcel)
    differing = same(plans["full"], tmp_path / "out" / "plan.gpkg", parcel, but=("findings",))
    assert differing == []


def figures(plan: Path, parcel: str) -> str:
    row = layers_of(plan, parcel)["summary"].iloc[0]
    words = [f"{row[name]:.1f}" if isinstance(row[name], float) else str(row[name]) for name in FIGURES]
    return " | ".join([str(row["status"]), *words])


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        made = every_way(Path(name))
        print("parcel | fact | status |", " | ".join(FIGURES), file=sys.stdout)
        for parcel, (what, *_) in FACTS.items():
            for way in ("before", "full", "workers", "resume"):
                print(f"{parcel} | {what}, {way} | {figures(made[way], parcel)}")
