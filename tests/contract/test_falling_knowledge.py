"""Ten made sites of falling knowledge: what a plan of each says of itself.

One garden of the sample, ever less of it known. ``python tests/contract/test_falling_knowledge.py`` prints the table.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyogrio
import pypdf
import pytest
import rasterio

from lawngis.processing.cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
PARCEL = "P01"


def site_of(folder: Path, layers: tuple[str, ...], rasters: tuple[str, ...], *, complete: bool = False) -> Path:
    """A site of one parcel of the sample with some of its layers and rasters."""
    folder.mkdir(parents=True)
    for name in ("parcels", *layers):
        table = pyogrio.read_dataframe(SAMPLE / "neighbourhood.gpkg", layer=name)
        if name == "parcels":
            table = table[table.parcel_id == PARCEL]
        pyogrio.write_dataframe(table, folder / "site.gpkg", layer=name, append=(folder / "site.gpkg").exists())
    for name in rasters:
        shutil.copy(SAMPLE / f"{name}.tif", folder / f"{name}.tif")
    if complete:
        shutil.copy(SAMPLE / "site.toml", folder / "site.toml")
    return folder


ALL = ("buildings", "hard_surfaces", "beds", "water", "trees", "barriers", "outlets", "streets", "obstacles")


def repainted(folder: Path, name: str, change: Callable[[np.ndarray], np.ndarray], *, bands: int | None = None) -> Path:
    """Write a raster anew with other values, and as many of its bands."""
    with rasterio.open(folder / f"{name}.tif") as file:
        values, profile, tags = file.read(), file.profile, file.descriptions
        units = file.units
    kept = values[:bands] if bands else values
    profile |= {"count": len(kept)}
    profile.pop("photometric", None)
    (folder / f"{name}.tif").unlink()
    with rasterio.open(folder / f"{name}.tif", "w", **profile) as file:
        file.write(
            change(kept.astype("float64")).round().astype(profile["dtype"])
            if name == "imagery"
            else change(kept).astype(profile["dtype"])
        )
        for number, (word, unit) in enumerate(zip(tags[: len(kept)], units[: len(kept)], strict=True), 1):
            file.set_band_description(number, word or "")
            file.set_band_unit(number, unit or "")
    return folder


def surveyed(folder: Path) -> Path:
    """The lawn itself drawn by a surveyor, and all layers complete."""
    site_of(folder, ALL, ("dem", "dsm"), complete=True)
    plan = folder.parent / "for-its-lawn"
    assert main(["plan", str(SAMPLE), "--out", str(plan), "--parcel", PARCEL]) == 0
    lawn = pyogrio.read_dataframe(plan / "plan.gpkg", layer="lawn")[["geometry"]]
    pyogrio.write_dataframe(lawn, folder / "site.gpkg", layer="lawns", append=True)
    return folder


def dry(folder: Path) -> Path:
    """Grass that has dried: near infrared falls and red rises, until it is hardly greener than bare ground."""

    def change(values: np.ndarray) -> np.ndarray:
        red, nir = values[0].copy(), values[3].copy()
        middle = (red + nir) / 2
        values[0], values[3] = middle - 0.22 * (middle - red), middle + 0.22 * (nir - middle)
        return values

    return repainted(site_of(folder, (), ("dem", "dsm", "imagery")), "imagery", change)


SITES: dict[str, Callable[[Path], Path]] = {
    "surveyed": surveyed,
    "layers": lambda folder: site_of(folder, ALL, ("dem", "dsm"), complete=True),
    "no paving": lambda folder: site_of(folder, tuple(n for n in ALL if n != "hard_surfaces"), ("dem",)),
    "no buildings": lambda folder: site_of(folder, tuple(n for n in ALL if n != "buildings"), ("dem",)),
    "boundary and DEM": lambda folder: site_of(folder, (), ("dem",)),
    "boundary alone": lambda folder: site_of(folder, (), ()),
    "RGB image": lambda folder: repainted(
        site_of(folder, (), ("dem", "dsm", "imagery")), "imagery", lambda values: values, bands=3
    ),
    "NIR image in a dry summer": dry,
    "image without DSM": lambda folder: site_of(folder, (), ("dem", "imagery")),
    "wrong DEM": lambda folder: repainted(site_of(folder, ALL, ("dem",)), "dem", lambda v: np.full_like(v, -32768.0)),
}


@dataclass(frozen=True)
class Told:
    """What plan, visit sheet and quote of a site say."""

    status: str
    readiness: str
    basis: str
    verdict: str
    lawn_m2: float
    first: str
    """The first check: its code and what it asks."""
    findings: frozenset[str]
    quote: str
    """The head of the quote; empty where there is none."""


def told(name: str, folder: Path) -> Told:
    """Plan a site and say what its documents say."""
    site, out, documents = SITES[name](folder / "site"), folder / "out", folder / "documents"
    assert main(["plan", str(site), "--out", str(out), "--parcel", PARCEL]) == 0
    plan = out / "plan.gpkg"
    assert main(["deliver", str(plan), "--out", str(documents), "--only", "pdf", "--parcel", PARCEL]) == 0
    summary = pyogrio.read_dataframe(plan, layer="summary").iloc[0]
    checks = pyogrio.read_dataframe(plan, layer="visit_checks").sort_values("priority")
    return Told(
        summary.status,
        summary.readiness,
        summary.basis,
        summary.verdict_text,
        float(summary.lawn_m2),
        "" if checks.empty else f"{checks.code.iloc[0]}: {checks.measure_what.iloc[0]}",
        frozenset(pyogrio.read_dataframe(plan, layer="findings").code),
        quote_head(next(documents.rglob("quote.pdf"), None)),
    )


def quote_head(paper: Path | None) -> str:
    """The title of a quote, and what it says of itself before its first table."""
    if paper is None:
        return ""
    lines = [line.strip() for line in pypdf.PdfReader(paper).pages[0].extract_text().splitlines() if line.strip()]
    end = next((number for number, line in enumerate(lines) if line.startswith("Mower and materials")), 8)
    return " ".join(lines[:end])


@pytest.fixture(scope="module")
def all_told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Told]:
    return {name: told(name, tmp_path_factory.mktemp("site")) for name in SITES}


@pytest.mark.slow
def test_none_is_called_ready_that_is_not(all_told):
    assert {name for name, said in all_told.items() if said.readiness == "ready"} == {"surveyed", "layers"}
    assert all_told["NIR image in a dry summer"].readiness == "settle"


@pytest.mark.slow
def test_what_is_unknown_is_asked_for_first(all_told):
    for name, said in all_told.items():
        asked = {"surveyed": "dock-slope", "layers": "dock-slope", "NIR image in a dry summer": "lawn-at-all"}
        assert said.first.startswith(f"{asked.get(name, 'what-is-there')}:"), name


@pytest.mark.slow
@pytest.mark.parametrize("name", ["no paving", "no buildings", "boundary and DEM", "boundary alone"])
def test_without_buildings_or_paving_the_verdict_is_an_upper_bound(all_told, name):
    assert all_told[name].basis == "boundary"
    assert all_told[name].verdict.startswith("At most ")
    assert all_told[name].lawn_m2 > all_told["layers"].lawn_m2


@pytest.mark.slow
def test_a_dry_lawn_is_undecided_and_not_refused(all_told):
    said = all_told["NIR image in a dry summer"]
    assert said.status == "planned" and "undecided" in said.verdict
    assert {"lawn-undecided", "ground-dry"} <= said.findings


@pytest.mark.slow
def test_terrain_that_can_not_be_true_counts_as_none(all_told):
    for name in ("boundary alone", "wrong DEM"):
        assert "terrain-unknown" in all_told[name].findings, name
        assert "slope" in all_told[name].first, name
        assert "No terrain model tells how steep it is." in all_told[name].verdict, name
        assert "for planning only" in all_told[name].quote, name


@pytest.mark.slow
def test_only_what_is_ready_or_to_be_visited_is_offered_and_example_prices_are_said(all_told):
    for name, said in all_told.items():
        if said.readiness == "settle":
            assert "for planning only" in said.quote or not said.quote, name
        elif said.quote:
            assert "example prices" in said.quote.casefold(), name


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        print("site | readiness | basis | lawn m² | verdict | first check | head of the quote", file=sys.stdout)
        for number, name in enumerate(SITES):
            said = told(name, Path(made) / str(number))
            row = (said.readiness, said.basis, f"{said.lawn_m2:.0f}", said.verdict, said.first, said.quote)
            print(f"{name} | {' | '.join(row)}")
