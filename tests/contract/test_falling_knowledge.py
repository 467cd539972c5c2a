"""Ten made sites of falling knowledge: what a plan of each says of itself.

One garden of the sample, with ever less of it known. ``python tests/contract/test_falling_knowledge.py`` prints the table.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio

from lawngis.processing.cli.main import main

SAMPLE = Path(__file__).parents[2] / "sample_parcels"
PARCEL = "P01"
GROUND = ("buildings", "hard_surfaces", "beds")


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


def told(name: str, folder: Path) -> dict[str, str]:
    """What the plan, the visit sheet and the quote of a site say."""
    site = SITES[name](folder / "site")
    assert main(["plan", str(site), "--out", str(folder / "out"), "--parcel", PARCEL]) == 0
    plan = folder / "out" / "plan.gpkg"
    summary = pyogrio.read_dataframe(plan, layer="summary").iloc[0]
    checks = pyogrio.read_dataframe(plan, layer="visit_checks").sort_values("priority")
    return {
        "status": summary.status,
        "readiness": summary.readiness,
        "basis": summary.basis,
        "why": summary.readiness_why,
        "verdict": summary.verdict_text,
        "lawn_m2": f"{summary.lawn_m2:.0f}",
        "first": "" if checks.empty else f"{checks.code.iloc[0]}: {checks.measure_what.iloc[0]}",
        "findings": " ".join(sorted(set(pyogrio.read_dataframe(plan, layer="findings").code))),
    }


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        for number, name in enumerate(SITES):
            if len(sys.argv) > 1 and sys.argv[1] not in name:
                continue
            try:
                row = told(name, Path(made) / str(number))
            except Exception as e:
                print(name, "| FAILED", repr(e)[:300])
                continue
            print(name, "|", " | ".join(f"{k}={v}" for k, v in row.items()))
